//! Accounts and sessions over HTTP.

use actix_web::{HttpMessage, HttpRequest, HttpResponse, delete, get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{
    AuthoriseCompetence, ConfirmIdentities, DecideRoleGrants, ManageAccounts, ManageServiceTokens, OwnAccount,
    ReadAccounts,
};
use ferrotitre_base::auth::tokens::TokenKeys;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, ActorKind, Db};
use ferrotitre_base::states::{NewMove, StateMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::request::{RequestId, address};
use uuid::Uuid;

use crate::accounts::store::ServiceToken;
use crate::accounts::store::competences::Competence;
use crate::accounts::store::grants::{RoleGrant, RoleGrantDecision};
use crate::accounts::store::persons::IdentityConfirmation;
use crate::accounts::wire::{
    AccountView, Competences, CreatedAccount, CreatedPeople, Credentials, Decisions, IssuedServiceToken, NewAccount,
    NewCompetence, NewCompetences, NewDecision, NewDecisions, NewIdentityConfirmation, NewPeople, NewRoleGrant,
    NewServiceToken, OwnAccount as OwnAccountView, OwnSession, PasswordChange, ProvisionalPassword, Refresh,
    Revocation, Tokens,
};
use crate::accounts::{service, sessions};

/// The act of somebody not signed in.
pub(super) fn nobody(request: &HttpRequest, action: &'static str) -> Act {
    Act {
        actor: None,
        kind: ActorKind::Nobody,
        address: address(request).map(|address| address.to_string()),
        action,
        request: request.extensions().get::<RequestId>().map(|id| id.0),
        repeat: None,
        one_time_code: None,
    }
}

/// Signs in.
#[utoipa::path(tag = "sessions", request_body = Credentials, responses((status = 200, description = "Tokens", body = Tokens)))]
#[post("/sessions")]
pub(super) async fn sign_in(
    request: HttpRequest,
    db: web::Data<Db>,
    keys: web::Data<TokenKeys>,
    policy: web::Data<Policy>,
    body: Body<Credentials>,
) -> Result<web::Json<Tokens>, Problem> {
    let act = nobody(&request, "sign_in");
    Ok(web::Json(sessions::sign_in(&db, &keys, &act, **policy, body.value).await?))
}

/// Renews a session with its refresh token, which is good once.
#[utoipa::path(tag = "sessions", request_body = Refresh, responses((status = 200, description = "Tokens", body = Tokens)))]
#[post("/sessions/renewals")]
pub(super) async fn refresh_session(
    request: HttpRequest,
    db: web::Data<Db>,
    keys: web::Data<TokenKeys>,
    body: Body<Refresh>,
) -> Result<web::Json<Tokens>, Problem> {
    let act = nobody(&request, "refresh_session");
    Ok(web::Json(sessions::refresh(&db, &keys, &act, &body.value.refresh_token).await?))
}

/// Signs out; access and refresh tokens of the session are useless at once.
#[utoipa::path(tag = "sessions", responses((status = 204, description = "Signed out")))]
#[delete("/sessions/current")]
pub(super) async fn sign_out(who: Allowed<OwnAccount>, db: web::Data<Db>) -> Result<HttpResponse, Problem> {
    sessions::sign_out(&db, &who.act_without_body(), who.user()).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Lists where the own account is signed in.
#[utoipa::path(tag = "sessions", responses((status = 200, description = "Open sessions, newest first", body = Vec<OwnSession>)))]
#[get("/sessions")]
pub(super) async fn list_own_sessions(
    who: Allowed<OwnAccount>,
    db: web::Data<Db>,
) -> Result<web::Json<Vec<OwnSession>>, Problem> {
    Ok(web::Json(sessions::own(&db, who.user()).await?))
}

/// Signs out elsewhere: ends one of the own sessions.
#[utoipa::path(tag = "sessions", params(("id" = Uuid, Path, description = "Session")), responses((status = 204, description = "Ended")))]
#[delete("/sessions/{id}")]
pub(super) async fn end_own_session(
    who: Allowed<OwnAccount>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    sessions::end_own(&db, &who.act_without_body(), who.user(), *id).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Reads the own account, its roles and what they allow.
#[utoipa::path(tag = "sessions", responses((status = 200, description = "Own account", body = OwnAccountView)))]
#[get("/accounts/me")]
pub(super) async fn read_own_account(
    who: Allowed<OwnAccount>,
    db: web::Data<Db>,
) -> Result<web::Json<OwnAccountView>, Problem> {
    Ok(web::Json(service::own(&db, who.user()).await?))
}

/// Changes the own password; all sessions end, sign in again with the new one.
#[utoipa::path(tag = "sessions", request_body = PasswordChange, responses((status = 204, description = "Changed")))]
#[post("/accounts/me/password")]
pub(super) async fn change_own_password(
    who: Allowed<OwnAccount>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    body: Body<PasswordChange>,
) -> Result<HttpResponse, Problem> {
    let (act, change) = who.act(body);
    sessions::change_password(&db, &act, **policy, who.user(), change).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Creates an account; the provisional password is shown this once.
#[utoipa::path(tag = "accounts", request_body = NewAccount, responses((status = 201, description = "Created", body = CreatedAccount)))]
#[post("/accounts")]
pub(super) async fn create_account(
    who: Allowed<ManageAccounts>,
    db: web::Data<Db>,
    body: Body<NewAccount>,
) -> Result<HttpResponse, Problem> {
    let (act, new) = who.act(body);
    Ok(HttpResponse::Created().json(service::create(&db, &act, new).await?))
}

/// Creates accounts for several people and asks for their roles; the provisional passwords are shown this once.
#[utoipa::path(tag = "accounts", request_body = NewPeople, responses((status = 201, description = "Created, all of them", body = CreatedPeople)))]
#[post("/people")]
pub(super) async fn create_people(
    who: Allowed<ManageAccounts>,
    db: web::Data<Db>,
    body: Body<NewPeople>,
) -> Result<HttpResponse, Problem> {
    let (act, new) = who.act(body);
    Ok(HttpResponse::Created().json(service::create_people(&db, &act, new).await?))
}

/// Lists accounts with roles and last sign-in, newest first.
#[utoipa::path(tag = "accounts", params(Listing), responses((status = 200, description = "A page", body = Page<AccountView>)))]
#[get("/accounts")]
pub(super) async fn list_accounts(
    _who: Allowed<ReadAccounts>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<AccountView>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads an account.
#[utoipa::path(tag = "accounts", params(("id" = Uuid, Path, description = "Account")), responses((status = 200, description = "The account", body = AccountView)))]
#[get("/accounts/{id}")]
pub(super) async fn read_account(
    _who: Allowed<ReadAccounts>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<AccountView>, Problem> {
    Ok(web::Json(service::read(&db, *id).await?))
}

/// Locks, unlocks or retires an account.
#[utoipa::path(tag = "accounts", params(("id" = Uuid, Path, description = "Account")), request_body = NewMove, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/accounts/{id}/moves")]
pub(super) async fn move_account(
    who: Allowed<ManageAccounts>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(service::advance(&db, &act, *id, asked).await?)
}

/// Sets a provisional password, shown this once.
#[utoipa::path(tag = "accounts", params(("id" = Uuid, Path, description = "Account")), responses((status = 201, description = "Set", body = ProvisionalPassword)))]
#[post("/accounts/{id}/provisional-password")]
pub(super) async fn set_provisional_password(
    who: Allowed<ManageAccounts>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let set = service::set_provisional_password(&db, &who.act_without_body(), *id).await?;
    Ok(HttpResponse::Created().json(set))
}

/// Confirms that an account whose password somebody else had set is in the hands of its owner; until then it signs nothing.
#[utoipa::path(tag = "accounts", params(("id" = Uuid, Path, description = "Account")), request_body = NewIdentityConfirmation, responses((status = 201, description = "Confirmed", body = IdentityConfirmation)))]
#[post("/accounts/{id}/identity-confirmations")]
pub(super) async fn confirm_identity(
    who: Allowed<ConfirmIdentities>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewIdentityConfirmation>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::confirm_identity(&db, &act, **policy, *id, new).await?)
}

/// Asks for a role to be given (a manager decides) or withdraws one (at once).
#[utoipa::path(tag = "accounts", params(("id" = Uuid, Path, description = "Account")), request_body = NewRoleGrant, responses((status = 201, description = "Recorded", body = RoleGrant)))]
#[post("/accounts/{id}/role-grants")]
pub(super) async fn request_role_grant(
    who: Allowed<ManageAccounts>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewRoleGrant>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::request_grant(&db, &act, *id, new).await?)
}

/// Lists role grants, newest first.
#[utoipa::path(tag = "accounts", params(Listing), responses((status = 200, description = "A page", body = Page<RoleGrant>)))]
#[get("/role-grants")]
pub(super) async fn list_role_grants(
    _who: Allowed<ReadAccounts>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<RoleGrant>>, Problem> {
    Ok(web::Json(service::grants(&db, &listing.0).await?))
}

/// Approves or refuses a role grant.
#[utoipa::path(tag = "accounts", params(("id" = Uuid, Path, description = "Role grant")), request_body = NewDecision, responses((status = 201, description = "Decided", body = RoleGrantDecision)))]
#[post("/role-grants/{id}/decisions")]
pub(super) async fn decide_role_grant(
    who: Allowed<DecideRoleGrants>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewDecision>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::decide_grant(&db, &act, *id, new).await?)
}

/// Approves or refuses several role grants alike; each decision is a record of its own.
#[utoipa::path(tag = "accounts", request_body = NewDecisions, responses((status = 201, description = "Decided, all of them", body = Decisions)))]
#[post("/role-grants/decisions")]
pub(super) async fn decide_role_grants(
    who: Allowed<DecideRoleGrants>,
    db: web::Data<Db>,
    body: Body<NewDecisions>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::decide_grants(&db, &act, new).await?)
}

/// Issues a token for an instrument, shown this once.
#[utoipa::path(tag = "accounts", request_body = NewServiceToken, responses((status = 201, description = "Issued", body = IssuedServiceToken)))]
#[post("/service-tokens")]
pub(super) async fn issue_service_token(
    who: Allowed<ManageServiceTokens>,
    db: web::Data<Db>,
    body: Body<NewServiceToken>,
) -> Result<HttpResponse, Problem> {
    let (act, new) = who.act(body);
    Ok(HttpResponse::Created().json(service::issue_token(&db, &act, new).await?))
}

/// Lists service tokens, without the tokens themselves.
#[utoipa::path(tag = "accounts", responses((status = 200, description = "Tokens", body = Vec<ServiceToken>)))]
#[get("/service-tokens")]
pub(super) async fn list_service_tokens(
    _who: Allowed<ReadAccounts>,
    db: web::Data<Db>,
) -> Result<web::Json<Vec<ServiceToken>>, Problem> {
    Ok(web::Json(service::tokens(&db).await?))
}

/// Revokes a service token at once.
#[utoipa::path(tag = "accounts", params(("id" = Uuid, Path, description = "Service token")), request_body = Revocation, responses((status = 201, description = "Revoked", body = StateMove)))]
#[post("/service-tokens/{id}/revocation")]
pub(super) async fn revoke_service_token(
    who: Allowed<ManageServiceTokens>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Revocation>,
) -> Result<Answer, Problem> {
    let (act, revocation) = who.act(body);
    Ok(service::revoke_token(&db, &act, *id, revocation.reason).await?)
}

/// Authorises somebody for a method.
#[utoipa::path(tag = "accounts", params(("id" = Uuid, Path, description = "Account")), request_body = NewCompetence, responses((status = 201, description = "Recorded", body = Competence)))]
#[post("/accounts/{id}/competences")]
pub(super) async fn record_competence(
    who: Allowed<AuthoriseCompetence>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewCompetence>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record_competence(&db, &act, *id, new).await?)
}

/// Authorises several people for several methods; each authorisation is a record of its own.
#[utoipa::path(tag = "accounts", request_body = NewCompetences, responses((status = 201, description = "Recorded, all of them", body = Competences)))]
#[post("/competences")]
pub(super) async fn record_competences(
    who: Allowed<AuthoriseCompetence>,
    db: web::Data<Db>,
    body: Body<NewCompetences>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record_competences(&db, &act, new).await?)
}

/// Lists the competences of an account, newest first.
#[utoipa::path(tag = "accounts", params(("id" = Uuid, Path, description = "Account")), responses((status = 200, description = "Competences", body = Vec<Competence>)))]
#[get("/accounts/{id}/competences")]
pub(super) async fn list_competences(
    _who: Allowed<ReadAccounts>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Vec<Competence>>, Problem> {
    Ok(web::Json(service::competences(&db, *id).await?))
}
