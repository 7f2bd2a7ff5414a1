//! Impacts over HTTP.

use actix_web::{get, post, web};
use uuid::Uuid;

use crate::impacts::service;
use crate::impacts::uses::{self, UseListing, WhereUsed};
use crate::impacts::wire::{ImpactDetail, ImpactView, NewImpactDecision};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{DecideImpacts, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;

/// Lists what touched signed results, newest first.
#[utoipa::path(tag = "impacts", params(Listing), responses((status = 200, description = "A page", body = Page<ImpactView>)))]
#[get("/impacts")]
pub(super) async fn list_impacts(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<ImpactView>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads an impact with the signed results it touches, page by page.
#[utoipa::path(tag = "impacts", params(("id" = Uuid, Path, description = "Impact"), Listing), responses((status = 200, description = "The impact", body = ImpactDetail)))]
#[get("/impacts/{id}")]
pub(super) async fn read_impact(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    listing: Params<Listing>,
) -> Result<web::Json<ImpactDetail>, Problem> {
    Ok(web::Json(service::read(&db, *id, &listing.0).await?))
}

/// Records that results stay as they were signed, with the reason; somebody who did not sign them decides. A result that has to
/// change is amended instead.
#[utoipa::path(tag = "impacts", params(("id" = Uuid, Path, description = "Impact")), request_body = NewImpactDecision, responses((status = 201, description = "Decided", body = ImpactDetail)))]
#[post("/impacts/{id}/decisions")]
pub(super) async fn decide_impact(
    who: Allowed<DecideImpacts>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewImpactDecision>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::decide(&db, &act, who.user(), *id, new).await?)
}

/// Lists every signed result that stands over a thing, in whatever version, or that a person took part in, oldest first, with
/// their number.
#[utoipa::path(tag = "impacts", params(("id" = Uuid, Path, description = "The thing: equipment, calibration, standard, lot, factor, run, blank, sample, portion, method version, or a person's account"), UseListing), responses((status = 200, description = "Signatures over it", body = WhereUsed)))]
#[get("/where-used/{id}")]
pub(super) async fn read_uses(
    who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    listing: Params<UseListing>,
) -> Result<web::Json<WhereUsed>, Problem> {
    Ok(web::Json(uses::read(&db, who.user(), Some(*id), &listing.0).await?))
}

/// Lists every signed result of a stretch of time, oldest first, with their number.
#[utoipa::path(tag = "impacts", params(UseListing), responses((status = 200, description = "Signatures of that time", body = WhereUsed)))]
#[get("/where-used")]
pub(super) async fn read_uses_of_a_time(
    who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<UseListing>,
) -> Result<web::Json<WhereUsed>, Problem> {
    Ok(web::Json(uses::read(&db, who.user(), None, &listing.0).await?))
}
