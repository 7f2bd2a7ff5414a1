//! The one place that knows which refusal is which HTTP status (RFC 9457 problem documents).

use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderValue};
use actix_web::{HttpResponse, ResponseError};
use serde::Serialize;
use utoipa::ToSchema;

use crate::refusal::{Code, FieldError, Refusal};

/// A problem document, `application/problem+json` (RFC 9457).
#[derive(Debug, Serialize, ToSchema)]
pub struct ProblemDocument {
    /// Identifies the kind of problem: `/problems/` and the code.
    #[serde(rename = "type")]
    #[schema(example = "/problems/invalid_input")]
    pub kind: String,
    /// Title of the kind.
    #[schema(example = "The input breaks a rule")]
    pub title: String,
    /// HTTP status.
    #[schema(example = 422)]
    pub status: u16,
    /// What exactly, for the person who asked.
    #[schema(example = "final_readings[0]: must not be below the initial reading 23.16 mL")]
    pub detail: String,
    /// Id of the request, as in the header `X-Request-Id` and in the log.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "019abcde-0000-7000-8000-000000000000")]
    pub instance: Option<String>,
    /// Code of the kind, stable across versions.
    #[schema(example = "invalid_input")]
    pub code: String,
    /// Every field that breaks a rule.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<FieldError>,
    /// Facts to act on, such as the present state or version.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    pub facts: Option<serde_json::Value>,
}

/// A refusal on its way out.
#[derive(Debug)]
pub struct Problem(pub Refusal);

/// The status of a code.
#[must_use]
pub fn status_of(code: Code) -> StatusCode {
    match code {
        Code::Unreadable => StatusCode::BAD_REQUEST,
        Code::TooLarge => StatusCode::PAYLOAD_TOO_LARGE,
        Code::TooSlow => StatusCode::REQUEST_TIMEOUT,
        Code::WrongHost => StatusCode::MISDIRECTED_REQUEST,
        Code::TooManyTries => StatusCode::TOO_MANY_REQUESTS,
        Code::NotJson => StatusCode::UNSUPPORTED_MEDIA_TYPE,
        Code::NotSignedIn | Code::BadCredentials | Code::SessionEnded => StatusCode::UNAUTHORIZED,
        Code::AccountNotActive
        | Code::Forbidden
        | Code::OwnRecord
        | Code::NotCompetent
        | Code::NotOwnObservations
        | Code::IdentityUnconfirmed
        | Code::SecretWrong
        | Code::CodeMissing
        | Code::CodesDue
        | Code::PasswordProvisional => StatusCode::FORBIDDEN,
        Code::NotFound => StatusCode::NOT_FOUND,
        Code::MethodNotAllowed => StatusCode::METHOD_NOT_ALLOWED,
        Code::AlreadyExists | Code::IllegalMove | Code::StateConflict => StatusCode::CONFLICT,
        Code::VersionRequired => StatusCode::PRECONDITION_REQUIRED,
        Code::StaleVersion => StatusCode::PRECONDITION_FAILED,
        Code::KeyReused
        | Code::Invalid
        | Code::UnknownReference
        | Code::Expired
        | Code::Overdue
        | Code::NotReleased
        | Code::NoFactor
        | Code::BlankWithoutIron
        | Code::NotEnoughData
        | Code::RuleBroken => StatusCode::UNPROCESSABLE_ENTITY,
        Code::Internal => StatusCode::INTERNAL_SERVER_ERROR,
        Code::Busy | Code::SealingStopped | Code::StoreUnavailable => StatusCode::SERVICE_UNAVAILABLE,
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        Self(refusal)
    }
}

impl std::fmt::Display for Problem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

impl ResponseError for Problem {
    fn status_code(&self) -> StatusCode {
        status_of(self.0.code)
    }

    fn error_response(&self) -> HttpResponse {
        let status = self.status_code();
        if status.is_server_error() {
            let mut causes = Vec::new();
            let mut cause = std::error::Error::source(&self.0);
            while let Some(inner) = cause {
                causes.push(inner.to_string());
                cause = inner.source();
            }
            tracing::error!(code = self.0.code.text(), causes = causes.join(": "), "request failed");
        }
        let document = ProblemDocument {
            kind: format!("/problems/{}", self.0.code.text()),
            title: self.0.code.title().to_owned(),
            status: status.as_u16(),
            detail: self.0.detail.clone(),
            instance: None, // filled in by the request middleware, which knows the id
            code: self.0.code.text().to_owned(),
            errors: self.0.fields.clone(),
            facts: self.0.facts.clone(),
        };
        let mut response = HttpResponse::build(status);
        if status == StatusCode::UNAUTHORIZED {
            response.insert_header((header::WWW_AUTHENTICATE, "Bearer"));
        }
        if let Some(seconds) = self.0.facts.as_ref().and_then(|facts| facts.get("retry_after_seconds")) {
            response.insert_header((header::RETRY_AFTER, seconds.to_string()));
        }
        response.content_type(HeaderValue::from_static("application/problem+json"));
        match serde_json::to_string(&document) {
            Ok(text) => response.body(text),
            Err(_) => response.finish(),
        }
    }
}
