//! Lots of primary standards and reagents over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, ReceiveLots, ReleaseLots};
use ferrotitre_base::db::Db;
use ferrotitre_base::states::{NewMove, StateMove};
use ferrotitre_base::web::answer::{Answer, Versioned};
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, History, VersionView};
use uuid::Uuid;

use crate::standards::primary::{self, PrimaryStandardFacts};
use crate::standards::reagents::{self, ReagentFacts};

/// Records a primary-standard lot.
#[utoipa::path(tag = "standards", request_body = PrimaryStandardFacts, responses((status = 201, description = "Recorded", body = VersionView<PrimaryStandardFacts>)))]
#[post("/primary-standards")]
pub(super) async fn record_primary_standard(
    who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    body: Body<PrimaryStandardFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(primary::record(&db, &act, facts).await?)
}

/// Lists primary-standard lots, newest first.
#[utoipa::path(tag = "standards", params(Listing), responses((status = 200, description = "A page", body = Page<VersionView<PrimaryStandardFacts>>)))]
#[get("/primary-standards")]
pub(super) async fn list_primary_standards(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<VersionView<PrimaryStandardFacts>>>, Problem> {
    Ok(web::Json(primary::list(&db, &listing.0).await?))
}

/// Reads a primary-standard lot with all its versions.
#[utoipa::path(tag = "standards", params(("id" = Uuid, Path, description = "Primary-standard lot")), responses((status = 200, description = "All versions", body = History<PrimaryStandardFacts>)))]
#[get("/primary-standards/{id}")]
pub(super) async fn read_primary_standard(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<History<PrimaryStandardFacts>>, Problem> {
    Ok(primary::read(&db, *id).await?)
}

/// Corrects a primary-standard lot; the version corrected is named in If-Match.
#[utoipa::path(tag = "standards", params(("id" = Uuid, Path, description = "Primary-standard lot"), ("If-Match" = String, Header, description = "ETag of the version corrected")), request_body = Correction<PrimaryStandardFacts>, responses((status = 201, description = "The new version", body = VersionView<PrimaryStandardFacts>)))]
#[post("/primary-standards/{id}/corrections")]
pub(super) async fn correct_primary_standard(
    who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<PrimaryStandardFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(primary::correct(&db, &act, *id, who.if_match(), correction).await?)
}

/// Moves a primary-standard lot to another state.
#[utoipa::path(tag = "standards", params(("id" = Uuid, Path, description = "Primary-standard lot")), request_body = NewMove, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/primary-standards/{id}/moves")]
pub(super) async fn move_primary_standard(
    who: Allowed<ReleaseLots>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(primary::advance(&db, &act, *id, asked).await?)
}

/// Records a reagent lot.
#[utoipa::path(tag = "standards", request_body = ReagentFacts, responses((status = 201, description = "Recorded", body = VersionView<ReagentFacts>)))]
#[post("/reagents")]
pub(super) async fn record_reagent(
    who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    body: Body<ReagentFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(reagents::record(&db, &act, facts).await?)
}

/// Lists reagent lots, newest first.
#[utoipa::path(tag = "standards", params(Listing), responses((status = 200, description = "A page", body = Page<VersionView<ReagentFacts>>)))]
#[get("/reagents")]
pub(super) async fn list_reagents(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<VersionView<ReagentFacts>>>, Problem> {
    Ok(web::Json(reagents::list(&db, &listing.0).await?))
}

/// Reads a reagent lot with all its versions.
#[utoipa::path(tag = "standards", params(("id" = Uuid, Path, description = "Reagent lot")), responses((status = 200, description = "All versions", body = History<ReagentFacts>)))]
#[get("/reagents/{id}")]
pub(super) async fn read_reagent(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<History<ReagentFacts>>, Problem> {
    Ok(reagents::read(&db, *id).await?)
}

/// Corrects a reagent lot; the version corrected is named in If-Match.
#[utoipa::path(tag = "standards", params(("id" = Uuid, Path, description = "Reagent lot"), ("If-Match" = String, Header, description = "ETag of the version corrected")), request_body = Correction<ReagentFacts>, responses((status = 201, description = "The new version", body = VersionView<ReagentFacts>)))]
#[post("/reagents/{id}/corrections")]
pub(super) async fn correct_reagent(
    who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<ReagentFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(reagents::correct(&db, &act, *id, who.if_match(), correction).await?)
}

/// Moves a reagent lot to another state.
#[utoipa::path(tag = "standards", params(("id" = Uuid, Path, description = "Reagent lot")), request_body = NewMove, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/reagents/{id}/moves")]
pub(super) async fn move_reagent(
    who: Allowed<ReleaseLots>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(reagents::advance(&db, &act, *id, asked).await?)
}
