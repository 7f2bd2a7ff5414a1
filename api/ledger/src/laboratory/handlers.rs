//! The laboratory over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{DescribeLaboratory, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::Body;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;

use crate::laboratory::service::{self, LaboratoryHistory, LaboratoryView};
use crate::laboratory::store::LaboratoryFacts;

/// Reads how certificates name the laboratory, in all versions.
#[utoipa::path(tag = "certificates", responses((status = 200, description = "Versions", body = LaboratoryHistory)))]
#[get("/laboratory")]
pub(super) async fn read_laboratory(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
) -> Result<web::Json<LaboratoryHistory>, Problem> {
    Ok(web::Json(service::read(&db).await?))
}

/// Says how certificates name the laboratory, for the first time.
#[utoipa::path(tag = "certificates", request_body = LaboratoryFacts, responses((status = 201, description = "Recorded", body = LaboratoryView)))]
#[post("/laboratory")]
pub(super) async fn record_laboratory(
    who: Allowed<DescribeLaboratory>,
    db: web::Data<Db>,
    body: Body<LaboratoryFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(service::record(&db, &act, facts).await?)
}

/// Says it anew, with a reason; the version corrected is named in If-Match. Certificates that went out keep what they say.
#[utoipa::path(tag = "certificates", params(("If-Match" = String, Header, description = "Version corrected")), request_body = Correction<LaboratoryFacts>, responses((status = 201, description = "The new version", body = LaboratoryView)))]
#[post("/laboratory/corrections")]
pub(super) async fn correct_laboratory(
    who: Allowed<DescribeLaboratory>,
    db: web::Data<Db>,
    body: Body<Correction<LaboratoryFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::correct(&db, &act, who.if_match(), correction).await?)
}
