//! The audit log: who did what, made tamper-evident. Why and how: README.md beside this file.

pub mod catalogue;
mod changes;
pub use ferrotitre_base::entry;
pub mod checkpoints;
mod events;
mod handlers;
mod kinds;
pub mod lists;
pub mod memory;
pub mod pages;
pub mod receipts;
pub mod resume;
pub mod reviews;
pub mod seal;
pub mod service;
mod store;
mod trail;
pub mod verify;
pub mod wire;
pub mod witnesses;

use ferrotitre_base::web::mount::{Describe, Mount};

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::list_audit_events)
        .service(handlers::read_audit_event)
        .service(handlers::list_tree_heads)
        .service(handlers::read_latest_tree_head)
        .service(handlers::prove_inclusion)
        .service(handlers::prove_consistency)
        .service(handlers::read_checkpoint)
        .service(handlers::read_event_proof)
        .service(handlers::read_event_bytes)
        .service(handlers::read_verifier_key)
        .service(handlers::record_witness_policy)
        .service(handlers::list_witness_policies)
        .service(handlers::read_seal_key)
        .service(lists::handlers::read_audit_list)
        .service(reviews::handlers::propose_trail_review)
        .service(reviews::handlers::list_trail_reviews)
        .service(reviews::handlers::read_trail_review)
        .service(reviews::handlers::record_trail_review);
}
