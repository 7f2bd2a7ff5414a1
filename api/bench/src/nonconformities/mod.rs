//! Nonconformities: what went wrong, what was done about it, and whether it helped.

mod handlers;
pub mod pages;
pub mod service;
mod store;
pub mod wire;

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(handlers::open_nonconformity)
        .service(handlers::list_nonconformities)
        .service(handlers::read_nonconformity)
        .service(handlers::record_nonconformity_step)
        .service(handlers::move_nonconformity)
        .service(handlers::close_nonconformity)
        .service(handlers::reopen_nonconformity);
}
