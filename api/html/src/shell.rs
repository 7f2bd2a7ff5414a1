//! The frame around every page: who looks at it, what they may open, how they want it to look.

use std::future::{Ready, ready};

use actix_web::dev::Payload;
use actix_web::http::StatusCode;
use actix_web::http::header::{CACHE_CONTROL, CONTENT_SECURITY_POLICY, COOKIE, HeaderValue, REFERRER_POLICY};
use actix_web::{FromRequest, HttpRequest, HttpResponse, web};
use askama::Template;
use ferrotitre_base::auth::current_user::{self, CurrentUser, cookie};
use ferrotitre_base::auth::permissions::{Action, Role, may};
use ferrotitre_base::auth::tokens::TokenKeys;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;

use crate::assets;
use crate::places::{self, Places};
use crate::receipts;

/// Cookie with light, dark or auto.
pub const LOOK: &str = "ferrotitre_look";
/// Cookie with comma or point.
pub const MARK: &str = "ferrotitre_mark";

/// Nothing but our own files, and nothing written into a page runs.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; \
    connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Who looks at a page, and how.
#[derive(Debug, Clone)]
pub struct Shell {
    pub user: Option<CurrentUser>,
    /// Path of the page.
    pub path: String,
    /// Path and query, to come back to.
    pub address: String,
    /// auto, light or dark.
    pub look: &'static str,
    /// Decimal comma in place of the point.
    pub comma: bool,
    /// Goes into every form.
    pub code: String,
    /// What to say about the step before.
    pub notice: &'static str,
    /// Where the receipt of what was just saved is.
    pub receipt: String,
    /// Others can listen to what is sent.
    pub in_the_clear: bool,
}

/// Whether the service speaks plain HTTP where others can listen; every page then says so.
#[derive(Debug, Clone, Copy)]
pub struct InTheClear(pub bool);

impl Shell {
    /// Of a request.
    pub fn of(request: &HttpRequest) -> Self {
        let user = current_user::known(request);
        let keys = request.app_data::<web::Data<TokenKeys>>();
        let session = user.as_ref().and_then(|user| user.session);
        let code = keys.zip(session).and_then(|(keys, session)| keys.form_code(session)).unwrap_or_default();
        let cookies = request.headers().get(COOKIE).and_then(|value| value.to_str().ok()).unwrap_or_default();
        let query = request.query_string();
        let notice = match query.split('&').find_map(|pair| pair.strip_prefix("done=")) {
            Some("saved") => "Saved.",
            Some("again") => "This entry had been saved already. Nothing was recorded twice.",
            Some("signed-out") => "You have signed out.",
            Some("codes") => "One-time codes are set up. The next sign-in asks for one.",
            Some("password") => "The password was changed.",
            _ => "",
        };
        let address = if query.is_empty() { request.path().to_owned() } else { format!("{}?{query}", request.path()) };
        Self {
            user,
            path: request.path().to_owned(),
            address,
            look: match cookie(cookies, LOOK) {
                Some("light") => "light",
                Some("dark") => "dark",
                _ => "auto",
            },
            comma: cookie(cookies, MARK) == Some("comma"),
            code,
            receipt: match (notice, receipts::kept(request).first()) {
                ("Saved.", Some(newest)) => newest.address(),
                _ => String::new(),
            },
            notice,
            // A proxy in front that encrypts says so.
            in_the_clear: request.app_data::<web::Data<InTheClear>>().is_some_and(|clear| clear.0)
                && request.connection_info().scheme() != "https",
        }
    }

    /// Kinds of work with the places the person may open.
    pub fn works(&self) -> Vec<Places> {
        self.user.as_ref().map_or_else(Vec::new, |user| places::of(&user.roles, &self.path))
    }

    /// Whether the person's roles include an action: whether to show the way to it. The guard decides.
    pub fn may(&self, action: Action) -> bool {
        self.user.as_ref().is_some_and(|user| may(&user.roles, action))
    }

    /// Whether the box that finds codes is shown.
    pub fn finds(&self) -> bool {
        self.may(Action::ReadRecords)
    }

    /// Roles of the person, in words.
    pub fn roles(&self) -> String {
        let roles = self.user.iter().flat_map(|user| user.roles.iter().copied().map(Role::text));
        roles.collect::<Vec<_>>().join(", ")
    }

    /// Address of a file that goes with the pages.
    pub fn file(&self, name: &str) -> String {
        assets::address(name)
    }

    /// A figure, or words with figures, with the decimal mark the person chose.
    pub fn n(&self, figure: impl std::fmt::Display) -> String {
        let text = figure.to_string();
        if self.comma { with_comma(&text) } else { text }
    }

    /// The laboratory's time zone, in which all times of the page are.
    pub fn zone(&self) -> String {
        ferrotitre_base::zone::name(chrono::Utc::now())
    }

    /// A decimal mark, for the script.
    pub fn mark(&self) -> &'static str {
        if self.comma { "comma" } else { "point" }
    }

    /// Renders a page.
    pub fn page(&self, status: StatusCode, template: &impl Template) -> Result<HttpResponse, Problem> {
        let body = template.render().map_err(Refusal::internal)?;
        Ok(framed(HttpResponse::build(status), body))
    }

    /// Renders a page that was asked for and found.
    pub fn show(&self, template: &impl Template) -> Result<HttpResponse, Problem> {
        self.page(StatusCode::OK, template)
    }
}

/// Decimals with a comma; the end of a sentence and numbers of clauses, such as 7.8.6, keep their points.
fn with_comma(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(begin) = rest.find(|c: char| c.is_ascii_digit()) {
        let (before, run) = rest.split_at(begin);
        let (run, after) = run.split_at(run.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(run.len()));
        let number = run.trim_end_matches('.');
        out.push_str(before);
        match number.split_once('.') {
            Some((whole, decimals)) if !decimals.contains('.') => out.extend([whole, ",", decimals]),
            _ => out.push_str(number),
        }
        out.push_str(&run[number.len()..]);
        rest = after;
    }
    out.push_str(rest);
    out
}

/// A page with the headers all pages have.
pub fn framed(mut response: actix_web::HttpResponseBuilder, body: String) -> HttpResponse {
    response
        .content_type("text/html; charset=utf-8")
        // After signing out at a shared bench, Back must not show what was there.
        .insert_header((CACHE_CONTROL, "no-store"))
        .insert_header((CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY)))
        .insert_header((REFERRER_POLICY, "same-origin"))
        .body(body)
}

impl FromRequest for Shell {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(Ok(Self::of(request)))
    }
}

/// What a page is, which standard it follows, what happens next.
#[derive(Debug, Clone, Copy, Default)]
pub struct Help {
    pub what: &'static str,
    pub standard: &'static str,
    pub next: &'static str,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comma_takes_the_place_of_decimal_points_only() {
        assert_eq!(with_comma("94.8 %. The result is 119.5 ± 1.1 g/L."), "94,8 %. The result is 119,5 ± 1,1 g/L.");
        assert_eq!(
            with_comma("ISO/IEC 17025, 7.8.6: at most 120. Signed."),
            "ISO/IEC 17025, 7.8.6: at most 120. Signed."
        );
        assert_eq!(with_comma("1.2 x 10^-5"), "1,2 x 10^-5");
        assert_eq!(with_comma("ü 0.5"), "ü 0,5");
    }
}
