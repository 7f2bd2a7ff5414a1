//! A client of the API, signed in as somebody.

use reqwest::Method;
use reqwest::header::{AUTHORIZATION, CONTENT_TYPE, HeaderMap};
use serde_json::{Value, json};
use uuid::Uuid;

/// An answer, read to its end.
#[derive(Debug, Clone)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// Headers.
    pub headers: HeaderMap,
    /// Body as it came.
    pub bytes: Vec<u8>,
    /// Body as text.
    pub text: String,
    /// Body as JSON; null if it is not.
    pub json: Value,
}

impl Answer {
    /// The body of an answer that must have this status.
    #[track_caller]
    pub fn expect(self, status: u16) -> Value {
        assert_eq!(self.status, status, "{}", self.text);
        self.json
    }

    /// The problem document of an answer that must be refused with this status and code.
    #[track_caller]
    pub fn refused(self, status: u16, code: &str) -> Value {
        assert_eq!((self.status, self.code()), (status, code), "{}", self.text);
        self.json
    }

    /// Code of a problem document, empty if it is none.
    #[must_use]
    pub fn code(&self) -> &str {
        self.json["code"].as_str().unwrap_or_default()
    }

    /// A header.
    #[must_use]
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default()
    }
}

/// Digest of the thing with an identity, somewhere in a document.
fn digest_within(document: &Value, id: &str) -> Option<Value> {
    match document {
        Value::Object(fields) => {
            let own = fields.get("content_digest").filter(|_| fields.get("id").is_some_and(|own| own == id));
            own.cloned().or_else(|| fields.values().find_map(|inside| digest_within(inside, id)))
        }
        Value::Array(items) => items.iter().find_map(|inside| digest_within(inside, id)),
        _ => None,
    }
}

/// A client of the API.
#[derive(Debug, Clone)]
pub struct Client {
    http: reqwest::Client,
    base: String,
    token: Option<String>,
    /// Account.
    pub id: Uuid,
    /// Sign-in name.
    pub code: String,
    /// Password, needed to sign.
    pub password: String,
}

impl Client {
    /// A client that is not signed in.
    #[must_use]
    pub fn nobody(base: &str) -> Self {
        // The server closes a connection that was idle for five seconds; one taken up at that moment would break.
        let idle = std::time::Duration::from_secs(2);
        let http = reqwest::Client::builder().no_proxy().pool_idle_timeout(idle).build().unwrap();
        Self { http, base: base.to_owned(), token: None, id: Uuid::nil(), code: String::new(), password: String::new() }
    }

    /// The same client with a bearer token.
    #[must_use]
    pub fn with_token(&self, token: &str) -> Self {
        Self { token: Some(token.to_owned()), ..self.clone() }
    }

    /// The same client as another account.
    #[must_use]
    pub fn with_account(&self, id: Uuid, code: &str, password: &str) -> Self {
        Self { id, code: code.to_owned(), password: password.to_owned(), ..self.clone() }
    }

    /// The bearer token.
    #[must_use]
    pub fn token(&self) -> &str {
        self.token.as_deref().unwrap_or_default()
    }

    /// Signs in and returns the tokens.
    pub async fn sign_in(&self, account: &str, password: &str) -> Answer {
        self.post("/sessions", &json!({ "account": account, "password": password })).await
    }

    /// GET; paths are below /api/v1 unless they begin with another known prefix.
    pub async fn get(&self, path: &str) -> Answer {
        self.send(Method::GET, path, &[], None).await
    }

    /// DELETE.
    pub async fn delete(&self, path: &str) -> Answer {
        self.send(Method::DELETE, path, &[], None).await
    }

    /// POST of a JSON body.
    pub async fn post(&self, path: &str, body: &Value) -> Answer {
        self.post_with(path, &[], body).await
    }

    /// Signs: the last part of the path is the step, what is before it the thing, which is read again for its digest.
    pub async fn sign(&self, path: &str, reason: Option<&str>) -> Answer {
        let digest = self.digest_for(path).await;
        self.post(path, &json!({ "password": self.password, "reason": reason, "content_digest": digest })).await
    }

    /// Digest of what a signature at this path would cover now; null where there is none.
    pub async fn digest_for(&self, path: &str) -> Value {
        let (thing, step) = path.rsplit_once('/').unwrap_or((path, ""));
        let id = thing.rsplit('/').next().unwrap_or_default();
        if thing.starts_with("/validation-amendments") || thing.starts_with("/validation-exclusions") {
            let studies = self.get("/validation-studies").await.json;
            for study in studies["items"].as_array().into_iter().flatten() {
                let answers = format!("/validation-studies/{}/answers", study["id"].as_str().unwrap_or_default());
                if let Some(found) = digest_within(&self.get(&answers).await.json, id) {
                    return found;
                }
            }
            return Value::Null;
        }
        let view = self.get(thing).await.json;
        let last = |list: &str| view[list].as_array().and_then(|all| all.last()).map(|of| of["content_digest"].clone());
        if thing.starts_with("/validation-studies") && !step.starts_with("plan-") {
            return last("conclusions").unwrap_or_default();
        }
        let versions = view["versions"].as_array();
        let in_force = versions.and_then(|all| all.iter().rfind(|one| one["state"] == "approved"));
        match in_force.filter(|_| step == "withdrawal") {
            Some(version) => version["content_digest"].clone(),
            None => last("versions").unwrap_or_else(|| view["content_digest"].clone()),
        }
    }

    /// POST with an idempotency key.
    pub async fn post_with_key(&self, path: &str, key: &str, body: &Value) -> Answer {
        self.post_with(path, &[("Idempotency-Key", key)], body).await
    }

    /// POST that names the version it corrects.
    pub async fn post_if_match(&self, path: &str, version: &str, body: &Value) -> Answer {
        self.post_with(path, &[("If-Match", &format!("\"{version}\""))], body).await
    }

    async fn post_with(&self, path: &str, headers: &[(&str, &str)], body: &Value) -> Answer {
        let mut all = vec![("Content-Type", "application/json")];
        all.extend_from_slice(headers);
        self.send(Method::POST, path, &all, Some(body.to_string().into_bytes())).await
    }

    /// Any request.
    pub async fn send(&self, method: Method, path: &str, headers: &[(&str, &str)], body: Option<Vec<u8>>) -> Answer {
        self.try_send(method, path, headers, body).await.unwrap()
    }

    /// Any request; a connection that breaks is an error.
    pub async fn try_send(
        &self,
        method: Method,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<Vec<u8>>,
    ) -> Result<Answer, reqwest::Error> {
        let outside = ["/api", "/health", "/ready", "/metrics"].iter().any(|prefix| path.starts_with(prefix));
        let url = format!("{}{}{path}", self.base, if outside { "" } else { "/api/v1" });
        let (method, mut request) = (method.to_string(), self.http.request(method, url));
        if let Some(token) = &self.token {
            request = request.header(AUTHORIZATION, format!("Bearer {token}"));
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        if let Some(body) = body {
            request = request.body(body);
        }
        let response = request.send().await?;
        let status = response.status().as_u16();
        let headers = response.headers().clone();
        // A stream of events has no end to wait for; its head says whether it was granted.
        let endless = headers.get(CONTENT_TYPE).is_some_and(|kind| kind.as_bytes().starts_with(b"text/event-stream"));
        let bytes = if endless { Vec::new() } else { response.bytes().await?.to_vec() };
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let kind = headers.get(CONTENT_TYPE).map_or(&b""[..], |kind| kind.as_bytes());
        let is_json = [&b"application/json"[..], b"application/problem+json"].contains(&kind);
        let json = if is_json { serde_json::from_str(&text).unwrap_or_default() } else { Value::Null };
        if is_json {
            let whole = if outside { path.to_owned() } else { format!("/api/v1{path}") };
            let breach = crate::contract::breach(&method, &whole, status, &json);
            assert!(breach.is_none(), "the answer is not what the document says: {}", breach.unwrap_or_default());
        }
        Ok(Answer { status, headers, bytes, text, json })
    }
}
