//! Lots of control material: certified and other reference materials, in-house and spiked ones.

mod handlers;
pub mod pages;
pub mod service;
pub mod store;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::record_control_material)
        .service(handlers::list_control_materials)
        .service(handlers::read_control_material)
        .service(handlers::correct_control_material)
        .service(handlers::move_control_material);
}
