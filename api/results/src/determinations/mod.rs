//! Determinations: titrations, what they come to, who answers for it.

pub mod adoption;
pub mod again;
pub mod bulk;
pub mod certifying;
pub mod compared;
mod decision;
pub mod discordance;
pub mod evaluation;
pub mod evidence;
pub mod finish;
mod handlers;
pub mod iron_results;
pub mod joint;
pub mod listing;
mod material;
pub mod measured;
pub mod pages;
pub mod pairs;
pub mod planning;
pub mod proof;
mod record;
pub mod rejected_runs;
pub mod service;
pub mod several;
pub mod signed;
pub mod since;
mod sources;
pub mod steps;
pub mod store;
pub mod supervision;
pub mod supposed;
mod titrating;
pub mod use_of;
pub mod waiting;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};
use ferrotitre_bench::impacts::compare_with;

pub use record::KIND;

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    compared_here();
    mount
        .service(handlers::record_determination)
        .service(handlers::list_determinations)
        .service(handlers::read_determination)
        .service(handlers::read_determination_working)
        .service(handlers::read_determination_plan)
        .service(pages::report::print_determination)
        .service(pages::proof::read_proof_of_control)
        .service(pages::proof::print_proof_of_control)
        .service(handlers::read_joint_results)
        .service(handlers::record_titration)
        .service(handlers::list_titrations)
        .service(handlers::read_titration)
        .service(handlers::correct_titration)
        .service(handlers::reject_titration)
        .service(handlers::countersign_determination)
        .service(handlers::submit_determination)
        .service(handlers::review_determination)
        .service(handlers::return_determination)
        .service(handlers::decide_discordance)
        .service(handlers::approve_determination)
        .service(handlers::amend_determination)
        .service(handlers::record_iron_result)
        .service(handlers::list_iron_results)
        .service(handlers::read_iron_result)
        .service(handlers::read_iron_result_working)
        .service(handlers::read_iron_result_plan)
        .service(pages::iron_results::print_iron_result)
        .service(several::handlers::submit_several)
        .service(several::handlers::finish_runs)
        .service(several::handlers::review_several)
        .service(several::handlers::approve_several)
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

/// Says how what touches a signed result is compared with what was signed; whoever writes without the routes says it, too.
pub fn compared_here() {
    compare_with(|connection, id| Box::pin(since::change(connection, id)));
}
