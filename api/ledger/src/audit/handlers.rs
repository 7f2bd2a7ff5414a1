//! Audit events over HTTP.

use actix_web::{get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ReadAuditTrail, ReadProofs};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::PlainText;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::Page;
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::audit::seal::SealKey;
use crate::audit::service;
use crate::audit::wire::{AuditEvent, Between, ConsistencyProof, EventListing, HeadListing, InclusionProof, TreeHead};

/// Lists audit events, newest first.
#[utoipa::path(tag = "audit", params(EventListing), responses((status = 200, description = "A page of events", body = Page<AuditEvent>)))]
#[get("/audit-events")]
pub(super) async fn list_audit_events(
    who: Allowed<ReadAuditTrail>,
    db: web::Data<Db>,
    listing: Params<EventListing>,
) -> Result<web::Json<Page<AuditEvent>>, Problem> {
    Ok(web::Json(service::list(&db, who.user(), listing.0).await?))
}

/// Reads one audit event.
#[utoipa::path(tag = "audit", params(("id" = Uuid, Path, description = "Event")), responses((status = 200, description = "The event", body = AuditEvent)))]
#[get("/audit-events/{id}")]
pub(super) async fn read_audit_event(
    who: Allowed<ReadAuditTrail>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<AuditEvent>, Problem> {
    Ok(web::Json(service::read(&db, who.user(), *id).await?))
}

/// Lists signed tree heads, largest first.
#[utoipa::path(tag = "audit", params(HeadListing), responses((status = 200, description = "Heads", body = Vec<TreeHead>)))]
#[get("/audit-tree/heads")]
pub(super) async fn list_tree_heads(
    _who: Allowed<ReadProofs>,
    db: web::Data<Db>,
    listing: Params<HeadListing>,
) -> Result<web::Json<Vec<TreeHead>>, Problem> {
    Ok(web::Json(service::heads(&db, listing.0).await?))
}

/// Reads the present tree head, to be kept outside.
#[utoipa::path(tag = "audit", responses((status = 200, description = "The head", body = TreeHead)))]
#[get("/audit-tree/heads/latest")]
pub(super) async fn read_latest_tree_head(
    _who: Allowed<ReadProofs>,
    db: web::Data<Db>,
) -> Result<web::Json<TreeHead>, Problem> {
    Ok(web::Json(service::latest(&db).await?))
}

/// Proves that an event is in the present tree.
#[utoipa::path(tag = "audit", params(("id" = Uuid, Path, description = "Event")), responses((status = 200, description = "The proof", body = InclusionProof)))]
#[get("/audit-events/{id}/inclusion-proof")]
pub(super) async fn prove_inclusion(
    _who: Allowed<ReadProofs>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<InclusionProof>, Problem> {
    Ok(web::Json(service::inclusion(&db, *id).await?))
}

/// Proves that a newer tree continues an older one.
#[utoipa::path(tag = "audit", params(Between), responses((status = 200, description = "The proof", body = ConsistencyProof)))]
#[get("/audit-tree/consistency-proof")]
pub(super) async fn prove_consistency(
    _who: Allowed<ReadProofs>,
    db: web::Data<Db>,
    between: Params<Between>,
) -> Result<web::Json<ConsistencyProof>, Problem> {
    Ok(web::Json(service::consistency(&db, between.0).await?))
}

/// Reads the public key that checks tree heads.
#[utoipa::path(tag = "audit", responses((status = 200, description = "Ed25519 public key, PEM", body = String, content_type = "text/plain")))]
#[get("/audit-tree/key")]
pub(super) async fn read_seal_key(key: web::Data<SealKey>) -> PlainText {
    PlainText(key.public_pem())
}
