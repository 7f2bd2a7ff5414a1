//! Runs and blanks over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ConductRuns, ReadRecords, ReleaseRuns};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use uuid::Uuid;

use crate::runs::blanks::{self, BlankView, Judgement, NewBlank};
use crate::runs::service::{self, NewRun, RunView};
use crate::runs::together::{self, NewRuns, OpenedRuns};

/// Opens a run under an approved method.
#[utoipa::path(tag = "runs", request_body = NewRun, responses((status = 201, description = "Opened", body = RunView)))]
#[post("/runs")]
pub(super) async fn open_run(
    who: Allowed<ConductRuns>,
    db: web::Data<Db>,
    body: Body<NewRun>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::open(&db, &act, new).await?)
}

/// Opens a run for each of several methods with what is titrated in it, and begins the determinations: all of it or nothing.
#[utoipa::path(tag = "runs", request_body = NewRuns, responses((status = 201, description = "Opened", body = OpenedRuns)))]
#[post("/runs/with-determinations")]
pub(super) async fn open_runs(
    who: Allowed<ConductRuns>,
    db: web::Data<Db>,
    body: Body<NewRuns>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(together::open(&db, &act, new).await?)
}

/// Lists runs, newest first.
#[utoipa::path(tag = "runs", params(Listing), responses((status = 200, description = "A page", body = Page<RunView>)))]
#[get("/runs")]
pub(super) async fn list_runs(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<RunView>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads a run.
#[utoipa::path(tag = "runs", params(("id" = Uuid, Path, description = "Run")), responses((status = 200, description = "The run", body = RunView)))]
#[get("/runs/{id}")]
pub(super) async fn read_run(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<RunView>, Problem> {
    Ok(web::Json(service::read(&db, *id).await?))
}

/// Closes a run: no blank or determination can be added any more.
#[utoipa::path(tag = "runs", params(("id" = Uuid, Path, description = "Run")), responses((status = 201, description = "Closed", body = RunView)))]
#[post("/runs/{id}/closing")]
pub(super) async fn close_run(
    who: Allowed<ConductRuns>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Answer, Problem> {
    Ok(service::close(&db, &who.act_without_body(), *id).await?)
}

/// Releases a closed run, signed by somebody who did not open it.
#[utoipa::path(tag = "runs", params(("id" = Uuid, Path, description = "Run")), request_body = NewSignature, responses((status = 201, description = "Released", body = RunView)))]
#[post("/runs/{id}/release")]
pub(super) async fn release_run(
    who: Allowed<ReleaseRuns>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(service::judge(&db, &act, who.user(), **policy, (*id, true), signature).await?)
}

/// Rejects a run with a reason; its records stay, none of its results is released.
#[utoipa::path(tag = "runs", params(("id" = Uuid, Path, description = "Run")), request_body = NewSignature, responses((status = 201, description = "Rejected", body = RunView)))]
#[post("/runs/{id}/rejection")]
pub(super) async fn reject_run(
    who: Allowed<ReleaseRuns>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(service::judge(&db, &act, who.user(), **policy, (*id, false), signature).await?)
}

/// Records a blank; a dichromate blank without added iron is refused, because its indicator cannot turn.
#[utoipa::path(tag = "runs", params(("id" = Uuid, Path, description = "Run")), request_body = NewBlank, responses((status = 201, description = "Recorded", body = BlankView)))]
#[post("/runs/{id}/blanks")]
pub(super) async fn record_blank(
    who: Allowed<ConductRuns>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewBlank>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(blanks::record(&db, &act, *id, new).await?)
}

/// Lists the blanks of a run, all versions.
#[utoipa::path(tag = "runs", params(("id" = Uuid, Path, description = "Run")), responses((status = 200, description = "Blanks", body = Vec<BlankView>)))]
#[get("/runs/{id}/blanks")]
pub(super) async fn list_blanks(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Vec<BlankView>>, Problem> {
    Ok(web::Json(blanks::list(&db, *id).await?))
}

/// Corrects a blank; the version corrected is named in If-Match.
#[utoipa::path(tag = "runs", params(("id" = Uuid, Path, description = "Blank"), ("If-Match" = String, Header, description = "Version corrected")), request_body = Correction<NewBlank>, responses((status = 201, description = "The new version", body = BlankView)))]
#[post("/blanks/{id}/corrections")]
pub(super) async fn correct_blank(
    who: Allowed<ConductRuns>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<NewBlank>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(blanks::correct(&db, &act, *id, who.if_match(), correction).await?)
}

/// Accepts a blank, or rejects it with its cause.
#[utoipa::path(tag = "runs", params(("id" = Uuid, Path, description = "Blank")), request_body = Judgement, responses((status = 201, description = "Judged", body = BlankView)))]
#[post("/blanks/{id}/judgement")]
pub(super) async fn judge_blank(
    who: Allowed<ConductRuns>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Judgement>,
) -> Result<Answer, Problem> {
    let (act, judgement) = who.act(body);
    Ok(blanks::judge(&db, &act, *id, judgement).await?)
}
