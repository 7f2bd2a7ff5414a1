//! What results mean against limits: specifications that samples are given, and the risks of deciding by them.

pub mod assignments;
mod handlers;
pub mod pages;
mod picture;
pub mod risk;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::read_specification_risk)
        .service(handlers::draw_specification_risk)
        .service(handlers::draw_specification_risk_pixels)
        .service(handlers::assign_specification)
        .service(handlers::list_sample_specifications)
        .service(handlers::remove_sample_specification);
}
