//! Accounts: who may sign in, with which roles; sessions, service tokens of instruments, competences.

mod handlers;
pub(crate) mod pages;
pub(crate) mod service;
pub(crate) mod sessions;
pub(crate) mod signing;
pub(crate) mod store;
mod wire;

pub use service::{create_by_operator, reset_by_operator};
use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(handlers::sign_in)
        .service(handlers::refresh_session)
        .service(handlers::sign_out)
        .service(handlers::read_own_account)
        .service(handlers::change_own_password)
        .service(handlers::create_account)
        .service(handlers::list_accounts)
        .service(handlers::read_account)
        .service(handlers::move_account)
        .service(handlers::set_provisional_password)
        .service(handlers::confirm_identity)
        .service(handlers::request_role_grant)
        .service(handlers::list_role_grants)
        .service(handlers::decide_role_grant)
        .service(handlers::issue_service_token)
        .service(handlers::list_service_tokens)
        .service(handlers::revoke_service_token)
        .service(handlers::record_competence)
        .service(handlers::list_competences);
}
