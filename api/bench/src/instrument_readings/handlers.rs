//! Readings of instruments over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, SendReadings};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::Page;
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::instrument_readings::service;
use crate::instrument_readings::wire::{NewReading, ReadingListing, ReadingView};

/// Takes a reading that an instrument sends; it counts once a person accepts it.
#[utoipa::path(tag = "equipment", request_body = NewReading, responses((status = 201, description = "Recorded, now or before", body = ReadingView)))]
#[post("/instrument-readings")]
pub(super) async fn record_instrument_reading(
    who: Allowed<SendReadings>,
    db: web::Data<Db>,
    body: Body<NewReading>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record(&db, &act, new).await?)
}

/// Lists readings of instruments, newest first.
#[utoipa::path(tag = "equipment", params(ReadingListing), responses((status = 200, description = "A page", body = Page<ReadingView>)))]
#[get("/instrument-readings")]
pub(super) async fn list_instrument_readings(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<ReadingListing>,
) -> Result<web::Json<Page<ReadingView>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads a reading of an instrument with what it was accepted for.
#[utoipa::path(tag = "equipment", params(("id" = Uuid, Path, description = "Reading")), responses((status = 200, description = "The reading", body = ReadingView)))]
#[get("/instrument-readings/{id}")]
pub(super) async fn read_instrument_reading(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<ReadingView>, Problem> {
    Ok(web::Json(service::read(&db, *id).await?))
}
