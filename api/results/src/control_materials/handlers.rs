//! Lots of control material over HTTP.

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

use crate::control_materials::service;
use crate::control_materials::store::ControlMaterialFacts;

/// Records a lot of control material; it is quarantined until a manager releases it.
#[utoipa::path(tag = "control materials", request_body = ControlMaterialFacts, responses((status = 201, description = "Recorded", body = VersionView<ControlMaterialFacts>)))]
#[post("/control-materials")]
pub(super) async fn record_control_material(
    who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    body: Body<ControlMaterialFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(service::record(&db, &act, facts).await?)
}

/// Lists lots of control material, newest first.
#[utoipa::path(tag = "control materials", params(Listing), responses((status = 200, description = "A page", body = Page<VersionView<ControlMaterialFacts>>)))]
#[get("/control-materials")]
pub(super) async fn list_control_materials(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<VersionView<ControlMaterialFacts>>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads a lot of control material with all its versions.
#[utoipa::path(tag = "control materials", params(("id" = Uuid, Path, description = "Control material lot")), responses((status = 200, description = "All versions", body = History<ControlMaterialFacts>)))]
#[get("/control-materials/{id}")]
pub(super) async fn read_control_material(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<History<ControlMaterialFacts>>, Problem> {
    Ok(service::read(&db, *id).await?)
}

/// Corrects a lot of control material; the version corrected is named in If-Match.
#[utoipa::path(tag = "control materials", params(("id" = Uuid, Path, description = "Control material lot"), ("If-Match" = String, Header, description = "ETag of the version corrected")), request_body = Correction<ControlMaterialFacts>, responses((status = 201, description = "The new version", body = VersionView<ControlMaterialFacts>)))]
#[post("/control-materials/{id}/corrections")]
pub(super) async fn correct_control_material(
    who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<ControlMaterialFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::correct(&db, &act, *id, who.if_match(), correction).await?)
}

/// Moves a lot of control material to another state; only one with an assigned value is released.
#[utoipa::path(tag = "control materials", params(("id" = Uuid, Path, description = "Control material lot")), request_body = NewMove, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/control-materials/{id}/moves")]
pub(super) async fn move_control_material(
    who: Allowed<ReleaseLots>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(service::advance(&db, &act, *id, asked).await?)
}
