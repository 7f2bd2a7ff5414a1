//! The laboratory as its certificates name it.

mod handlers;
pub mod pages;
pub mod service;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(handlers::read_laboratory)
        .service(handlers::record_laboratory)
        .service(handlers::correct_laboratory);
}
