//! How people read burettes: last digits, identical titres and ranges just inside the limit, with what their titrations came
//! to. A training aid, shown to the person first; no figure here proves anything about anybody.
//!
//! Nothing is stored: all of it is computed from the determinations of a time when somebody asks.

mod handlers;
pub mod pages;
mod picture;
mod service;
mod signs;
mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.service(handlers::read_reading_habits);
}
