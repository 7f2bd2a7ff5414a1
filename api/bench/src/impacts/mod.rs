//! What touches signed results after their signature: which results those are, and what a manager decided for each.
//!
//! The store itself writes a line with every row that supersedes, competes with or invalidates a pinned one; what it touches is
//! its join with the pins. Nothing re-values itself.

mod compare;
mod handlers;
pub mod pages;
mod service;
pub mod store;
pub mod uses;
pub mod wire;

pub use compare::{Compare, compare_with};
use ferrotitre_base::web::mount::{Describe, Mount};
pub use service::{alerts, concerned, decided_by_amendment, follow_up, followed_up};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::list_impacts)
        .service(handlers::read_impact)
        .service(handlers::decide_impact)
        .service(handlers::read_uses_of_a_time)
        .service(handlers::read_uses);
}
