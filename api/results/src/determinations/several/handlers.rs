//! Several signatures over HTTP.

use actix_web::{HttpResponse, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{
    ApproveDeterminations, ConductRuns, ReviewDeterminations, SubmitDeterminations,
};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::Body;
use ferrotitre_base::web::problem::Problem;

use crate::determinations::finish::{self, Finished, NewFinish};
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

/// Closes runs, records the iron(III) by difference that follows and submits what was titrated, with the secret asked once: all of it
/// or nothing, each a record and a signature of its own.
#[utoipa::path(tag = "determinations", request_body = NewFinish, responses((status = 201, description = "Closed, recorded and submitted", body = Finished)))]
#[post("/runs/finish")]
pub(in crate::determinations) async fn finish_runs(
    who: Allowed<SubmitDeterminations>,
    _conducts: Allowed<ConductRuns>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<NewFinish>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(finish::finish(&db, &act, who.user(), **policy, new).await?)
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
