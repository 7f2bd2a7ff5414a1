//! One-time codes over HTTP.

use actix_web::http::header::CACHE_CONTROL;
use actix_web::{HttpResponse, get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{DecideCodeRules, ManageAccounts, OwnAccount, ReadAccounts};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::Body;
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::accounts::codes::wire::{
    CodeChoice, CodeProposal, CodeReset, CodesSetUp, NewCodeRule, NewCodes, OwnCodes, OwnCodesEnd,
};
use crate::accounts::codes::{self};
use crate::accounts::store::codes::{CodeEnd, CodeRule};

const NO_STORE: (actix_web::http::header::HeaderName, &str) = (CACHE_CONTROL, "no-store");

/// Proposes a secret for an authenticator; nothing counts until it is confirmed.
#[utoipa::path(tag = "sessions", responses((status = 200, description = "Proposed; kept nowhere", body = CodeProposal)))]
#[post("/accounts/me/one-time-codes/proposals")]
pub(in crate::accounts) async fn propose_one_time_codes(who: Allowed<OwnAccount>) -> Result<HttpResponse, Problem> {
    Ok(HttpResponse::Ok().insert_header(NO_STORE).json(codes::propose(who.user())?))
}

/// Sets up one-time codes with a code of the proposed secret and the password; ten recovery codes are shown this once.
#[utoipa::path(tag = "sessions", request_body = NewCodes, responses((status = 201, description = "Set up", body = CodesSetUp)))]
#[post("/accounts/me/one-time-codes")]
pub(in crate::accounts) async fn set_up_one_time_codes(
    who: Allowed<OwnAccount>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<NewCodes>,
) -> Result<HttpResponse, Problem> {
    let (act, new) = who.act(body);
    let set_up = codes::set_up(&db, &act, **policy, who.user(), new).await?;
    Ok(HttpResponse::Created().insert_header(NO_STORE).json(set_up))
}

/// Chooses whether every signature asks for a one-time code, too.
#[utoipa::path(tag = "sessions", params(("One-Time-Code" = String, Header, description = "A code of the authenticator")), request_body = CodeChoice, responses((status = 201, description = "Chosen", body = OwnCodes)))]
#[post("/accounts/me/one-time-codes/choices")]
pub(in crate::accounts) async fn choose_one_time_codes(
    who: Allowed<OwnAccount>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<CodeChoice>,
) -> Result<Answer, Problem> {
    let (act, choice) = who.act(body);
    Ok(codes::choose(&db, &act, **policy, choice).await?)
}

/// Ends the own one-time codes, such as for another device; all sessions end.
#[utoipa::path(tag = "sessions", params(("One-Time-Code" = String, Header, description = "A code of the authenticator, or a recovery code")), request_body = OwnCodesEnd, responses((status = 201, description = "Ended", body = CodeEnd)))]
#[post("/accounts/me/one-time-codes/end")]
pub(in crate::accounts) async fn end_one_time_codes(
    who: Allowed<OwnAccount>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<OwnCodesEnd>,
) -> Result<Answer, Problem> {
    let (act, end) = who.act(body);
    Ok(codes::end_own(&db, &act, **policy, end).await?)
}

/// Resets the one-time codes of somebody who lost the device; their sessions end, and it stands among the alerts for two weeks.
#[utoipa::path(tag = "accounts", params(("id" = Uuid, Path, description = "Account")), request_body = CodeReset, responses((status = 201, description = "Reset", body = CodeEnd)))]
#[post("/accounts/{id}/one-time-codes/reset")]
pub(in crate::accounts) async fn reset_one_time_codes(
    who: Allowed<ManageAccounts>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<CodeReset>,
) -> Result<Answer, Problem> {
    let (act, reset) = who.act(body);
    Ok(codes::reset(&db, &act, *id, reset).await?)
}

/// Lists decisions on whether administrators must use one-time codes, newest first; the newest counts.
#[utoipa::path(tag = "accounts", responses((status = 200, description = "Decisions", body = Vec<CodeRule>)))]
#[get("/one-time-code-rules")]
pub(in crate::accounts) async fn list_code_rules(
    _who: Allowed<ReadAccounts>,
    db: web::Data<Db>,
) -> Result<web::Json<Vec<CodeRule>>, Problem> {
    Ok(web::Json(codes::rules(&db).await?))
}

/// Decides whether administrators must use one-time codes; one without them can then do nothing but set them up.
#[utoipa::path(tag = "accounts", request_body = NewCodeRule, responses((status = 201, description = "Decided", body = CodeRule)))]
#[post("/one-time-code-rules")]
pub(in crate::accounts) async fn decide_code_rule(
    who: Allowed<DecideCodeRules>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<NewCodeRule>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(codes::decide(&db, &act, **policy, new).await?)
}
