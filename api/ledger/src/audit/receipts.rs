//! The answer to every write that was carried out carries a signed promise of the events it made (`openapi/PROOF.md`).

pub(super) mod pages;

use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::Method;
use actix_web::http::header::{HeaderName, HeaderValue, SET_COOKIE};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage, web};
use chrono::Utc;
use ferrotitre_base::db::Db;
use ferrotitre_base::entry::canonical_time;
use ferrotitre_base::receipts::gathering;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::request::RequestId;
use ferrotitre_check::canonical;
use ferrotitre_check::note::base64;
use ferrotitre_check::receipt::{Promise, signed_text, unsigned};
use ferrotitre_core::merkle::Hash;
use ferrotitre_html::protect::is_page;
use ferrotitre_html::receipts;
use uuid::Uuid;

use crate::audit::seal::SealKey;
use crate::audit::store;

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
    // Who sends a form does not see its headers: the browser keeps the receipt.
    let form = (request.method() == Method::POST && is_page(request.path())).then(|| request.path().to_owned());
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
    if let Some(form) = form {
        let encoded = (base64(receipt.as_bytes()), base64(form.as_bytes()));
        for cookie in receipts::keep(&request, Utc::now().timestamp(), (&encoded.0, &encoded.1)) {
            if let Ok(value) = HeaderValue::from_str(&cookie.to_string()) {
                head.headers_mut().append(SET_COOKIE, value);
            }
        }
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

/// What became of an event that was promised.
enum Place {
    /// It has its leaf, the one that was promised.
    Sealed(i64),
    /// It has none yet, and would have the one that was promised.
    Waits,
    /// It has another than the one that was promised.
    Altered,
    /// It is not there.
    Missing,
}

/// Looks for an event with the leaf that was promised (base64).
async fn place_of(db: &Db, id: Uuid, promised: &str) -> Result<Place, Refusal> {
    db.read(async |connection| {
        let Some(event) = store::find_event(connection, id).await? else { return Ok(Place::Missing) };
        if base64(&event.leaf()) != promised {
            return Ok(Place::Altered);
        }
        Ok(match store::leaf_index(connection, id).await? {
            Some(leaf) => Place::Sealed(leaf),
            None => Place::Waits,
        })
    })
    .await
}
