//! Files of certificates, kept once each; a calibration or a lot names one by its SHA-256.

mod handlers;
pub mod pages;
pub mod service;
mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config.service(handlers::record_certificate_file).service(handlers::read_certificate_file);
}
