//! Nonconformities over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{
    CloseNonconformities, HandleNonconformities, OpenNonconformities, ReadRecords,
};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::Page;
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::nonconformities::service;
use crate::nonconformities::wire::{NewNonconformity, NewStep, NonconformityListing, NonconformityView, Reopening};

/// Opens a nonconformity.
#[utoipa::path(tag = "nonconformities", request_body = NewNonconformity, responses((status = 201, description = "Opened", body = NonconformityView)))]
#[post("/nonconformities")]
pub(super) async fn open_nonconformity(
    who: Allowed<OpenNonconformities>,
    db: web::Data<Db>,
    body: Body<NewNonconformity>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::open(&db, &act, new).await?)
}

/// Lists nonconformities, newest first.
#[utoipa::path(tag = "nonconformities", params(NonconformityListing), responses((status = 200, description = "A page", body = Page<NonconformityView>)))]
#[get("/nonconformities")]
pub(super) async fn list_nonconformities(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<NonconformityListing>,
) -> Result<web::Json<Page<NonconformityView>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads a nonconformity with its steps and the records it concerns.
#[utoipa::path(tag = "nonconformities", params(("id" = Uuid, Path, description = "Nonconformity")), responses((status = 200, description = "The nonconformity", body = NonconformityView)))]
#[get("/nonconformities/{id}")]
pub(super) async fn read_nonconformity(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<NonconformityView>, Problem> {
    Ok(web::Json(service::read(&db, *id).await?))
}

/// Records containment, impact, cause, action or effectiveness check.
#[utoipa::path(tag = "nonconformities", params(("id" = Uuid, Path, description = "Nonconformity")), request_body = NewStep, responses((status = 201, description = "Recorded", body = NonconformityView)))]
#[post("/nonconformities/{id}/steps")]
pub(super) async fn record_nonconformity_step(
    who: Allowed<HandleNonconformities>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewStep>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record_step(&db, &act, *id, new).await?)
}

/// Moves a nonconformity on; each state needs its step on record.
#[utoipa::path(tag = "nonconformities", params(("id" = Uuid, Path, description = "Nonconformity")), request_body = NewMove, responses((status = 201, description = "Moved", body = NonconformityView)))]
#[post("/nonconformities/{id}/moves")]
pub(super) async fn move_nonconformity(
    who: Allowed<HandleNonconformities>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(service::advance(&db, &act, *id, asked).await?)
}

/// Closes a nonconformity with a signature; never its owner, and only after a check that found the action effective.
#[utoipa::path(tag = "nonconformities", params(("id" = Uuid, Path, description = "Nonconformity")), request_body = NewSignature, responses((status = 201, description = "Closed", body = NonconformityView)))]
#[post("/nonconformities/{id}/closing")]
pub(super) async fn close_nonconformity(
    who: Allowed<CloseNonconformities>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(service::close(&db, &act, who.user(), **policy, *id, signature).await?)
}

/// Reopens a closed nonconformity.
#[utoipa::path(tag = "nonconformities", params(("id" = Uuid, Path, description = "Nonconformity")), request_body = Reopening, responses((status = 201, description = "Reopened", body = NonconformityView)))]
#[post("/nonconformities/{id}/reopening")]
pub(super) async fn reopen_nonconformity(
    who: Allowed<CloseNonconformities>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Reopening>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(service::reopen(&db, &act, *id, asked.reason).await?)
}
