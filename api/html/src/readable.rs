//! Problem documents as pages: somebody who opened a page reads why not, and what to do.

use actix_web::Error;
use actix_web::body::{BoxBody, MessageBody, to_bytes};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{ACCEPT, CONTENT_TYPE, LOCATION, REFERER};
use actix_web::http::{Method, StatusCode};
use actix_web::middleware::Next;
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use serde::Deserialize;

use crate::protect::is_page;
use crate::shell::{Shell, framed};
use crate::show::encoded;

#[derive(Deserialize)]
struct Document {
    title: String,
    detail: String,
    code: String,
    #[serde(default)]
    instance: String,
    #[serde(default)]
    errors: Vec<Wrong>,
}

#[derive(Deserialize)]
struct Wrong {
    field: String,
    message: String,
}

#[derive(Template)]
#[template(path = "problem.html")]
struct ProblemPage<'a> {
    shell: &'a Shell,
    status: u16,
    document: Document,
}

/// Middleware: turns problem documents into pages where a page was asked for.
///
/// # Errors
/// Only those of the framework's own machinery.
pub async fn readable(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let response = next.call(request).await?.map_into_boxed_body();
    let problem = response.headers().get(CONTENT_TYPE).is_some_and(|value| value.as_bytes().ends_with(b"problem+json"));
    if !problem || !is_page(response.request().path()) {
        return Ok(response);
    }
    // A machine that asks for JSON at a wrong address gets the document.
    let accept = response.request().headers().get(ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or("text/html");
    if !accept.contains("text/html") && !accept.contains("*/*") {
        return Ok(response);
    }
    let status = response.status();
    let (request, response) = response.into_parts();
    let headers = response.headers().clone();
    let bytes = to_bytes(response.into_body()).await.unwrap_or_default();
    let Ok(document) = serde_json::from_slice::<Document>(&bytes) else {
        return Ok(ServiceResponse::new(request, HttpResponse::build(status).finish()));
    };
    let mut page = shown(&request, status, document);
    for (name, value) in headers.iter().filter(|(name, _)| name.as_str() == "x-request-id") {
        page.headers_mut().insert(name.clone(), value.clone());
    }
    Ok(ServiceResponse::new(request, page))
}

fn shown(request: &HttpRequest, status: StatusCode, document: Document) -> HttpResponse {
    // What must be done before anything else has a page.
    let first = match document.code.as_str() {
        "password_provisional" => "/account",
        "one_time_codes_due" => "/account/one-time-codes",
        _ => "",
    };
    if !first.is_empty() {
        return HttpResponse::SeeOther().insert_header((LOCATION, first)).finish();
    }
    if status == StatusCode::UNAUTHORIZED {
        return to_sign_in(request, &document.code);
    }
    let shell = Shell::of(request);
    match (ProblemPage { shell: &shell, status: status.as_u16(), document }).render() {
        Ok(body) => framed(HttpResponse::build(status), body),
        Err(_) => HttpResponse::build(status).finish(),
    }
}

/// To the sign-in, and back afterwards to where the person was.
fn to_sign_in(request: &HttpRequest, code: &str) -> HttpResponse {
    let back = if request.method() == Method::GET {
        request.uri().path_and_query().map(ToString::to_string)
    } else {
        request.headers().get(REFERER).and_then(|value| value.to_str().ok()).and_then(|referer| {
            let (_, rest) = referer.split_once("://")?;
            rest.find('/').map(|at| rest[at..].to_owned())
        })
    };
    // Not being signed in is no fault on a first visit.
    let held = request.headers().get("cookie").and_then(|value| value.to_str().ok()).unwrap_or_default();
    let why = if held.contains(ferrotitre_base::auth::current_user::COOKIE_NAME) { code } else { "" };
    let next = encoded(back.as_deref().unwrap_or("/"));
    HttpResponse::SeeOther().insert_header((LOCATION, format!("/sign-in?why={why}&next={next}"))).finish()
}
