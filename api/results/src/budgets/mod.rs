//! The uncertainty budget of a method against what its control charts have seen (ISO/IEC 17025:2017, 7.6.3 and 7.7.1). A budget that
//! they refute carries no statement of conformity until a version takes in what they saw, or a manager says why it may.

mod evidence;
mod handlers;
pub mod pages;
mod picture;
pub mod service;
mod store;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.service(handlers::read_budget).service(handlers::decide_budget);
}
