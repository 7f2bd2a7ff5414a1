//! Resolves the bearer token of a request to an account, once, before any handler runs.

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{AUTHORIZATION, COOKIE};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage, ResponseError as _, web};
use diesel::OptionalExtension;
use diesel::deserialize::QueryableByName;
use diesel::sql_types::{Array, Bool, Nullable, Text, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use sha2::{Digest, Sha256};

use crate::auth::permissions::{Action, Role};
use crate::auth::tokens::{SERVICE_TOKEN_PREFIX, TokenKeys};
use crate::db::{Connection, Db};
use crate::ids::{AccountId, SessionId};
use crate::kept::kept;
use crate::refusal::{Code, Refusal};
use crate::web::problem::Problem;

/// The account that asks.
#[derive(Debug, Clone)]
pub struct CurrentUser {
    /// Account.
    pub account: AccountId,
    /// Session, for a person.
    pub session: Option<SessionId>,
    /// Sign-in name.
    pub code: String,
    /// Printed name.
    pub display_name: String,
    /// Roles in force now.
    pub roles: Vec<Role>,
    /// Actions of the service token, for an instrument.
    pub scopes: Option<Vec<Action>>,
    /// The password was set by somebody else and must be changed first.
    pub provisional: bool,
    /// The password was set by somebody else, and nobody has confirmed since whose account it is.
    pub unconfirmed: bool,
    /// When it is asked for a one-time code.
    pub codes: Codes,
}

/// When an account is asked for a one-time code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Codes {
    /// None are set up, and none need be.
    Never,
    /// They must be set up before anything else.
    Due,
    /// When it signs in.
    AtSignIn,
    /// When it signs in and at every signature.
    AtSignatures,
}

impl Codes {
    /// As the store says it.
    #[must_use]
    pub fn from_text(text: &str) -> Self {
        match text {
            "due" => Self::Due,
            "at sign-in" => Self::AtSignIn,
            "at signatures" => Self::AtSignatures,
            _ => Self::Never,
        }
    }
}

/// Middleware: puts the user, or the reason why there is none, into the request.
///
/// # Errors
/// Only those of the framework's own machinery.
pub async fn resolve(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    if let Some(token) = presented(&request) {
        let user = identify(&request, &token).await;
        match user {
            // A store that is away is not the same as a wrong token.
            Err(refusal) if refusal.code == Code::StoreUnavailable || refusal.code == Code::Internal => {
                return Ok(request.into_response(Problem(refusal).error_response()).map_into_right_body());
            }
            user => {
                request.extensions_mut().insert(Identification(user.map_err(|refusal| (refusal.code, refusal.detail))));
            }
        }
    }
    Ok(next.call(request).await?.map_into_left_body())
}

/// The account that asks, if it is known and may act.
#[must_use]
pub fn known(request: &actix_web::HttpRequest) -> Option<CurrentUser> {
    request.extensions().get::<Identification>().and_then(|found| found.0.as_ref().ok().cloned())
}

/// Whether somebody known asks.
#[must_use]
pub fn is_known(request: &actix_web::HttpRequest) -> bool {
    request.extensions().get::<Identification>().is_some_and(|found| found.0.is_ok())
}

/// Whether somebody who began something that goes on may still see it.
///
/// # Errors
/// A store that cannot be reached.
pub async fn still_holds(db: &Db, user: &CurrentUser) -> Result<bool, Refusal> {
    let Some(session) = user.session else { return Ok(true) };
    match db.read(async |connection| by_session(connection, session).await).await {
        Ok(_) => Ok(true),
        Err(refusal) if matches!(refusal.code, Code::SessionEnded | Code::AccountNotActive) => Ok(false),
        Err(refusal) => Err(refusal),
    }
}

/// Outcome of looking at the token.
pub(super) struct Identification(pub(super) Result<CurrentUser, (Code, String)>);

/// Name of the cookie that carries the access token for pages.
pub const COOKIE_NAME: &str = "ferrotitre_access";

fn presented(request: &ServiceRequest) -> Option<String> {
    let header = |name| request.headers().get(name).and_then(|value| value.to_str().ok());
    if let Some(token) = header(AUTHORIZATION).and_then(|value| value.strip_prefix("Bearer ")) {
        return Some(token.trim().to_owned());
    }
    // The API changes things for a header only, which no other site can make a browser send.
    if request.path().starts_with("/api/") && !request.method().is_safe() {
        return None;
    }
    cookie(header(COOKIE)?, COOKIE_NAME).map(str::to_owned)
}

/// A cookie's value in the header that carries them all.
#[must_use]
pub fn cookie<'a>(header: &'a str, name: &str) -> Option<&'a str> {
    header.split(';').filter_map(|pair| pair.trim().split_once('=')).find(|(found, _)| *found == name).map(|(_, v)| v)
}

async fn identify(request: &ServiceRequest, token: &str) -> Result<CurrentUser, Refusal> {
    let missing = || Refusal::new(Code::Internal, "the application lacks its store or keys");
    let db = request.app_data::<web::Data<Db>>().ok_or_else(missing)?;
    if token.starts_with(SERVICE_TOKEN_PREFIX) {
        let digest = Sha256::digest(token.as_bytes()).to_vec();
        return db.read(async |connection| by_service_token(connection, &digest).await).await;
    }
    let keys = request.app_data::<web::Data<TokenKeys>>().ok_or_else(missing)?;
    let claims = keys.verify(db, token).await?;
    db.read(async |connection| by_session(connection, claims.sid).await).await
}

/// Asked before every request.
const BY_SESSION: &str = "SELECT a.id, a.code, a.display_name, s.ended_at IS NULL AS open, \
    coalesce((SELECT r.roles FROM account_roles r WHERE r.account_id = a.id), '{}') AS roles, \
    (SELECT m.to_state FROM state_moves m WHERE m.entity_id = a.id ORDER BY m.position DESC LIMIT 1) AS state, \
    coalesce((SELECT c.provisional FROM account_secrets c WHERE c.account_id = a.id ORDER BY c.recorded_at DESC \
    LIMIT 1), false) AS provisional, unconfirmed_secret(a.id) IS NOT NULL AS unconfirmed, codes_asked(a.id) AS codes \
    FROM sessions s JOIN accounts a ON a.id = s.account_id WHERE s.id = $1";

#[derive(QueryableByName)]
struct UserRow {
    #[diesel(sql_type = SqlUuid)]
    id: AccountId,
    #[diesel(sql_type = Text)]
    code: String,
    #[diesel(sql_type = Text)]
    display_name: String,
    #[diesel(sql_type = Bool)]
    open: bool,
    #[diesel(sql_type = Array<Text>)]
    roles: Vec<String>,
    #[diesel(sql_type = Nullable<Text>)]
    state: Option<String>,
    #[diesel(sql_type = Bool)]
    provisional: bool,
    #[diesel(sql_type = Bool)]
    unconfirmed: bool,
    #[diesel(sql_type = Text)]
    codes: String,
}

impl UserRow {
    fn user(self, session: Option<SessionId>, scopes: Option<Vec<Action>>) -> Result<CurrentUser, Refusal> {
        if !self.open {
            return Err(Refusal::new(Code::SessionEnded, "sign in again"));
        }
        let state = self.state.as_deref().unwrap_or("active");
        if state != "active" {
            return Err(Refusal::new(Code::AccountNotActive, format!("the account {} is {state}", self.code)));
        }
        Ok(CurrentUser {
            account: self.id,
            session,
            code: self.code,
            display_name: self.display_name,
            roles: self.roles.iter().filter_map(|role| Role::from_text(role)).collect(),
            scopes,
            provisional: self.provisional,
            unconfirmed: self.unconfirmed,
            codes: Codes::from_text(&self.codes),
        })
    }
}

async fn by_session(mut connection: &Connection, session: SessionId) -> Result<CurrentUser, Refusal> {
    let row = kept(BY_SESSION).bind::<SqlUuid, _>(session).get_result::<UserRow>(&mut connection).await.optional()?;
    row.ok_or_else(|| Refusal::new(Code::SessionEnded, "sign in again"))?.user(Some(session), None)
}

#[derive(QueryableByName)]
struct ScopesRow {
    #[diesel(embed)]
    user: UserRow,
    #[diesel(sql_type = Array<Text>)]
    scopes: Vec<String>,
}

async fn by_service_token(mut connection: &Connection, digest: &[u8]) -> Result<CurrentUser, Refusal> {
    let row = kept(
        "SELECT a.id, a.code, a.display_name, t.scopes, false AS provisional, false AS unconfirmed, 'never' AS codes, \
         t.expires_at > now() AND NOT EXISTS (SELECT FROM state_moves v WHERE v.entity_id = t.id) AS open, \
         coalesce((SELECT r.roles FROM account_roles r WHERE r.account_id = a.id), '{}') AS roles, \
         (SELECT m.to_state FROM state_moves m WHERE m.entity_id = a.id ORDER BY m.position DESC LIMIT 1) AS state \
         FROM service_tokens t JOIN accounts a ON a.id = t.account_id WHERE t.token_hash = $1",
    )
    .bind::<diesel::sql_types::Binary, _>(digest)
    .get_result::<ScopesRow>(&mut connection)
    .await
    .optional()?
    .ok_or_else(|| Refusal::new(Code::NotSignedIn, "the service token is unknown"))?;
    let scopes = Action::ALL.iter().copied().filter(|action| row.scopes.iter().any(|s| s == action.text())).collect();
    row.user.user(None, Some(scopes))
}
