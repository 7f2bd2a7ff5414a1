//! The answer to every write that was carried out carries a signed promise of the events it made (`openapi/PROOF.md`).

use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage, web};
use chrono::Utc;
use ferrotitre_base::entry::canonical_time;
use ferrotitre_base::receipts::gathering;
use ferrotitre_base::web::request::RequestId;
use ferrotitre_check::canonical;
use ferrotitre_check::note::base64;
use ferrotitre_check::receipt::{Promise, signed_text, unsigned};
use ferrotitre_core::merkle::Hash;
use uuid::Uuid;

use crate::audit::seal::SealKey;

const HEADER: HeaderName = HeaderName::from_static("audit-receipt");

/// Middleware: signs what was committed, over the bytes of the answer as they are sent.
///
/// # Errors
/// Only those of the framework's own machinery.
pub async fn promise(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let id = request.extensions().get::<RequestId>().map(|id| id.0);
    let key = request.app_data::<web::Data<SealKey>>().cloned();
    let (response, made) = gathering(next.call(request)).await;
    let response = response?.map_into_boxed_body();
    // A refusal promises nothing: a receipt of a failed sign-in would tell a stranger that the account exists.
    let refused = response.status().is_client_error() || response.status().is_server_error();
    let (Some(key), false) = (key, made.is_empty() || refused) else { return Ok(response) };
    let (request, response) = response.into_parts();
    let (mut head, body) = response.into_parts();
    // An answer that is made while it is sent has no bytes yet; its receipt promises the events alone.
    let (receipt, body) = match body.try_into_bytes() {
        Ok(bytes) => (signed(&key, id, &made, Some(&bytes)), BoxBody::new(bytes)),
        Err(body) => (signed(&key, id, &made, None), body),
    };
    if let Ok(value) = HeaderValue::from_str(&receipt) {
        head.headers_mut().insert(HEADER, value);
    }
    Ok(ServiceResponse::new(request, head.set_body(body)))
}

fn signed(key: &SealKey, request: Option<Uuid>, made: &[(Uuid, Hash)], answer: Option<&[u8]>) -> String {
    let events: Vec<(String, Hash)> = made.iter().map(|(id, leaf)| (id.to_string(), *leaf)).collect();
    let request = request.map(|id| id.to_string()).unwrap_or_default();
    let promise = Promise { request: &request, time: &canonical_time(Utc::now()), events: &events, answer };
    let mut receipt = unsigned(&promise, &key.named());
    let signature = key.sign(&signed_text(&receipt));
    receipt["signature"] = base64(&signature).into();
    canonical::text(&receipt)
}
