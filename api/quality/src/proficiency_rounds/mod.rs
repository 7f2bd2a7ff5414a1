//! Rounds of proficiency tests and comparisons: scores, their history, and what follows from a bad one.

mod handlers;
pub mod pages;
mod picture;
pub mod service;
pub mod store;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::record_proficiency_round)
        .service(handlers::list_proficiency_rounds)
        .service(handlers::draw_proficiency_history)
        .service(handlers::read_proficiency_round)
        .service(handlers::correct_proficiency_round)
        .service(handlers::move_proficiency_round);
}
