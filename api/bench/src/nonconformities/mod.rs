//! Nonconformities: what went wrong, what was done about it, and whether it helped.

mod handlers;
pub mod pages;
pub mod service;
mod store;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::open_nonconformity)
        .service(handlers::list_nonconformities)
        .service(handlers::read_nonconformity)
        .service(handlers::record_nonconformity_step)
        .service(handlers::move_nonconformity)
        .service(handlers::close_nonconformity)
        .service(handlers::reopen_nonconformity);
}
