//! Files of certificates, kept once each; a calibration or a lot names one by its SHA-256.

mod handlers;
pub mod pages;
pub mod service;
mod store;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.service(handlers::record_certificate_file).service(handlers::read_certificate_file);
}
