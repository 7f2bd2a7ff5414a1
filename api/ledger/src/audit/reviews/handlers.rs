//! Reviews of the audit trail over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ReadAuditLists, ReviewTrail};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::audit::reviews::{self, NewTrailReview, TrailReview, TrailReviewProposal, UpTo};

/// Says what the next review of the audit trail is over: everything since the last one, with the rows of each list.
#[utoipa::path(tag = "audit", params(UpTo), responses((status = 200, description = "The period", body = TrailReviewProposal)))]
#[get("/trail-reviews/next")]
pub(in crate::audit) async fn propose_trail_review(
    _who: Allowed<ReadAuditLists>,
    db: web::Data<Db>,
    up_to: Params<UpTo>,
) -> Result<web::Json<TrailReviewProposal>, Problem> {
    Ok(web::Json(reviews::propose(&db, up_to.0.until_size).await?))
}

/// Lists reviews of the audit trail, newest first.
#[utoipa::path(tag = "audit", params(Listing), responses((status = 200, description = "A page of reviews", body = Page<TrailReview>)))]
#[get("/trail-reviews")]
pub(in crate::audit) async fn list_trail_reviews(
    _who: Allowed<ReadAuditLists>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<TrailReview>>, Problem> {
    Ok(web::Json(reviews::list(&db, &listing.0).await?))
}

/// Reads a review of the audit trail.
#[utoipa::path(tag = "audit", params(("id" = Uuid, Path, description = "Review")), responses((status = 200, description = "The review", body = TrailReview)))]
#[get("/trail-reviews/{id}")]
pub(in crate::audit) async fn read_trail_review(
    _who: Allowed<ReadAuditLists>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<TrailReview>, Problem> {
    Ok(web::Json(reviews::read(&db, *id).await?))
}

/// Records and signs a review of the audit trail since the last one; the request names the head up to which was looked, and the
/// digest of what was seen.
#[utoipa::path(tag = "audit", request_body = NewTrailReview, responses((status = 201, description = "Recorded and signed", body = TrailReview)))]
#[post("/trail-reviews")]
pub(in crate::audit) async fn record_trail_review(
    who: Allowed<ReviewTrail>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<NewTrailReview>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(reviews::record(&db, &act, who.user(), **policy, new).await?)
}
