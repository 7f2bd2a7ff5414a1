//! Reads JSON bodies and query strings into wire types, naming the field when something is wrong.

use std::future::Future;
use std::pin::Pin;

use actix_web::dev::Payload;
use actix_web::http::header::CONTENT_TYPE;
use actix_web::{FromRequest, HttpRequest};
use serde::de::DeserializeOwned;

use crate::auth::local_key;
use crate::refusal::{Code, FieldErrors, Refusal};
use crate::web::bounds::Bounds;
use crate::web::problem::Problem;

/// Bodies are small records; imports and calculations raise the limit with [`BodyLimit`] in their scope.
pub const DEFAULT_LIMIT: usize = 256 * 1024;

/// Largest body a scope takes, bytes.
#[derive(Debug, Clone, Copy)]
pub struct BodyLimit(pub usize);

/// A JSON body with the digest of its bytes.
#[derive(Debug)]
pub struct Body<T> {
    /// What was sent.
    pub value: T,
    /// Code of the bytes, to recognise a repeated request: with a key that is not in the store, since a body may hold a password.
    pub digest: [u8; 32],
}

/// The bytes of a JSON body, to be parsed by who knows what they should be.
#[derive(Debug)]
pub struct RawBody(pub Vec<u8>);

type Reading<T> = Pin<Box<dyn Future<Output = Result<T, Problem>>>>;

/// Reads a body announced as JSON to its end.
async fn read(json: bool, bounds: Bounds, payload: Payload) -> Result<Vec<u8>, Problem> {
    if !json {
        return Err(Refusal::new(Code::NotJson, "send the header Content-Type: application/json").into());
    }
    Ok(bounds.collect(payload).await?)
}

fn reading(
    request: &HttpRequest,
    payload: &mut Payload,
    limit: usize,
) -> impl Future<Output = Result<Vec<u8>, Problem>> + use<> {
    let json = request
        .headers()
        .get(CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.split(';').next())
        .is_some_and(|kind| kind.trim().eq_ignore_ascii_case("application/json"));
    read(json, Bounds::of(request, limit), payload.take())
}

fn limit(request: &HttpRequest) -> usize {
    request.app_data::<BodyLimit>().map_or(DEFAULT_LIMIT, |limit| limit.0)
}

impl FromRequest for RawBody {
    type Error = Problem;
    type Future = Reading<Self>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let bytes = reading(request, payload, limit(request));
        Box::pin(async move { bytes.await.map(Self) })
    }
}

impl<T: DeserializeOwned + 'static> FromRequest for Body<T> {
    type Error = Problem;
    type Future = Reading<Self>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let bytes = reading(request, payload, limit(request));
        Box::pin(async move { Self::of(&bytes.await?) })
    }
}

impl<T: DeserializeOwned> Body<T> {
    fn of(bytes: &[u8]) -> Result<Self, Problem> {
        Ok(Self { value: parse(bytes)?, digest: local_key::code("body", &[bytes]) })
    }
}

/// A JSON body with a file in it: up to [`LARGE_LIMIT`] bytes.
#[derive(Debug)]
pub struct LargeBody<T>(pub Body<T>);

/// Largest body with a file in it, bytes.
pub const LARGE_LIMIT: usize = 16 * 1024 * 1024;

impl<T: DeserializeOwned + 'static> FromRequest for LargeBody<T> {
    type Error = Problem;
    type Future = Reading<Self>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let bytes = reading(request, payload, LARGE_LIMIT);
        Box::pin(async move { Ok(Self(Body::of(&bytes.await?)?)) })
    }
}

/// Parses JSON and names the path of what is wrong.
///
/// # Errors
/// [`Code::Unreadable`] if it is not JSON; [`Code::Invalid`] with the path if it is not the expected shape.
pub fn parse<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, Refusal> {
    if let Some(refusal) = unstorable(bytes) {
        return Err(refusal);
    }
    let mut deserializer = serde_json::Deserializer::from_slice(bytes);
    let value = serde_path_to_error::deserialize(&mut deserializer).map_err(|error| {
        let path = error.path().to_string();
        let inner = error.into_inner();
        if inner.is_data() {
            let value = serde_json::from_slice::<serde_json::Value>(bytes)
                .ok()
                .and_then(|whole| at_path(&whole, &path))
                .unwrap_or_default();
            shape_error(&path, &inner.to_string(), &value)
        } else {
            Refusal::new(Code::Unreadable, format!("the body is not JSON: {inner}"))
        }
    })?;
    deserializer
        .end()
        .map_err(|error| Refusal::new(Code::Unreadable, format!("the body has more after the JSON value: {error}")))?;
    Ok(value)
}

/// Refuses what reads well but no store keeps: NUL characters in texts, and years of other than four digits.
fn unstorable(bytes: &[u8]) -> Option<Refusal> {
    let suspicious = bytes.windows(6).any(|part| part == b"\\u0000")
        || bytes.windows(3).any(|part| part[0] == b'"' && matches!(part[1], b'+' | b'-') && part[2].is_ascii_digit());
    let whole: serde_json::Value = suspicious.then(|| serde_json::from_slice(bytes).ok()).flatten()?;
    let mut errors = FieldErrors::default();
    check_texts(&mut errors, "", &whole);
    (!errors.is_empty()).then(|| errors.into_refusal())
}

fn check_texts(errors: &mut FieldErrors, path: &str, value: &serde_json::Value) {
    match value {
        serde_json::Value::String(text) => check_text(errors, if path.is_empty() { "body" } else { path }, text),
        serde_json::Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                check_texts(errors, &format!("{path}[{index}]"), item);
            }
        }
        serde_json::Value::Object(fields) => {
            for (name, item) in fields {
                let here = if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
                check_texts(errors, &here, item);
            }
        }
        _ => {}
    }
}

fn check_text(errors: &mut FieldErrors, field: &str, text: &str) {
    errors.require(!text.contains('\0'), field, "no_nul", "must not contain the character NUL", text.escape_default());
    errors.require(!has_signed_year(text), field, "year", "years have four digits, 0001 to 9999", text);
}

/// Whether a text is a date whose year has a sign, as ISO 8601 writes years beyond four digits.
fn has_signed_year(text: &str) -> bool {
    let Some(rest) = text.strip_prefix(['+', '-']) else { return false };
    let parts: Vec<&str> = rest.splitn(3, '-').collect();
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
    matches!(parts.as_slice(), [year, month, day] if digits(year) && digits(month) && day.len() >= 2 && digits(&day[..day.floor_char_boundary(2)]))
}

/// The value at a path as serde names it (`a.b[0].c`), as text.
fn at_path(whole: &serde_json::Value, path: &str) -> Option<String> {
    let mut value = whole;
    for part in path.split(['.', '[']).filter(|part| !part.is_empty()) {
        value = match part.strip_suffix(']') {
            Some(index) => value.get(index.parse::<usize>().ok()?)?,
            None => value.get(part)?,
        };
    }
    Some(match value {
        serde_json::Value::String(text) => text.clone(),
        other => other.to_string(),
    })
}

fn shape_error(path: &str, message: &str, value: &str) -> Refusal {
    let (message, _position) = message.rsplit_once(" at line ").unwrap_or((message, ""));
    // The parser names types of the program; a person knows numbers.
    let message = ["f64", "usize", "u64", "u32", "i64", "u8"].iter().fold(message.to_owned(), |message, name| {
        let words = if *name == "f64" { "expected a number" } else { "expected a whole number" };
        message.replace(&format!("expected {name}"), words)
    });
    let message = message.as_str();
    let quoted = message.split('`').nth(1).unwrap_or_default();
    let mut fields = FieldErrors::default();
    let join = |name: &str| if path == "." { name.to_owned() } else { format!("{path}.{name}") };
    if message.starts_with("unknown field") {
        // the path serde reports already ends in the unknown field
        fields.add(path, "unknown_field", message, quoted);
    } else if message.starts_with("missing field") {
        fields.add(&join(quoted), "required", message, "");
    } else if let Some((rule, message)) = message.split_once(crate::web::decimal::RULE_MARK) {
        fields.add(path, rule, message, value);
    } else {
        fields.add(path, "type", message, value);
    }
    fields.into_refusal()
}

/// Query parameters.
#[derive(Debug)]
pub struct Params<T>(pub T);

impl<T: DeserializeOwned> FromRequest for Params<T> {
    type Error = Problem;
    type Future = std::future::Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        std::future::ready(query(request.query_string()).map(Self).map_err(Problem::from))
    }
}

fn query<T: DeserializeOwned>(text: &str) -> Result<T, Refusal> {
    use actix_web::web::Query;
    let unreadable =
        |error: actix_web::error::QueryPayloadError| Refusal::invalid("query", "parameter", error.to_string(), text);
    let mut errors = FieldErrors::default();
    for (name, value) in Query::<Vec<(String, String)>>::from_query(text).map_err(unreadable)?.into_inner() {
        check_text(&mut errors, &name, &value);
    }
    errors.check()?;
    Query::<T>::from_query(text).map(Query::into_inner).map_err(unreadable)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Inner {
        #[expect(dead_code, reason = "only its parsing is tested")]
        volume: String,
    }

    #[derive(Debug, serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Outer {
        #[expect(dead_code, reason = "only its parsing is tested")]
        steps: Vec<Inner>,
    }

    fn only_field(text: &str) -> FieldErrorParts {
        let refusal = parse::<Outer>(text.as_bytes()).unwrap_err();
        let field = refusal.fields.first().unwrap();
        (field.field.clone(), field.rule.clone(), field.value.clone())
    }

    type FieldErrorParts = (String, String, String);

    fn parts(field: &str, rule: &str, value: &str) -> FieldErrorParts {
        (field.to_owned(), rule.to_owned(), value.to_owned())
    }

    #[test]
    fn a_wrong_shape_names_path_rule_and_value() {
        assert_eq!(only_field(r#"{"steps":[{"volume":"1"},{"volume":2.5}]}"#), parts("steps[1].volume", "type", "2.5"));
        assert_eq!(only_field(r#"{"steps":[{}]}"#), parts("steps[0].volume", "required", ""));
        assert_eq!(only_field(r#"{"steps":[],"colour":1}"#), parts("colour", "unknown_field", "colour"));
        assert_eq!(only_field(r#"{}"#), parts("steps", "required", ""));
    }

    #[test]
    fn what_no_store_keeps_is_named() {
        let nul = parts("steps[0].volume", "no_nul", "1\\u{0}");
        assert_eq!(only_field(r#"{"steps":[{"volume":"1\u0000"}]}"#), nul);
        assert_eq!(
            only_field(r#"{"steps":[{"volume":"-9000-01-01"}]}"#),
            parts("steps[0].volume", "year", "-9000-01-01")
        );
        assert!(parse::<Outer>(br#"{"steps":[{"volume":"-23.10"},{"volume":"\\\\u0000"}]}"#).is_ok());
        assert!(query::<std::collections::HashMap<String, String>>("from=-9000-01-01T00:00:00Z").is_err());
        assert!(query::<std::collections::HashMap<String, String>>("from=2026-01-01T00:00:00Z").is_ok());
    }

    #[test]
    fn what_is_not_json_is_unreadable() {
        assert_eq!(parse::<Outer>(b"{\"steps\":").unwrap_err().code, Code::Unreadable);
        assert_eq!(parse::<Outer>(b"{\"steps\":[]} trailing").unwrap_err().code, Code::Unreadable);
        assert_eq!(parse::<Outer>(b"").unwrap_err().code, Code::Unreadable);
    }
}
