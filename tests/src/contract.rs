//! Holds every answer that the tests get against the OpenAPI document.

use std::collections::{BTreeSet, HashMap};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use jsonschema::Validator;
use serde_json::{Map, Value, json};

/// Where the document is.
const DOCUMENT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../openapi/openapi.json");

/// Path, method and status.
type Asked = (String, String, String);

struct Contract {
    document: Value,
    /// Parts of each path, and the path itself; `None` stands for a parameter.
    paths: Vec<(Vec<Option<String>>, String)>,
    validators: Mutex<HashMap<Asked, Option<Arc<Validator>>>>,
}

fn contract() -> &'static Contract {
    static CONTRACT: OnceLock<Contract> = OnceLock::new();
    CONTRACT.get_or_init(|| {
        let document: Value = serde_json::from_str(&std::fs::read_to_string(DOCUMENT).unwrap()).unwrap();
        let part = |part: &str| (!part.starts_with('{')).then(|| part.to_owned());
        let paths = document["paths"].as_object().unwrap().keys();
        let mut paths: Vec<_> =
            paths.map(|path| (path.split('/').map(part).collect::<Vec<_>>(), path.clone())).collect();
        // A path without parameters goes before one that a parameter makes fit.
        paths.sort_by_key(|(parts, _)| parts.iter().filter(|part| part.is_none()).count());
        Contract { document, paths, validators: Mutex::default() }
    })
}

impl Contract {
    fn path(&self, asked: &str) -> Option<&str> {
        let asked: Vec<&str> = asked.split('/').collect();
        let fits = |parts: &[Option<String>]| {
            parts.len() == asked.len()
                && parts.iter().zip(&asked).all(|(part, asked)| part.as_ref().is_none_or(|part| part == asked))
        };
        self.paths.iter().find(|(parts, _)| fits(parts)).map(|(_, path)| path.as_str())
    }

    /// The schema of an answer with the schemas it refers to, and nothing else of the document.
    fn schema(&self, path: &str, method: &str, status: &str) -> Option<Value> {
        let responses = &self.document["paths"][path][method]["responses"];
        let response = responses.get(status).or_else(|| responses.get("default"))?;
        let content = response.get("content")?.as_object()?;
        let kind =
            content.keys().find(|kind| ["application/json", "application/problem+json"].contains(&kind.as_str()))?;
        let schema = content[kind].get("schema")?.clone();
        let mut named = BTreeSet::new();
        self.referred(&schema, &mut named);
        let named: Map<String, Value> = named
            .into_iter()
            .map(|name| (name.clone(), self.document["components"]["schemas"][&name].clone()))
            .collect();
        Some(json!({ "allOf": [schema], "components": { "schemas": named } }))
    }

    fn referred(&self, schema: &Value, named: &mut BTreeSet<String>) {
        match schema {
            Value::Object(parts) => {
                if let Some(name) = parts.get("$ref").and_then(Value::as_str).and_then(|at| at.rsplit('/').next())
                    && named.insert(name.to_owned())
                {
                    self.referred(&self.document["components"]["schemas"][name], named);
                }
                parts.values().for_each(|part| self.referred(part, named));
            }
            Value::Array(parts) => parts.iter().for_each(|part| self.referred(part, named)),
            _ => {}
        }
    }

    fn validator(&self, path: &str, method: &str, status: u16) -> Option<Arc<Validator>> {
        let key = (path.to_owned(), method.to_ascii_lowercase(), status.to_string());
        let mut known = self.validators.lock().unwrap_or_else(PoisonError::into_inner);
        let entry = known.entry(key.clone()).or_insert_with(|| {
            let schema = self.schema(&key.0, &key.1, &key.2)?;
            Some(Arc::new(jsonschema::draft202012::new(&schema).unwrap()))
        });
        entry.clone()
    }
}

/// What is wrong with a JSON answer of an operation; nothing for what the document does not describe.
#[must_use]
pub fn breach(method: &str, path: &str, status: u16, json: &Value) -> Option<String> {
    let contract = contract();
    let path = contract.path(path.split('?').next()?)?;
    let validator = contract.validator(path, method, status)?;
    let wrong: Vec<String> =
        validator.iter_errors(json).take(5).map(|error| format!("{}: {error}", error.instance_path())).collect();
    (!wrong.is_empty()).then(|| format!("{method} {path} {status}: {}", wrong.join("; ")))
}
