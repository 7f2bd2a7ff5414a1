//! Accounts: who may sign in, with which roles; sessions, service tokens of instruments, competences.

pub mod codes;
mod handlers;
pub mod pages;
pub mod pruning;
pub mod service;
pub mod sessions;
pub mod signing;
pub mod store;
pub mod wire;

use ferrotitre_base::web::mount::{Describe, Mount};

pub use codes::reset_by_operator as reset_codes_by_operator;
pub use service::{create_by_operator, reset_by_operator};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::sign_in)
        .service(handlers::refresh_session)
        .service(handlers::sign_out)
        .service(handlers::list_own_sessions)
        .service(handlers::end_own_session)
        .service(handlers::read_own_account)
        .service(handlers::change_own_password)
        .service(codes::handlers::propose_one_time_codes)
        .service(codes::handlers::set_up_one_time_codes)
        .service(codes::handlers::choose_one_time_codes)
        .service(codes::handlers::end_one_time_codes)
        .service(codes::handlers::reset_one_time_codes)
        .service(codes::handlers::list_code_rules)
        .service(codes::handlers::decide_code_rule)
        .service(handlers::create_account)
        .service(handlers::create_people)
        .service(handlers::list_accounts)
        .service(handlers::read_account)
        .service(handlers::move_account)
        .service(handlers::set_provisional_password)
        .service(handlers::confirm_identity)
        .service(handlers::request_role_grant)
        .service(handlers::list_role_grants)
        .service(handlers::decide_role_grants)
        .service(handlers::decide_role_grant)
        .service(handlers::issue_service_token)
        .service(handlers::list_service_tokens)
        .service(handlers::revoke_service_token)
        .service(handlers::record_competence)
        .service(handlers::record_competences)
        .service(handlers::list_competences);
}
