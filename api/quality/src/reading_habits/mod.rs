//! How people read burettes: last digits, identical titres and ranges just inside the limit, with what their titrations came
//! to. A training aid, shown to the person first; no figure here proves anything about anybody.
//!
//! Nothing is stored: all of it is computed from the determinations of a time when somebody asks.

mod handlers;
pub mod pages;
mod picture;
mod service;
mod signs;
mod wire;

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config.service(handlers::read_reading_habits);
}
