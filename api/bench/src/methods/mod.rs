//! Methods: the written rules under which determinations are made, version by version.

mod handlers;
pub mod outlines;
pub mod pages;
pub mod rules;
pub mod scope;
pub mod service;
pub mod store;
mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::record_method)
        .service(handlers::record_methods)
        .service(handlers::list_methods)
        .service(handlers::read_method)
        .service(handlers::revise_method)
        .service(handlers::move_method)
        .service(handlers::list_chemistries)
        .service(handlers::list_method_outlines);
}
