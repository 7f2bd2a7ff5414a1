//! Validation studies: limits of acceptance set before the data, data with where they come from, honest answers, conclusions.

pub mod answer;
pub mod conclusions;
pub mod data;
mod handlers;
pub mod import;
pub mod kinds;
mod labels;
pub mod open;
pub mod pages;
mod picture;
pub mod pinned;
pub mod plan;
pub mod reading;
pub mod record;
pub mod statistics;
mod store;
pub mod wire;
pub mod workings;
mod worst;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::record_validation_study)
        .service(handlers::list_validation_studies)
        .service(handlers::read_validation_study)
        .service(handlers::approve_validation_plan)
        .service(handlers::reject_validation_plan)
        .service(handlers::amend_validation_limits)
        .service(handlers::approve_validation_amendment)
        .service(handlers::reject_validation_amendment)
        .service(handlers::record_validation_data)
        .service(handlers::read_validation_template)
        .service(handlers::preview_validation_data)
        .service(handlers::import_validation_data)
        .service(handlers::exclude_validation_datum)
        .service(handlers::approve_validation_exclusion)
        .service(handlers::reject_validation_exclusion)
        .service(handlers::read_validation_answers)
        .service(handlers::read_validation_answer)
        .service(handlers::draw_validation_answer)
        .service(handlers::read_validation_workings)
        .service(handlers::read_validation_characteristic_workings)
        .service(pages::report::print_validation_study)
        .service(handlers::conclude_validation_study)
        .service(handlers::review_validation_conclusion)
        .service(handlers::approve_validation_conclusion)
        .service(handlers::return_validation_conclusion)
        .service(handlers::reject_validation_conclusion);
}
