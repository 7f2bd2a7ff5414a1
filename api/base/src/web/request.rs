//! Gives each request its id, logs it, and completes problem documents.

use std::time::Instant;

use actix_web::body::{BoxBody, MessageBody, to_bytes};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{CONTENT_TYPE, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage, ResponseError};
use uuid::Uuid;

use crate::config::Policy;
use crate::metrics::Metrics;
use crate::refusal::{Code, Refusal};
use crate::web::problem::Problem;

/// Id of the request in hand.
#[derive(Debug, Clone, Copy)]
pub struct RequestId(pub Uuid);

/// The address that asks. Behind a proxy of the settings it is the last one in X-Forwarded-For that is not such a proxy; what
/// anybody else says of themselves is not believed.
#[must_use]
pub fn address(request: &actix_web::HttpRequest) -> Option<std::net::IpAddr> {
    let peer = request.peer_addr()?.ip().to_canonical();
    let proxies = request.app_data::<actix_web::web::Data<Policy>>().map_or(&[][..], |policy| policy.proxies);
    if !proxies.contains(&peer) {
        return Some(peer);
    }
    let said = request.headers().get_all("x-forwarded-for").filter_map(|value| value.to_str().ok());
    let said: Vec<&str> = said.flat_map(|value| value.split(',')).collect();
    // From the right: what stands before something unreadable, or before the first that is no proxy, the client may have made up.
    for text in said.into_iter().rev() {
        match text.trim().parse::<std::net::IpAddr>().map(|address| address.to_canonical()) {
            Ok(address) if proxies.contains(&address) => {}
            Ok(address) => return Some(address),
            Err(_) => break,
        }
    }
    Some(peer)
}

const HEADER: HeaderName = HeaderName::from_static("x-request-id");

/// Middleware: request id, one log line, metrics, security headers, and problems for what never reached a handler.
///
/// # Errors
/// Only those of the framework's own machinery.
pub async fn track(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let id = Uuid::now_v7();
    let started = Instant::now();
    request.extensions_mut().insert(RequestId(id));
    let metrics = request.app_data::<actix_web::web::Data<Metrics>>().cloned();
    // No clone of the request may be held here: routing needs it for itself alone. Handlers and the middleware inside this
    // one answer with responses, so an error here is the framework's own.
    let response = next.call(request).await?.map_into_boxed_body();
    let mut response = complete(in_our_form(response), id).await;
    response
        .headers_mut()
        .insert(HEADER, HeaderValue::from_str(&id.to_string()).unwrap_or(HeaderValue::from_static("")));
    response
        .headers_mut()
        .insert(HeaderName::from_static("x-content-type-options"), HeaderValue::from_static("nosniff"));
    let elapsed = started.elapsed();
    let status = response.status();
    // The pattern, not the path, so that the number of series stays small.
    let pattern = response.request().match_pattern().unwrap_or_else(|| "unmatched".to_owned());
    if let Some(metrics) = metrics {
        metrics.observe(response.request().method().as_str(), &pattern, status.as_u16(), elapsed);
    }
    tracing::info!(
        request_id = %id,
        method = %response.request().method(),
        path = response.request().path(),
        status = status.as_u16(),
        duration_ms = elapsed.as_secs_f64() * 1e3,
        "request"
    );
    Ok(response)
}

/// Turns refusals of the framework's own extractors (an id in the path that is no id, say) into problems.
fn in_our_form(response: ServiceResponse<BoxBody>) -> ServiceResponse<BoxBody> {
    let status = response.status();
    let refused = status.is_client_error() || status.is_server_error();
    // A form that comes back with its entries kept is a refusal, too, and a page of ours.
    let ours = response
        .headers()
        .get(CONTENT_TYPE)
        .is_some_and(|value| value.as_bytes().ends_with(b"problem+json") || value.as_bytes().starts_with(b"text/html"));
    if !refused || ours {
        return response;
    }
    let code = match status.as_u16() {
        404 => Code::NotFound,
        405 => Code::MethodNotAllowed,
        413 => Code::TooLarge,
        400..=499 => Code::Unreadable,
        _ => Code::Internal,
    };
    let detail = match (response.response().error(), code) {
        (None, Code::NotFound) => format!("there is nothing at {}", response.request().path()),
        (_, Code::Internal) | (None, _) => "the request id names the entry in the service's log".to_owned(),
        (Some(error), _) => error.to_string(),
    };
    let problem = Problem(Refusal::new(code, detail)).error_response();
    let (request, _) = response.into_parts();
    ServiceResponse::new(request, problem)
}

/// Puts the request id into problem documents.
async fn complete(response: ServiceResponse<BoxBody>, id: Uuid) -> ServiceResponse<BoxBody> {
    let is_problem = response
        .headers()
        .get(CONTENT_TYPE)
        .is_some_and(|value| value.as_bytes().starts_with(b"application/problem+json"));
    if !is_problem {
        return response;
    }
    let (request, response) = response.into_parts();
    let (head, body) = response.into_parts();
    let bytes = to_bytes(body).await.unwrap_or_default();
    let body = match serde_json::from_slice::<serde_json::Value>(&bytes) {
        Ok(mut document) => {
            if let Some(object) = document.as_object_mut() {
                object.insert("instance".to_owned(), id.to_string().into());
            }
            document.to_string().into_bytes()
        }
        Err(_) => bytes.to_vec(),
    };
    ServiceResponse::new(request, head.set_body(BoxBody::new(body)))
}
