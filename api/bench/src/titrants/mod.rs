//! Titrant lots: how their concentration is known, and which one is in force when.

pub mod adoption;
pub mod again;
pub mod factors;
mod handlers;
pub mod origin;
pub mod pages;
mod preparations;
pub mod service;
pub mod standardisations;
pub mod store;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::record_titrant)
        .service(handlers::list_titrants)
        .service(handlers::read_titrant)
        .service(handlers::record_titrant_preparation)
        .service(handlers::read_preparation_working)
        .service(handlers::correct_titrant_preparation)
        .service(handlers::amend_titrant_preparation)
        .service(handlers::release_titrant)
        .service(handlers::move_titrant)
        .service(handlers::list_titrant_factors)
        .service(handlers::record_standardisation)
        .service(handlers::list_standardisations)
        .service(handlers::read_standardisation)
        .service(handlers::read_standardisation_working)
        .service(handlers::record_standardisation_titration)
        .service(handlers::correct_standardisation_titration)
        .service(handlers::reject_standardisation_titration)
        .service(handlers::submit_standardisation)
        .service(handlers::decide_standardisation_discordance)
        .service(handlers::approve_standardisation)
        .service(handlers::return_standardisation)
        .service(handlers::amend_standardisation);
}
