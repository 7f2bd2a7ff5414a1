//! Certificates of analysis (ISO/IEC 17025:2017, 7.8): drawn up from approved results, authorised by somebody who had no hand in
//! them, issued, amended and withdrawn. What an issue says is frozen when it is drawn up; the document that went out is kept.

pub mod document;
pub mod drawing;
mod gather;
mod handlers;
pub mod pages;
mod paper;
pub mod service;
pub mod steps;
pub mod store;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::list_certificates)
        .service(handlers::draw_up_certificate)
        .service(handlers::read_certificate)
        .service(handlers::revise_certificate)
        .service(handlers::amend_certificate)
        .service(handlers::discard_certificate)
        .service(handlers::authorise_certificate)
        .service(handlers::withdraw_certificate)
        .service(handlers::record_certificate_delivery)
        .service(handlers::preview_certificate)
        .service(handlers::print_certificate);
}
