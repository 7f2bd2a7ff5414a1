//! Pages in a real browser, and over plain HTTP what protects them.

mod access;
mod begin;
mod bench;
mod codes;
mod control;
mod day;
mod entries;
mod every_page;
mod find;
mod finish;
mod first_hour;
mod first_sign_in;
mod furniture;
mod habits;
mod lists;
mod onward;
mod outlines;
mod parity;
mod portions;
mod protection;
mod reading;
mod receipts;
mod set_up;
mod several;
mod specifications;
mod study;
mod tasks;
mod told;
mod walk;
mod widths;
mod zone;

use ferrotitre_tests::client::Client;
use reqwest::header::{CONTENT_TYPE, COOKIE, HeaderMap};

/// A page as it came.
pub(crate) struct Page {
    pub(crate) status: u16,
    pub(crate) headers: HeaderMap,
    pub(crate) text: String,
}

impl Page {
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default()
    }

    /// Value of a hidden field.
    pub(crate) fn hidden(&self, name: &str) -> &str {
        let marked = format!("name=\"{name}\" value=\"");
        self.text.split_once(&marked).and_then(|(_, rest)| rest.split('"').next()).unwrap_or_default()
    }
}

/// Asks for pages as somebody, as a browser would, without following redirects.
pub(crate) struct Visitor {
    http: reqwest::Client,
    base: String,
    token: String,
}

impl Visitor {
    pub(crate) fn of(base: std::net::SocketAddr, client: &Client) -> Self {
        let http = reqwest::Client::builder().no_proxy().redirect(reqwest::redirect::Policy::none()).build().unwrap();
        Self { http, base: format!("http://{base}"), token: client.token().to_owned() }
    }

    async fn send(&self, request: reqwest::RequestBuilder) -> Page {
        let response = request.send().await.unwrap();
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        Page { status, headers, text: response.text().await.unwrap() }
    }

    fn request(&self, method: reqwest::Method, path: &str) -> reqwest::RequestBuilder {
        let request = self.http.request(method, format!("{}{path}", self.base)).header("Accept", "text/html");
        if self.token.is_empty() {
            request
        } else {
            request.header(COOKIE, format!("ferrotitre_access={}", self.token))
        }
    }

    pub(crate) async fn get(&self, path: &str) -> Page {
        self.send(self.request(reqwest::Method::GET, path)).await
    }

    /// Asks with more cookies than that of the session.
    async fn get_with(&self, path: &str, cookie: &str) -> Page {
        let all = format!("ferrotitre_access={}; {cookie}", self.token);
        self.send(self.http.get(format!("{}{path}", self.base)).header("Accept", "text/html").header(COOKIE, all)).await
    }

    /// Sends a form as the service's own page would.
    pub(crate) async fn post(&self, path: &str, form: &[(&str, &str)]) -> Page {
        self.post_from(path, &[("Sec-Fetch-Site", "same-origin")], form).await
    }

    async fn post_from(&self, path: &str, headers: &[(&str, &str)], form: &[(&str, &str)]) -> Page {
        let mut request = self.request(reqwest::Method::POST, path);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let body = form.iter().map(|(name, value)| format!("{}={}", encoded(name), encoded(value)));
        let body = body.collect::<Vec<_>>().join("&");
        self.send(request.header(CONTENT_TYPE, "application/x-www-form-urlencoded").body(body)).await
    }
}

fn encoded(text: &str) -> String {
    text.bytes()
        .map(|byte| if byte.is_ascii_alphanumeric() { char::from(byte).to_string() } else { format!("%{byte:02X}") })
        .collect()
}
