//! The drift of a lot over HTTP.

use actix_web::{get, web};
use uuid::Uuid;

use crate::auth::allowed::Allowed;
use crate::auth::permissions::acts::ReadRecords;
use crate::db::Db;
use crate::titrants::drift;
use crate::titrants::drift::wire::{DriftQuestion, DriftView, FactorAt, FactorQuestion};
use crate::web::answer::{Picture, Pixels};
use crate::web::body::Params;
use crate::web::problem::Problem;

/// Reads how the factor of a lot moves in time, when it leaves its tolerance and when to standardise again.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot"), DriftQuestion), responses((status = 200, description = "The drift", body = DriftView)))]
#[get("/titrants/{id}/drift")]
pub(crate) async fn read_titrant_drift(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    question: Params<DriftQuestion>,
) -> Result<web::Json<DriftView>, Problem> {
    Ok(web::Json(drift::read(&db, *id, &question.0).await?))
}

/// Draws the factor of a lot against time with its bands, tolerance and the day it leaves.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot"), DriftQuestion), responses((status = 200, description = "The picture", content_type = "image/svg+xml", body = String)))]
#[get("/titrants/{id}/drift.svg")]
pub(crate) async fn draw_titrant_drift(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    question: Params<DriftQuestion>,
) -> Result<Picture, Problem> {
    Ok(Picture(drift::draw(&db, *id, &question.0).await?))
}

/// Draws the same picture as PNG.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot"), DriftQuestion), responses((status = 200, description = "The picture", content_type = "image/png", body = Vec<u8>)))]
#[get("/titrants/{id}/drift.png")]
pub(crate) async fn draw_titrant_drift_pixels(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    question: Params<DriftQuestion>,
) -> Result<Pixels, Problem> {
    Ok(Pixels::of(drift::draw(&db, *id, &question.0).await?).await?)
}

/// Reads the factor of a lot at a moment: the one in force, and the one interpolated between it and the next.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot"), FactorQuestion), responses((status = 200, description = "The factor", body = FactorAt)))]
#[get("/titrants/{id}/factor")]
pub(crate) async fn read_titrant_factor_at(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    question: Params<FactorQuestion>,
) -> Result<web::Json<FactorAt>, Problem> {
    Ok(web::Json(drift::factor_at(&db, *id, question.0.at).await?))
}
