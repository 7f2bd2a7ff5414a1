//! Specifications and the decision rules they are applied by: versions approved by a second person, and how a result is judged
//! by them.

pub mod approval;
pub mod conformity;
mod handlers;
pub mod pages;
pub mod rules;
pub mod service;
pub mod store;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
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
        .service(handlers::withdraw_specification);
}
