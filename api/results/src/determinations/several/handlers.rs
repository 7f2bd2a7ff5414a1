//! Several signatures over HTTP.

use actix_web::{HttpResponse, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ApproveDeterminations, ReviewDeterminations, SubmitDeterminations};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Body;
use ferrotitre_base::web::problem::Problem;

use crate::determinations::several::{self, NewSignatures, SignedSeveral};
use crate::determinations::steps::Step;

/// Submits several determinations and iron results: the secret is asked once, each is signed for itself.
#[utoipa::path(tag = "determinations", request_body = NewSignatures, responses((status = 201, description = "What became of each", body = SignedSeveral)))]
#[post("/submissions")]
pub(in crate::determinations) async fn submit_several(
    who: Allowed<SubmitDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<NewSignatures>,
) -> Result<HttpResponse, Problem> {
    let (act, new) = who.act(body);
    Ok(HttpResponse::Created().json(several::sign(&db, &act, who.user(), **policy, Step::Submit, new).await?))
}

/// Reviews several determinations and iron results of others: the secret is asked once, each is signed for itself.
#[utoipa::path(tag = "determinations", request_body = NewSignatures, responses((status = 201, description = "What became of each", body = SignedSeveral)))]
#[post("/reviews")]
pub(in crate::determinations) async fn review_several(
    who: Allowed<ReviewDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<NewSignatures>,
) -> Result<HttpResponse, Problem> {
    let (act, new) = who.act(body);
    Ok(HttpResponse::Created().json(several::sign(&db, &act, who.user(), **policy, Step::Review, new).await?))
}

/// Approves several determinations and iron results of others: the secret is asked once, each is signed for itself.
#[utoipa::path(tag = "determinations", request_body = NewSignatures, responses((status = 201, description = "What became of each", body = SignedSeveral)))]
#[post("/approvals")]
pub(in crate::determinations) async fn approve_several(
    who: Allowed<ApproveDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<NewSignatures>,
) -> Result<HttpResponse, Problem> {
    let (act, new) = who.act(body);
    Ok(HttpResponse::Created().json(several::sign(&db, &act, who.user(), **policy, Step::Approve, new).await?))
}
