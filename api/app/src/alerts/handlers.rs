//! Alerts over HTTP.

use actix_web::http::header::{CACHE_CONTROL, CONTENT_ENCODING};
use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;

use crate::alerts::service::{self, Stopping};
use crate::alerts::wire::{Alerts, Horizon};

/// Lists what needs attention, most pressing first.
#[utoipa::path(tag = "alerts", params(Horizon), responses((status = 200, description = "Alerts", body = Alerts)))]
#[get("/alerts")]
pub(super) async fn list_alerts(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    horizon: Params<Horizon>,
) -> Result<web::Json<Alerts>, Problem> {
    Ok(web::Json(service::list(&db, &horizon.0).await?))
}

/// Streams the same list as server-sent events: event `alerts` at once and whenever the list changes.
#[utoipa::path(tag = "alerts", params(Horizon), responses((status = 200, description = "Events", content_type = "text/event-stream", body = String)))]
#[get("/alerts/stream")]
pub(super) async fn stream_alerts(
    who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    stopping: web::Data<Stopping>,
    horizon: Params<Horizon>,
) -> Result<HttpResponse, Problem> {
    // A horizon out of range is a problem document now, not a broken stream later.
    service::list(&db, &horizon.0).await?;
    let events = service::stream(db.get_ref().clone(), horizon.0, who.user().clone(), stopping.get_ref().clone());
    Ok(HttpResponse::Ok()
        .content_type("text/event-stream")
        .insert_header((CACHE_CONTROL, "no-store"))
        // Compression would hold events back until its buffer is full.
        .insert_header((CONTENT_ENCODING, "identity"))
        .streaming(events))
}
