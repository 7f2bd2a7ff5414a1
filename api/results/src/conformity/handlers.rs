//! What samples are given to be judged by, and the risks of it, over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{AssignSpecifications, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::{Answer, Picture, Pixels};
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::conformity::assignments::{self, AssignmentView, NewAssignment, NewRemoval};
use crate::conformity::picture;
use crate::conformity::risk::{self, RiskQuestion, RiskView};

/// Computes the risks of a specification: specific risk against the measured value, and the global consumer's and producer's
/// risk against the length of the guard band, for a normal process. Mean, sd and u that are not given come from the approved
/// results of samples under the specification, ten of them at least.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Specification"), RiskQuestion), responses((status = 200, description = "Risks", body = RiskView)))]
#[get("/specifications/{id}/risk")]
pub(super) async fn read_specification_risk(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<RiskQuestion>,
) -> Result<web::Json<RiskView>, Problem> {
    Ok(web::Json(risk::read(&db, *id, &asked.0).await?))
}

/// Draws consumer's and producer's risk against the length of the guard band.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Specification"), RiskQuestion), responses((status = 200, description = "The picture", content_type = "image/svg+xml", body = String)))]
#[get("/specifications/{id}/risk.svg")]
pub(super) async fn draw_specification_risk(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<RiskQuestion>,
) -> Result<Picture, Problem> {
    Ok(Picture(picture::draw(&risk::read(&db, *id, &asked.0).await?)?))
}

/// Draws the same as PNG.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Specification"), RiskQuestion), responses((status = 200, description = "The picture", content_type = "image/png", body = Vec<u8>)))]
#[get("/specifications/{id}/risk.png")]
pub(super) async fn draw_specification_risk_pixels(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<RiskQuestion>,
) -> Result<Pixels, Problem> {
    Ok(Pixels::of(picture::draw(&risk::read(&db, *id, &asked.0).await?)?).await?)
}

/// Gives a sample a specification, in an approved version; results of the sample must be in the unit of its limits.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Sample")), request_body = NewAssignment, responses((status = 201, description = "Assigned", body = AssignmentView)))]
#[post("/samples/{id}/specifications")]
pub(super) async fn assign_specification(
    who: Allowed<AssignSpecifications>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewAssignment>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(assignments::assign(&db, &act, *id, new).await?)
}

/// Lists every specification a sample was ever given, oldest first, with those taken off again.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Sample")), responses((status = 200, description = "Specifications", body = Vec<AssignmentView>)))]
#[get("/samples/{id}/specifications")]
pub(super) async fn list_sample_specifications(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Vec<AssignmentView>>, Problem> {
    Ok(web::Json(assignments::list(&db, *id).await?))
}

/// Takes a specification off a sample, with a reason; both stay on record.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Specification of a sample")), request_body = NewRemoval, responses((status = 201, description = "Taken off", body = AssignmentView)))]
#[post("/sample-specifications/{id}/removal")]
pub(super) async fn remove_sample_specification(
    who: Allowed<AssignSpecifications>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewRemoval>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(assignments::remove(&db, &act, *id, new).await?)
}
