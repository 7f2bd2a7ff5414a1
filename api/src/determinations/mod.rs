//! Determinations: titrations, what they come to, who answers for it.

pub(crate) mod bulk;
pub(crate) mod compared;
mod decision;
pub(crate) mod evaluation;
mod handlers;
pub(crate) mod iron_results;
pub(crate) mod measured;
pub(crate) mod pages;
mod record;
pub(crate) mod rejected_runs;
pub(crate) mod service;
mod sources;
pub(crate) mod steps;
pub(crate) mod store;
pub(crate) mod supervision;
pub(crate) mod use_of;
pub(crate) mod waiting;
pub(crate) mod wire;

pub(crate) use record::KIND;
use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(handlers::record_determination)
        .service(handlers::list_determinations)
        .service(handlers::read_determination)
        .service(handlers::read_determination_working)
        .service(pages::report::print_determination)
        .service(handlers::record_titration)
        .service(handlers::list_titrations)
        .service(handlers::read_titration)
        .service(handlers::correct_titration)
        .service(handlers::reject_titration)
        .service(handlers::countersign_determination)
        .service(handlers::submit_determination)
        .service(handlers::review_determination)
        .service(handlers::return_determination)
        .service(handlers::approve_determination)
        .service(handlers::amend_determination)
        .service(handlers::record_iron_result)
        .service(handlers::list_iron_results)
        .service(handlers::read_iron_result)
        .service(handlers::read_iron_result_working)
        .service(pages::iron_results::print_iron_result)
        .service(handlers::submit_iron_result)
        .service(handlers::review_iron_result)
        .service(handlers::return_iron_result)
        .service(handlers::approve_iron_result)
        .service(handlers::amend_iron_result)
        .service(handlers::list_sign_offs)
        .service(handlers::request_concession)
        .service(handlers::list_concessions)
        .service(handlers::read_concession)
        .service(handlers::sign_concession);
}
