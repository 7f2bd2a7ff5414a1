//! The drift of a lot over HTTP.

use actix_web::{get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::{Picture, Pixels};
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::drift;
use crate::drift::wire::{DriftQuestion, DriftView, FactorAt, FactorQuestion};

/// Reads how the factor of a lot moves in time, when it leaves its tolerance and when to standardise again.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot"), DriftQuestion), responses((status = 200, description = "The drift", body = DriftView)))]
#[get("/titrants/{id}/drift")]
pub async fn read_titrant_drift(
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
pub async fn draw_titrant_drift(
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
pub async fn draw_titrant_drift_pixels(
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
pub async fn read_titrant_factor_at(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    question: Params<FactorQuestion>,
) -> Result<web::Json<FactorAt>, Problem> {
    Ok(web::Json(drift::factor_at(&db, *id, question.0.at).await?))
}
