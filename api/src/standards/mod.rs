//! Lots of primary standards and of reagents.

mod handlers;
pub(crate) mod pages;
pub(crate) mod primary;
pub(crate) mod reagents;

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(handlers::record_primary_standard)
        .service(handlers::list_primary_standards)
        .service(handlers::read_primary_standard)
        .service(handlers::correct_primary_standard)
        .service(handlers::move_primary_standard)
        .service(handlers::record_reagent)
        .service(handlers::list_reagents)
        .service(handlers::read_reagent)
        .service(handlers::correct_reagent)
        .service(handlers::move_reagent);
}
