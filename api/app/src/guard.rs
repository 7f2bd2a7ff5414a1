//! What stands before every page: posts come from our own pages only, and the session's cookie is renewed while somebody works.

use actix_web::body::MessageBody;
use actix_web::cookie::Cookie;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::Method;
use actix_web::http::header::{COOKIE, HOST, HeaderName, ORIGIN, SET_COOKIE};
use actix_web::middleware::Next;
use actix_web::{Error, HttpRequest, ResponseError as _, web};
use ferrotitre_base::auth::current_user::{self, COOKIE_NAME, cookie};
use ferrotitre_base::auth::tokens::TokenKeys;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::protect::{is_page, session_cookie};
use ferrotitre_ledger::accounts::sessions;

/// A token younger than this is not renewed yet, seconds.
const RENEW_AFTER: i64 = 60;

/// What a page asks by itself says so: nobody works, and the session may run out.
const BY_ITSELF: &str = "by-itself";

/// Middleware: refuses posts of other sites, renews the cookie.
///
/// # Errors
/// Only those of the framework's own machinery.
pub async fn guard(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    if !is_page(request.path()) {
        return Ok(next.call(request).await?.map_into_left_body());
    }
    if request.method() == Method::POST && !same_origin(&request) {
        let refusal = Refusal::new(Code::Forbidden, "a form is taken from this service's own pages only");
        return Ok(request.into_response(Problem(refusal).error_response()).map_into_right_body());
    }
    let mut response = next.call(request).await?;
    // Signing in and out set the cookie themselves.
    if !response.headers().contains_key(SET_COOKIE)
        && !response.request().headers().contains_key(BY_ITSELF)
        && let Some(fresh) = renewed(response.request()).await
        && let Ok(value) = fresh.to_string().parse()
    {
        response.headers_mut().append(SET_COOKIE, value);
    }
    Ok(response.map_into_left_body())
}

/// Every browser says where a post comes from; the cookie's SameSite and the form's code stand behind this.
fn same_origin(request: &ServiceRequest) -> bool {
    let header = |name: HeaderName| request.headers().get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = header(HeaderName::from_static("sec-fetch-site")) {
        return site == "same-origin";
    }
    let host = header(HOST).unwrap_or_default();
    header(ORIGIN).and_then(|origin| origin.split_once("://")).is_some_and(|(_, origin)| origin == host)
}

async fn renewed(request: &HttpRequest) -> Option<Cookie<'static>> {
    let user = current_user::known(request)?;
    let session = user.session?;
    let held = cookie(request.headers().get(COOKIE)?.to_str().ok()?, COOKIE_NAME)?;
    let db = request.app_data::<web::Data<Db>>()?;
    let keys = request.app_data::<web::Data<TokenKeys>>()?;
    let policy = *request.app_data::<web::Data<Policy>>()?.get_ref();
    let claims = keys.verify(db, held).await.ok()?;
    if chrono::Utc::now().timestamp() - claims.iat < RENEW_AFTER {
        return None;
    }
    // A store that is away is no reason to take back a page; the old token still holds.
    let token = sessions::extend(db, keys, policy, user.account, session).await.ok().flatten()?;
    Some(session_cookie(request, token))
}
