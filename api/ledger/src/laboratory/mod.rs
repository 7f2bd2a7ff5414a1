//! The laboratory as its certificates name it.

mod handlers;
pub mod pages;
pub mod service;
pub mod store;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.service(handlers::read_laboratory).service(handlers::record_laboratory).service(handlers::correct_laboratory);
}
