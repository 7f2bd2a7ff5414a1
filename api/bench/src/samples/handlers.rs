//! Samples and test portions over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, RegisterSamples};
use ferrotitre_base::db::Db;
use ferrotitre_base::states::{NewMove, StateMove};
use ferrotitre_base::web::answer::{Answer, Versioned};
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::Page;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, History, VersionView};
use uuid::Uuid;

use crate::samples::listing::{self, SampleListing};
use crate::samples::portions::{self, NewPortion, PortionView};
use crate::samples::samples::{self, SampleFacts};
use crate::samples::with_portions::{self, NewSampleWithPortions, SampleWithPortions};

/// Records a sample.
#[utoipa::path(tag = "samples", request_body = SampleFacts, responses((status = 201, description = "Recorded", body = VersionView<SampleFacts>)))]
#[post("/samples")]
pub(super) async fn record_sample(
    who: Allowed<RegisterSamples>,
    db: web::Data<Db>,
    body: Body<SampleFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(samples::record(&db, &act, facts).await?)
}

/// Records a sample with the test portions that are taken of it at once: all of it or nothing.
#[utoipa::path(tag = "samples", request_body = NewSampleWithPortions, responses((status = 201, description = "Recorded", body = SampleWithPortions)))]
#[post("/samples/with-portions")]
pub(super) async fn record_sample_with_portions(
    who: Allowed<RegisterSamples>,
    db: web::Data<Db>,
    body: Body<NewSampleWithPortions>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(with_portions::record(&db, &act, new).await?)
}

/// Lists samples, newest first.
#[utoipa::path(tag = "samples", params(SampleListing), responses((status = 200, description = "A page", body = Page<VersionView<SampleFacts>>)))]
#[get("/samples")]
pub(super) async fn list_samples(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    asked: Params<SampleListing>,
) -> Result<web::Json<Page<VersionView<SampleFacts>>>, Problem> {
    Ok(web::Json(listing::list(&db, &asked.0).await?))
}

/// Reads a sample with all its versions.
#[utoipa::path(tag = "samples", params(("id" = Uuid, Path, description = "Sample")), responses((status = 200, description = "All versions", body = History<SampleFacts>)))]
#[get("/samples/{id}")]
pub(super) async fn read_sample(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<History<SampleFacts>>, Problem> {
    Ok(samples::read(&db, *id).await?)
}

/// Corrects a sample; the version corrected is named in If-Match.
#[utoipa::path(tag = "samples", params(("id" = Uuid, Path, description = "Sample"), ("If-Match" = String, Header, description = "ETag of the version corrected")), request_body = Correction<SampleFacts>, responses((status = 201, description = "The new version", body = VersionView<SampleFacts>)))]
#[post("/samples/{id}/corrections")]
pub(super) async fn correct_sample(
    who: Allowed<RegisterSamples>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<SampleFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(samples::correct(&db, &act, *id, who.if_match(), correction).await?)
}

/// Moves a sample to another state.
#[utoipa::path(tag = "samples", params(("id" = Uuid, Path, description = "Sample")), request_body = NewMove, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/samples/{id}/moves")]
pub(super) async fn move_sample(
    who: Allowed<RegisterSamples>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(samples::advance(&db, &act, *id, asked).await?)
}

/// Records a test portion of a sample with its dilution chain.
#[utoipa::path(tag = "samples", params(("id" = Uuid, Path, description = "Sample")), request_body = NewPortion, responses((status = 201, description = "Recorded", body = PortionView)))]
#[post("/samples/{id}/portions")]
pub(super) async fn record_test_portion(
    who: Allowed<RegisterSamples>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewPortion>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(portions::record(&db, &act, *id, new).await?)
}

/// Lists the test portions of a sample, newest first.
#[utoipa::path(tag = "samples", params(("id" = Uuid, Path, description = "Sample")), responses((status = 200, description = "Test portions", body = Vec<PortionView>)))]
#[get("/samples/{id}/portions")]
pub(super) async fn list_test_portions(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Vec<PortionView>>, Problem> {
    Ok(web::Json(portions::list(&db, *id).await?))
}

/// Corrects a test portion; the version corrected is named in If-Match.
#[utoipa::path(tag = "samples", params(("id" = Uuid, Path, description = "Test portion"), ("If-Match" = String, Header, description = "ETag of the version corrected")), request_body = Correction<NewPortion>, responses((status = 201, description = "The new version", body = PortionView)))]
#[post("/portions/{id}/corrections")]
pub(super) async fn correct_test_portion(
    who: Allowed<RegisterSamples>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<NewPortion>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(portions::correct(&db, &act, *id, who.if_match(), correction).await?)
}
