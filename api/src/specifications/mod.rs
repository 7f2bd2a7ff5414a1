//! Specifications and the decision rules they are applied by: versions approved by a second person, samples they are given to,
//! statements of conformity, risks.

pub(crate) mod approval;
pub(crate) mod assignments;
pub(crate) mod conformity;
mod handlers;
pub(crate) mod pages;
mod picture;
pub(crate) mod risk;
pub(crate) mod rules;
pub(crate) mod service;
pub(crate) mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(handlers::record_decision_rule)
        .service(handlers::list_decision_rules)
        .service(handlers::read_decision_rule)
        .service(handlers::revise_decision_rule)
        .service(handlers::approve_decision_rule)
        .service(handlers::reject_decision_rule)
        .service(handlers::withdraw_decision_rule)
        .service(handlers::record_specification)
        .service(handlers::list_specifications)
        .service(handlers::read_specification)
        .service(handlers::revise_specification)
        .service(handlers::approve_specification)
        .service(handlers::reject_specification)
        .service(handlers::withdraw_specification)
        .service(handlers::read_specification_risk)
        .service(handlers::draw_specification_risk)
        .service(handlers::draw_specification_risk_pixels)
        .service(handlers::assign_specification)
        .service(handlers::list_sample_specifications)
        .service(handlers::remove_sample_specification);
}
