//! Audit events over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{DecideWitnesses, ReadAuditTrail, ReadProofs};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::{Answer, PlainText};
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::Page;
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::audit::seal::SealKey;
use crate::audit::wire::{
    AuditEvent, Between, CheckpointOf, ConsistencyProof, EventListing, HeadListing, InclusionProof, TreeHead,
};
use crate::audit::witnesses::{self, NewWitnessPolicy, WitnessPolicy};
use crate::audit::{checkpoints, events, service};

/// Lists audit events, newest first.
#[utoipa::path(tag = "audit", params(EventListing), responses((status = 200, description = "A page of events", body = Page<AuditEvent>)))]
#[get("/audit-events")]
pub(super) async fn list_audit_events(
    who: Allowed<ReadAuditTrail>,
    db: web::Data<Db>,
    listing: Params<EventListing>,
) -> Result<web::Json<Page<AuditEvent>>, Problem> {
    Ok(web::Json(events::list(&db, who.user(), listing.0).await?))
}

/// Reads one audit event.
#[utoipa::path(tag = "audit", params(("id" = Uuid, Path, description = "Event")), responses((status = 200, description = "The event", body = AuditEvent)))]
#[get("/audit-events/{id}")]
pub(super) async fn read_audit_event(
    who: Allowed<ReadAuditTrail>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<AuditEvent>, Problem> {
    Ok(web::Json(events::read(&db, who.user(), *id).await?))
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

/// Reads a tree head as a signed note (C2SP tlog-checkpoint), with what witnesses countersigned.
#[utoipa::path(tag = "audit", params(CheckpointOf), responses((status = 200, description = "The note", body = String, content_type = "text/plain")))]
#[get("/audit-tree/checkpoint")]
pub(super) async fn read_checkpoint(
    _who: Allowed<ReadProofs>,
    db: web::Data<Db>,
    of: Params<CheckpointOf>,
) -> Result<PlainText, Problem> {
    Ok(PlainText(checkpoints::read(&db, of.0.size).await?))
}

/// Proves that an event is in the tree (C2SP tlog-proof): a file to keep, which needs the bytes of the event beside it.
#[utoipa::path(tag = "audit", params(("id" = Uuid, Path, description = "Event")), responses((status = 200, description = "The proof", body = String, content_type = "text/plain")))]
#[get("/audit-events/{id}/tlog-proof")]
pub(super) async fn read_event_proof(
    _who: Allowed<ReadProofs>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<PlainText, Problem> {
    Ok(PlainText(checkpoints::proof(&db, *id).await?))
}

/// Reads the bytes of an event that its leaf hashes.
#[utoipa::path(tag = "audit", params(("id" = Uuid, Path, description = "Event")), responses((status = 200, description = "The bytes", body = String, content_type = "text/plain")))]
#[get("/audit-events/{id}/canonical")]
pub(super) async fn read_event_bytes(
    who: Allowed<ReadAuditTrail>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<PlainText, Problem> {
    Ok(PlainText(events::canonical(&db, who.user(), *id).await?))
}

/// Reads the key that signs tree heads as NAME+ID+KEY (C2SP signed-note).
#[utoipa::path(tag = "audit", responses((status = 200, description = "The key", body = String, content_type = "text/plain")))]
#[get("/audit-tree/verifier-key")]
pub(super) async fn read_verifier_key(key: web::Data<SealKey>) -> PlainText {
    PlainText(format!("{}\n", key.named().text()))
}

/// Decides who countersigns tree heads, and how many must.
#[utoipa::path(tag = "audit", request_body = NewWitnessPolicy, responses((status = 201, description = "Recorded", body = WitnessPolicy)))]
#[post("/audit-tree/witness-policies")]
pub(super) async fn record_witness_policy(
    who: Allowed<DecideWitnesses>,
    db: web::Data<Db>,
    body: Body<NewWitnessPolicy>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(witnesses::decide(&db, &act, new).await?)
}

/// Lists decisions on who countersigns, newest first; the newest counts.
#[utoipa::path(tag = "audit", responses((status = 200, description = "Decisions", body = Vec<WitnessPolicy>)))]
#[get("/audit-tree/witness-policies")]
pub(super) async fn list_witness_policies(
    _who: Allowed<ReadProofs>,
    db: web::Data<Db>,
) -> Result<web::Json<Vec<WitnessPolicy>>, Problem> {
    Ok(web::Json(witnesses::decided(&db).await?))
}
