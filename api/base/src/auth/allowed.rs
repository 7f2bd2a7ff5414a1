//! The guard as a type: a handler that names it runs only for those who may, and one without it cannot call a service.

use std::future::{Ready, ready};
use std::marker::PhantomData;

use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpMessage, HttpRequest};
use secrecy::SecretString;

use crate::auth::current_user::{Codes, CurrentUser, Identification};
use crate::auth::permissions::{Action, Deed, Role, SECOND_PERSONS, may};
use crate::db::{Act, ActorKind, Repeat};
use crate::refusal::{Code, Refusal};
use crate::web::body::Body;
use crate::web::problem::Problem;
use crate::web::request::{RequestId, address};

/// Header with the one-time code of a signature. It stands beside the body, so that a request that is sent again with a fresh code is
/// the same request.
pub const CODE_HEADER: &str = "one-time-code";

/// Proof that the account that asks may do `D`. Made only here.
#[derive(Debug)]
pub struct Allowed<D> {
    user: CurrentUser,
    address: Option<String>,
    request: Option<uuid::Uuid>,
    operation: String,
    key: Option<String>,
    one_time_code: Option<SecretString>,
    if_match: Option<String>,
    deed: PhantomData<D>,
}

impl<D: Deed> Allowed<D> {
    /// The account that asks.
    #[must_use]
    pub fn user(&self) -> &CurrentUser {
        &self.user
    }

    /// Version named in If-Match.
    #[must_use]
    pub fn if_match(&self) -> Option<&str> {
        self.if_match.as_deref()
    }

    /// Splits a body into the act (for the transaction) and its content.
    #[must_use]
    pub fn act<T>(&self, body: Body<T>) -> (Act, T) {
        let repeat = self.key.clone().map(|key| Repeat { key, operation: self.operation.clone(), digest: body.digest });
        let kind = if self.user.scopes.is_some() { ActorKind::Service } else { ActorKind::Person };
        let act = Act {
            actor: Some(self.user.account),
            kind,
            address: self.address.clone(),
            action: D::ACTION.text(),
            request: self.request,
            repeat,
            one_time_code: self.one_time_code.clone(),
        };
        (act, body.value)
    }

    /// The act of a form, whose idempotency key and one-time code, if it has one, are among its fields.
    #[must_use]
    pub fn act_of_form(&self, key: &str, digest: [u8; 32], code: &str) -> Act {
        let repeat = Some(Repeat { key: key.to_owned(), operation: self.operation.clone(), digest });
        let one_time_code = (!code.trim().is_empty()).then(|| SecretString::from(code));
        Act { repeat, one_time_code, ..self.act_without_body() }
    }

    /// The act of a request without a body.
    #[must_use]
    pub fn act_without_body(&self) -> Act {
        self.act(Body { value: (), digest: [0; 32] }).0
    }
}

fn check(request: &HttpRequest, action: Action) -> Result<CurrentUser, Refusal> {
    let extensions = request.extensions();
    let user = match extensions.get::<Identification>().map(|identification| &identification.0) {
        None => return Err(Refusal::new(Code::NotSignedIn, "send Authorization: Bearer and an access token")),
        Some(Err((code, detail))) => return Err(Refusal::new(*code, detail.clone())),
        Some(Ok(user)) => user,
    };
    let roles: Vec<&str> = action.roles().iter().copied().map(Role::text).collect();
    if !may(&user.roles, action) {
        let detail = format!("{} needs one of the roles {}", action.text(), roles.join(", "));
        return Err(Refusal::new(Code::Forbidden, detail));
    }
    if user.scopes.as_ref().is_some_and(|scopes| !scopes.contains(&action)) {
        return Err(Refusal::new(Code::Forbidden, format!("the service token lacks the scope {}", action.text())));
    }
    if user.provisional && action != Action::OwnAccount {
        return Err(Refusal::new(Code::PasswordProvisional, "POST a new one to /api/v1/accounts/me/password"));
    }
    if user.codes == Codes::Due && action != Action::OwnAccount {
        let detail = "administrators use one-time codes here: POST to /api/v1/accounts/me/one-time-codes/proposals and confirm it";
        return Err(Refusal::new(Code::CodesDue, detail));
    }
    if user.unconfirmed && SECOND_PERSONS.contains(&action) {
        let detail = format!(
            "your password was set by somebody else: until a manager who did not set it has confirmed that this account is in your hands, it may not {}",
            action.text().replace('_', " ")
        );
        return Err(Refusal::new(Code::IdentityUnconfirmed, detail));
    }
    Ok(user.clone())
}

impl<D: Deed + 'static> FromRequest for Allowed<D> {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    // Ready at once: of all arguments the guard answers first, so a bad body never hides a missing permission.
    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(allow(request))
    }
}

fn allow<D: Deed>(request: &HttpRequest) -> Result<Allowed<D>, Problem> {
    let user = check(request, D::ACTION)?;
    let header = |name: &str| {
        request.headers().get(name).and_then(|value| value.to_str().ok()).map(|value| value.trim().to_owned())
    };
    let key = header("idempotency-key");
    if let Some(key) = &key
        && !(1..=200).contains(&key.len())
    {
        return Err(Refusal::invalid("Idempotency-Key", "length", "must have 1 to 200 characters", key).into());
    }
    Ok(Allowed {
        user,
        address: address(request).map(|address| address.to_string()),
        request: request.extensions().get::<RequestId>().map(|id| id.0),
        operation: format!("{} {}", request.method(), request.path()),
        key,
        one_time_code: header(CODE_HEADER).filter(|code| !code.is_empty()).map(SecretString::from),
        if_match: header("if-match"),
        deed: PhantomData,
    })
}
