//! Pages of specifications with their risks, and of what samples are given to be judged by.

pub mod samples;
mod specifications;

use actix_web::web;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(specifications::list_specifications)
        .service(specifications::draft_specification)
        .service(specifications::read_specification)
        .service(specifications::revise_specification)
        .service(specifications::decide_specification)
        .service(samples::assign)
        .service(samples::remove);
}
