//! Measuring equipment: what it is, how it is calibrated, whether it may be used.

mod handlers;
pub mod pages;
pub mod service;
pub mod shelf;
pub mod stated;
pub mod store;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::record_equipment)
        .service(handlers::list_equipment)
        .service(handlers::read_equipment)
        .service(handlers::correct_equipment)
        .service(handlers::move_equipment)
        .service(handlers::record_calibration)
        .service(handlers::list_calibrations)
        .service(handlers::record_equipment_check)
        .service(handlers::list_equipment_checks)
        .service(handlers::correct_calibration)
        .service(handlers::correct_equipment_check);
}
