//! What the people who run the service need: is it alive, is it ready, how much does it do, what is it.

use actix_web::{HttpResponse, get, web};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Db;
use ferrotitre_base::metrics::{self, Metrics};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::mount::{Describe, Mount};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_ledger::audit::{self, seal::Sealing};
use serde::Serialize;
use utoipa::ToSchema;

use crate::alerts;

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.service(live).service(ready).service(read_metrics).service(read_about);
}

/// Says that the process runs.
#[utoipa::path(tag = "operations", responses((status = 200, description = "It runs", body = String, content_type = "text/plain", example = "live")))]
#[get("/health")]
async fn live() -> &'static str {
    "live\n"
}

/// Says that the store answers, too, and that the audit log is sealed.
#[utoipa::path(tag = "operations", responses(
    (status = 200, description = "It serves", body = String, content_type = "text/plain", example = "ready"),
    (status = 503, description = "The store cannot be reached, or its log is not what was signed: nothing is sealed")))]
#[get("/ready")]
async fn ready(db: web::Data<Db>, sealing: web::Data<Sealing>) -> Result<&'static str, Problem> {
    db.read(async |mut connection| {
        diesel::select(diesel::dsl::sql::<diesel::sql_types::Integer>("1")).execute(&mut connection).await?;
        Ok(())
    })
    .await?;
    if let Some(why) = sealing.stopped() {
        return Err(Refusal::new(Code::SealingStopped, why).into());
    }
    Ok("ready\n")
}

/// Counters and latencies of this process in the Prometheus text format.
#[utoipa::path(tag = "operations", responses((status = 200, description = "Text exposition", body = String, content_type = "text/plain")))]
#[get("/metrics")]
async fn read_metrics(metrics: web::Data<Metrics>, db: web::Data<Db>, sealing: web::Data<Sealing>) -> HttpResponse {
    let mut text = metrics.text();
    // Without the store there are still the counters of this process.
    if let Ok(counts) = alerts::counts(&db).await {
        text.push_str(&metrics::alerts_text(&counts));
    }
    text.push_str(&metrics::sealing_text(sealing.stopped().is_some()));
    if let Ok(pending) = audit::service::pending(&db).await {
        text.push_str(&metrics::pending_text(pending.events, pending.oldest_seconds));
    }
    if let Ok(Some(seconds)) = audit::witnesses::age(&db, chrono::Utc::now()).await {
        text.push_str(&metrics::countersigned_text(seconds));
    }
    HttpResponse::Ok().content_type("text/plain; version=0.0.4; charset=utf-8").body(text)
}

/// What this service is.
#[derive(Debug, Serialize, ToSchema)]
struct About {
    /// Name of the program.
    #[schema(example = "ferrotitre")]
    name: &'static str,
    /// Version of the program.
    #[schema(example = "0.1.0")]
    version: &'static str,
    /// Version of the formulae that evaluations use.
    formula_set: &'static str,
}

/// Says which program and which formulae answer.
#[utoipa::path(tag = "operations", responses((status = 200, description = "Versions", body = About)))]
#[get("/api/v1/about")]
async fn read_about() -> web::Json<About> {
    web::Json(About {
        name: "ferrotitre",
        version: env!("CARGO_PKG_VERSION"),
        formula_set: ferrotitre_core::determination::FORMULA_SET,
    })
}
