//! Reads JSON bodies and query strings into wire types, naming the field when something is wrong.

use std::future::Future;
use std::pin::Pin;

use actix_web::dev::Payload;
use actix_web::http::header::CONTENT_TYPE;
use actix_web::{FromRequest, HttpRequest};
use futures_util::StreamExt;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};

use crate::refusal::{Code, FieldErrors, Refusal};
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
    /// SHA-256 of the bytes, to recognise a repeated request.
    pub digest: [u8; 32],
}

impl<T: DeserializeOwned + 'static> FromRequest for Body<T> {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let json = request
            .headers()
            .get(CONTENT_TYPE)
            .and_then(|value| value.to_str().ok())
            .is_some_and(|value| value.trim_start().to_ascii_lowercase().starts_with("application/json"));
        let limit = request.app_data::<BodyLimit>().map_or(DEFAULT_LIMIT, |limit| limit.0);
        let mut payload = payload.take();
        Box::pin(async move {
            if !json {
                return Err(Refusal::new(Code::NotJson, "send the header Content-Type: application/json").into());
            }
            let mut bytes = Vec::new();
            let mut overflow = false;
            while let Some(chunk) = payload.next().await {
                let chunk =
                    chunk.map_err(|error| Refusal::new(Code::Unreadable, "the body broke off").because(error))?;
                // An oversized body is read to its end but not kept, so that the client sees the answer.
                if overflow || bytes.len() + chunk.len() > limit {
                    overflow = true;
                    bytes = Vec::new();
                } else {
                    bytes.extend_from_slice(&chunk);
                }
            }
            if overflow {
                let detail = format!("this operation takes at most {limit} bytes");
                return Err(Refusal::new(Code::TooLarge, detail).into());
            }
            let digest = Sha256::digest(&bytes).into();
            Ok(Self { value: parse(&bytes)?, digest })
        })
    }
}

/// Parses JSON and names the path of what is wrong.
///
/// # Errors
/// [`Code::Unreadable`] if it is not JSON; [`Code::Invalid`] with the path if it is not the expected shape.
pub fn parse<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, Refusal> {
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
        std::future::ready(
            actix_web::web::Query::<T>::from_query(request.query_string())
                .map(|query| Self(query.into_inner()))
                .map_err(|error| {
                    Refusal::invalid("query", "parameter", error.to_string(), request.query_string()).into()
                }),
        )
    }
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
    fn what_is_not_json_is_unreadable() {
        assert_eq!(parse::<Outer>(b"{\"steps\":").unwrap_err().code, Code::Unreadable);
        assert_eq!(parse::<Outer>(b"{\"steps\":[]} trailing").unwrap_err().code, Code::Unreadable);
        assert_eq!(parse::<Outer>(b"").unwrap_err().code, Code::Unreadable);
    }
}
