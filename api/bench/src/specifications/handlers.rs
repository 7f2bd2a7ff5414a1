//! Decision rules, specifications and what samples are given, over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ApproveSpecifications, DraftSpecifications, ReadRecords};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::answer::{Answer, Versioned};
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, VersionView};
use uuid::Uuid;

use crate::specifications::approval::{Decision, SignedHistory, SignedVersion};
use crate::specifications::store::rules::DecisionRuleFacts;
use crate::specifications::store::specifications::SpecificationFacts;
use crate::specifications::{rules, service};

/// Drafts a decision rule; it is used once somebody else has approved it.
#[utoipa::path(tag = "specifications", request_body = DecisionRuleFacts, responses((status = 201, description = "Drafted", body = SignedVersion<DecisionRuleFacts>)))]
#[post("/decision-rules")]
pub(super) async fn record_decision_rule(
    who: Allowed<DraftSpecifications>,
    db: web::Data<Db>,
    body: Body<DecisionRuleFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(rules::record(&db, &act, facts).await?)
}

/// Lists decision rules in their newest versions, newest first.
#[utoipa::path(tag = "specifications", params(Listing), responses((status = 200, description = "A page", body = Page<VersionView<DecisionRuleFacts>>)))]
#[get("/decision-rules")]
pub(super) async fn list_decision_rules(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<VersionView<DecisionRuleFacts>>>, Problem> {
    Ok(web::Json(rules::list(&db, &listing.0).await?))
}

/// Reads a decision rule with all its versions, their states and signatures.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Decision rule")), responses((status = 200, description = "All versions", body = SignedHistory<DecisionRuleFacts>)))]
#[get("/decision-rules/{id}")]
pub(super) async fn read_decision_rule(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<SignedHistory<DecisionRuleFacts>>, Problem> {
    Ok(rules::read(&db, *id).await?)
}

/// Drafts the next version of a decision rule; the version it follows is named in If-Match. The one in force stays so until the next is approved.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Decision rule"), ("If-Match" = String, Header, description = "ETag of the version it follows")), request_body = Correction<DecisionRuleFacts>, responses((status = 201, description = "The new version", body = SignedVersion<DecisionRuleFacts>)))]
#[post("/decision-rules/{id}/corrections")]
pub(super) async fn revise_decision_rule(
    who: Allowed<DraftSpecifications>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<DecisionRuleFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(rules::revise(&db, &act, *id, who.if_match(), correction).await?)
}

/// Approves the drafted version of a decision rule, signed by someone other than its author; the one before is superseded.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Decision rule")), request_body = NewSignature, responses((status = 201, description = "Signed", body = SignedVersion<DecisionRuleFacts>)))]
#[post("/decision-rules/{id}/approval")]
pub(super) async fn approve_decision_rule(
    who: Allowed<ApproveSpecifications>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(rules::decide(&db, &act, who.user(), **policy, (*id, Decision::Approve), signature).await?)
}

/// Rejects the drafted version of a decision rule, signed, with a reason.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Decision rule")), request_body = NewSignature, responses((status = 201, description = "Signed", body = SignedVersion<DecisionRuleFacts>)))]
#[post("/decision-rules/{id}/rejection")]
pub(super) async fn reject_decision_rule(
    who: Allowed<ApproveSpecifications>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(rules::decide(&db, &act, who.user(), **policy, (*id, Decision::Reject), signature).await?)
}

/// Withdraws the version of a decision rule in force, signed, with a reason; what was judged by it stays so.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Decision rule")), request_body = NewSignature, responses((status = 201, description = "Signed", body = SignedVersion<DecisionRuleFacts>)))]
#[post("/decision-rules/{id}/withdrawal")]
pub(super) async fn withdraw_decision_rule(
    who: Allowed<ApproveSpecifications>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(rules::decide(&db, &act, who.user(), **policy, (*id, Decision::Withdraw), signature).await?)
}

/// Drafts a specification under an approved decision rule; samples are given it once somebody else has approved it.
#[utoipa::path(tag = "specifications", request_body = SpecificationFacts, responses((status = 201, description = "Drafted", body = SignedVersion<SpecificationFacts>)))]
#[post("/specifications")]
pub(super) async fn record_specification(
    who: Allowed<DraftSpecifications>,
    db: web::Data<Db>,
    body: Body<SpecificationFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(service::record(&db, &act, facts).await?)
}

/// Lists specifications in their newest versions, newest first.
#[utoipa::path(tag = "specifications", params(Listing), responses((status = 200, description = "A page", body = Page<VersionView<SpecificationFacts>>)))]
#[get("/specifications")]
pub(super) async fn list_specifications(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<VersionView<SpecificationFacts>>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads a specification with all its versions, their states and signatures.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Specification")), responses((status = 200, description = "All versions", body = SignedHistory<SpecificationFacts>)))]
#[get("/specifications/{id}")]
pub(super) async fn read_specification(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<SignedHistory<SpecificationFacts>>, Problem> {
    Ok(service::read(&db, *id).await?)
}

/// Drafts the next version of a specification; the version it follows is named in If-Match. The one in force stays so until the next is approved.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Specification"), ("If-Match" = String, Header, description = "ETag of the version it follows")), request_body = Correction<SpecificationFacts>, responses((status = 201, description = "The new version", body = SignedVersion<SpecificationFacts>)))]
#[post("/specifications/{id}/corrections")]
pub(super) async fn revise_specification(
    who: Allowed<DraftSpecifications>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<SpecificationFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::revise(&db, &act, *id, who.if_match(), correction).await?)
}

/// Approves the drafted version of a specification, signed by someone other than its author; the one before is superseded.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Specification")), request_body = NewSignature, responses((status = 201, description = "Signed", body = SignedVersion<SpecificationFacts>)))]
#[post("/specifications/{id}/approval")]
pub(super) async fn approve_specification(
    who: Allowed<ApproveSpecifications>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(service::decide(&db, &act, who.user(), **policy, (*id, Decision::Approve), signature).await?)
}

/// Rejects the drafted version of a specification, signed, with a reason.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Specification")), request_body = NewSignature, responses((status = 201, description = "Signed", body = SignedVersion<SpecificationFacts>)))]
#[post("/specifications/{id}/rejection")]
pub(super) async fn reject_specification(
    who: Allowed<ApproveSpecifications>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(service::decide(&db, &act, who.user(), **policy, (*id, Decision::Reject), signature).await?)
}

/// Withdraws the version of a specification in force, signed, with a reason; what was judged by it stays so.
#[utoipa::path(tag = "specifications", params(("id" = Uuid, Path, description = "Specification")), request_body = NewSignature, responses((status = 201, description = "Signed", body = SignedVersion<SpecificationFacts>)))]
#[post("/specifications/{id}/withdrawal")]
pub(super) async fn withdraw_specification(
    who: Allowed<ApproveSpecifications>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(service::decide(&db, &act, who.user(), **policy, (*id, Decision::Withdraw), signature).await?)
}
