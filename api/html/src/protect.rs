//! The cookies of pages, and what counts as a page.

use actix_web::HttpRequest;
use actix_web::cookie::{Cookie, SameSite, time::Duration};
use ferrotitre_base::auth::current_user::COOKIE_NAME;

/// Whether a path is a page and no operation of the API.
pub fn is_page(path: &str) -> bool {
    let others = ["/api/", "/assets/", "/health", "/ready", "/metrics"];
    path != "/api" && !others.iter().any(|other| path.starts_with(other))
}

/// The cookie with the access token.
pub fn session_cookie(request: &HttpRequest, token: String) -> Cookie<'static> {
    kept(request, COOKIE_NAME, token).http_only(true).finish()
}

/// A cookie that takes another away.
pub fn no_cookie(request: &HttpRequest, name: &'static str) -> Cookie<'static> {
    kept(request, name, String::new()).http_only(true).max_age(Duration::ZERO).finish()
}

/// A cookie with what a person prefers, kept for a year.
pub fn preference(request: &HttpRequest, name: &'static str, value: String) -> Cookie<'static> {
    kept(request, name, value).http_only(true).max_age(Duration::days(365)).finish()
}

fn kept<'a>(request: &HttpRequest, name: &'static str, value: String) -> actix_web::cookie::CookieBuilder<'a> {
    let secure = request.connection_info().scheme() == "https";
    Cookie::build(name, value).path("/").same_site(SameSite::Strict).secure(secure)
}
