//! Rounds of proficiency tests and comparisons: scores, their history, and what follows from a bad one.

mod handlers;
pub mod pages;
mod picture;
pub mod service;
pub mod store;
pub mod wire;

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(handlers::record_proficiency_round)
        .service(handlers::list_proficiency_rounds)
        .service(handlers::draw_proficiency_history)
        .service(handlers::read_proficiency_round)
        .service(handlers::correct_proficiency_round)
        .service(handlers::move_proficiency_round);
}
