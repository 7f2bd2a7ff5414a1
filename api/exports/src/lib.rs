//! Exports: records as files that can be read, recomputed and compared without the service.

mod audit_lists;
mod bundles;
mod cells;
mod certificates;
mod determination_list;
mod formulas;
mod handlers;
mod lookback;
mod own;
pub mod pages;
mod service;
mod spool;
mod store;
mod studies;
mod tables;
mod workbook;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::export_determination_workbook)
        .service(handlers::export_iron_result_workbook)
        .service(handlers::export_determinations)
        .service(handlers::export_control_chart)
        .service(handlers::export_validation_study)
        .service(lookback::handlers::export_uses_of_a_time)
        .service(lookback::handlers::export_uses)
        .service(lookback::handlers::export_what_if)
        .service(certificates::handlers::export_certificates)
        .service(determination_list::handlers::export_determination_list)
        .service(audit_lists::handlers::export_audit_list)
        .service(handlers::bundle_determination)
        .service(handlers::bundle_iron_result)
        .service(handlers::bundle_titrant)
        .service(handlers::bundle_certificate)
        .service(handlers::bundle_control_chart)
        .service(handlers::bundle_validation_study)
        .service(handlers::bundle_period)
        .service(handlers::list_exports);
}
