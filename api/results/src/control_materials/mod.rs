//! Lots of control material: certified and other reference materials, in-house and spiked ones.

mod handlers;
pub mod pages;
pub mod service;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(handlers::record_control_material)
        .service(handlers::list_control_materials)
        .service(handlers::read_control_material)
        .service(handlers::correct_control_material)
        .service(handlers::move_control_material);
}
