//! Decisions over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{
    ApproveDeterminations, ApproveMethods, ApprovePhases, AuthoriseCompetence, DecideWaiting, ReleaseLots, ReleaseRuns,
    ReleaseTitrants,
};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::Body;
use ferrotitre_base::web::problem::Problem;

use crate::decisions::service;
use crate::decisions::wire::{DecidedSeveral, NewManyDecisions, WaitingDecisions};

/// Lists what waits for a manager's decision: lots and closed runs to be released; method drafts, limits of control charts and reviewed
/// results to be approved; what the account that asks cannot decide now says why not, and who can.
#[utoipa::path(tag = "decisions", responses((status = 200, description = "What waits", body = WaitingDecisions)))]
#[get("/decisions")]
pub(super) async fn list_waiting_decisions(
    who: Allowed<DecideWaiting>,
    db: web::Data<Db>,
) -> Result<web::Json<WaitingDecisions>, Problem> {
    Ok(web::Json(service::waiting(&db, who.user()).await?))
}

/// Every permission that one of the decisions needs by itself.
pub(super) type Parts = (
    Allowed<ReleaseLots>,
    Allowed<ReleaseTitrants>,
    Allowed<ApproveMethods>,
    Allowed<ApprovePhases>,
    Allowed<ReleaseRuns>,
    Allowed<ApproveDeterminations>,
    Allowed<AuthoriseCompetence>,
);

/// Releases and approves several things with the secret asked once, all of them or none; each is a record of its own, signed where it is
/// signed by itself.
#[utoipa::path(tag = "decisions", request_body = NewManyDecisions, responses((status = 201, description = "Decided, all of it", body = DecidedSeveral)))]
#[post("/decisions")]
pub(super) async fn decide_several(
    who: Allowed<DecideWaiting>,
    _parts: Parts,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<NewManyDecisions>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::decide(&db, &act, who.user(), **policy, new).await?)
}
