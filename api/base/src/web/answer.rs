//! The answer to a POST, which may be a repetition of one already given.

use actix_web::body::BoxBody;
use actix_web::http::StatusCode;
use actix_web::http::header::{CONTENT_TYPE, ETAG, HeaderValue, LOCATION};
use actix_web::{HttpRequest, HttpResponse, Responder};
use serde::Serialize;

use crate::refusal::{Code, Refusal};
use crate::web::heavy::heavy;

/// What has an address of its own.
pub trait Located {
    /// Path of the resource.
    fn location(&self) -> String;
}

/// An answer as text, ready to send and to store beside an idempotency key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// Value of the Location header.
    pub location: String,
    /// JSON body.
    pub body: String,
    /// Whether it was given before under the same idempotency key.
    pub repeated: bool,
}

impl Answer {
    /// Makes the answer of a resource.
    ///
    /// # Errors
    /// A value that cannot be written as JSON, which is our bug.
    pub fn of<T: Serialize + Located>(resource: &T) -> Result<Self, Refusal> {
        let body = serde_json::to_string(resource).map_err(Refusal::internal)?;
        Ok(Self { location: resource.location(), body, repeated: false })
    }
}

impl Responder for Answer {
    type Body = BoxBody;

    fn respond_to(self, _: &HttpRequest) -> HttpResponse {
        let mut response = HttpResponse::Created();
        response.insert_header((LOCATION, self.location));
        response.insert_header((CONTENT_TYPE, "application/json"));
        if self.repeated {
            response.insert_header(("Idempotency-Replayed", "true"));
        }
        response.body(self.body)
    }
}

/// A resource with the version a correction must name.
#[derive(Debug)]
pub struct Versioned<T> {
    /// The resource.
    pub resource: T,
    /// Tag of its present version.
    pub tag: String,
}

impl<T: Serialize> Responder for Versioned<T> {
    type Body = BoxBody;

    fn respond_to(self, request: &HttpRequest) -> HttpResponse {
        let mut response = actix_web::web::Json(self.resource).respond_to(request).map_into_boxed_body();
        if let Ok(value) = HeaderValue::from_str(&format!("\"{}\"", self.tag)) {
            response.headers_mut().insert(ETAG, value);
        }
        response
    }
}

/// Plain text with status 200.
#[derive(Debug)]
pub struct PlainText(pub String);

impl Responder for PlainText {
    type Body = BoxBody;

    fn respond_to(self, _: &HttpRequest) -> HttpResponse {
        HttpResponse::build(StatusCode::OK).content_type("text/plain; charset=utf-8").body(self.0)
    }
}

/// A picture as SVG, with status 200.
#[derive(Debug)]
pub struct Picture(pub String);

impl Responder for Picture {
    type Body = BoxBody;

    fn respond_to(self, _: &HttpRequest) -> HttpResponse {
        HttpResponse::build(StatusCode::OK).content_type("image/svg+xml").body(self.0)
    }
}

/// The same picture as PNG, for programs that take no SVG.
#[derive(Debug)]
pub struct Pixels(Vec<u8>);

impl Pixels {
    /// Draws the pixels of an SVG on a thread of its own: other requests do not wait for it.
    ///
    /// # Errors
    /// A picture that cannot be drawn, which is our bug.
    pub async fn of(svg: String) -> Result<Self, Refusal> {
        let drawn = heavy(move || crate::pictures::png(&svg)).await?;
        drawn.map(Self).map_err(Refusal::internal)
    }
}

impl Responder for Pixels {
    type Body = BoxBody;

    fn respond_to(self, _: &HttpRequest) -> HttpResponse {
        HttpResponse::build(StatusCode::OK).content_type("image/png").body(self.0)
    }
}

/// Compares the version a correction names with the present one.
///
/// # Errors
/// [`Code::VersionRequired`] without one, [`Code::StaleVersion`] with another, both versions shown.
pub fn expect_version(named: Option<&str>, present: &str) -> Result<(), Refusal> {
    match named {
        None => Err(Refusal::new(Code::VersionRequired, "send If-Match with the ETag of the version you correct")),
        Some(named) if named.trim_matches('"') == present => Ok(()),
        Some(named) => Err(Refusal::new(
            Code::StaleVersion,
            format!("you correct version {named}, but the present version is \"{present}\"; read it again"),
        )
        .with_facts(serde_json::json!({ "named": named.trim_matches('"'), "present": present }))),
    }
}
