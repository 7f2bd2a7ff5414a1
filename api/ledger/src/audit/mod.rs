//! The audit log: who did what, made tamper-evident. Why and how: README.md beside this file.

pub mod catalogue;
pub mod entry;
mod handlers;
pub mod memory;
pub mod pages;
pub mod resume;
pub mod seal;
pub mod service;
mod store;
pub mod verify;
pub mod wire;

use utoipa_actix_web::service_config::ServiceConfig;

/// Mounts the feature.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(handlers::list_audit_events)
        .service(handlers::read_audit_event)
        .service(handlers::list_tree_heads)
        .service(handlers::read_latest_tree_head)
        .service(handlers::prove_inclusion)
        .service(handlers::prove_consistency)
        .service(handlers::read_seal_key);
}
