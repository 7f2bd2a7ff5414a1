//! The OpenAPI document and its page.

use std::io::Read as _;
use std::path::PathBuf;

use ferrotitre_base::auth::permissions::OPEN_OPERATIONS;
use ferrotitre_tests::TestApp;
use ferrotitre_tests::client::Answer;
use serde_json::Value;

fn document() -> Value {
    serde_json::from_str(&ferrotitre_api::openapi::text()).unwrap()
}

/// Method, path and operation of everything the API can do.
fn operations(document: &Value) -> Vec<(String, &Value)> {
    let mut found = Vec::new();
    for (path, item) in document["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            found.push((format!("{method} {path}"), operation));
        }
    }
    found
}

#[test]
fn the_committed_document_is_the_one_the_program_prints() {
    let path: PathBuf = [env!("CARGO_MANIFEST_DIR"), "..", "openapi", "openapi.json"].iter().collect();
    if std::env::var_os("FERROTITRE_REGENERATE").is_some() {
        std::fs::write(&path, ferrotitre_api::openapi::text()).unwrap();
    }
    let committed = std::fs::read_to_string(path).unwrap();
    assert!(
        committed == ferrotitre_api::openapi::text(),
        "run: FERROTITRE_REGENERATE=1 cargo test --package ferrotitre-tests openapi::"
    );
}

#[test]
fn every_operation_is_described_tagged_and_guarded() {
    let document = document();
    let tags: Vec<&str> = document["tags"].as_array().unwrap().iter().filter_map(|tag| tag["name"].as_str()).collect();
    for (name, operation) in operations(&document) {
        let id = operation["operationId"].as_str().unwrap();
        let open = OPEN_OPERATIONS.contains(&id);
        let given = |field: &str| operation[field].as_str().is_some_and(|text| !text.trim().is_empty());
        assert!(given("summary"), "{name} has no summary");
        assert!(open || given("description"), "{name} has no description");
        let used = operation["tags"].as_array().unwrap();
        assert!(used.len() == 1 && used.iter().all(|tag| tags.contains(&tag.as_str().unwrap())), "{name}: {used:?}");
        let answers = operation["responses"].as_object().unwrap();
        assert!(answers.keys().any(|status| status.starts_with('2')), "{name} has no answer of success");
        for (status, answer) in answers {
            assert!(answer["description"].as_str().is_some_and(|text| !text.is_empty()), "{name} {status}");
            let problem = !status.starts_with('2');
            let kinds = answer["content"].as_object().map(|kinds| kinds.keys().cloned().collect::<Vec<_>>());
            let as_problem = kinds.is_some_and(|kinds| kinds == ["application/problem+json"]);
            assert!(!problem || as_problem || id == "ready", "{name} {status} is not a problem document");
        }
        let guarded =
            operation["security"].as_array().is_some_and(|list| list.iter().any(|one| one["bearer"].is_array()));
        assert!(guarded != open, "{name}: guarded {guarded}, open {open}");
        for parameter in operation["parameters"].as_array().into_iter().flatten() {
            let described = parameter["description"].as_str().is_some_and(|text| !text.trim().is_empty());
            assert!(described, "{name}: parameter {} has no description", parameter["name"]);
        }
    }
}

/// Generators of clients stop at a parameter of the path that the path does not have, at pairs written as `items: false`, and at
/// documents described as lists of numbers.
#[test]
fn generators_of_clients_can_read_it() {
    let document = document();
    for (path, item) in document["paths"].as_object().unwrap() {
        let mut named: Vec<&str> = path.split('{').skip(1).filter_map(|part| part.split('}').next()).collect();
        named.sort_unstable();
        for (method, operation) in item.as_object().unwrap() {
            let parameters = operation["parameters"].as_array().into_iter().flatten();
            let of_path = parameters.filter(|one| one["in"] == "path");
            let mut found: Vec<&str> = of_path.filter_map(|one| one["name"].as_str()).collect();
            found.sort_unstable();
            assert_eq!(found, named, "{method} {path}");
            for (status, answer) in operation["responses"].as_object().unwrap() {
                for (kind, content) in answer["content"].as_object().into_iter().flatten() {
                    let text = kind.ends_with("json") && kind != "application/x-ndjson";
                    assert!(text || content["schema"]["type"] == "string", "{method} {path} {status} {kind}");
                }
                assert!(answer["headers"]["X-Request-Id"].is_object(), "{method} {path} {status}");
            }
        }
    }
    assert!(!document.to_string().contains("\"items\":false"));
}

/// Walks a schema and collects the paths of properties without a description of their own or of what they refer to.
fn undescribed(document: &Value, path: &str, schema: &Value, found: &mut Vec<String>) {
    for (name, property) in schema["properties"].as_object().into_iter().flatten() {
        let here = format!("{path}.{name}");
        if !described(document, property) {
            found.push(here.clone());
        }
        undescribed(document, &here, property, found);
    }
    for list in ["allOf", "oneOf", "anyOf"] {
        for part in schema[list].as_array().into_iter().flatten() {
            undescribed(document, path, part, found);
        }
    }
    if schema["items"].is_object() {
        undescribed(document, path, &schema["items"], found);
    }
}

fn described(document: &Value, schema: &Value) -> bool {
    let own = schema["description"].as_str().is_some_and(|text| !text.trim().is_empty());
    let referred = schema["$ref"].as_str().is_some_and(|reference| {
        let pointer = reference.trim_start_matches('#');
        document.pointer(pointer).is_some_and(|schema| described(document, schema))
    });
    let parts = ["allOf", "oneOf", "anyOf"].iter().flat_map(|list| schema[*list].as_array().into_iter().flatten());
    own || referred || parts.into_iter().any(|part| described(document, part))
}

#[test]
fn every_property_of_every_schema_is_described() {
    let document = document();
    let mut found = Vec::new();
    for (name, schema) in document["components"]["schemas"].as_object().unwrap() {
        undescribed(&document, name, schema, &mut found);
    }
    assert_eq!(found, Vec::<String>::new());
}

#[test]
fn every_reference_leads_somewhere() {
    fn walk(document: &Value, value: &Value) {
        match value {
            Value::Object(fields) => {
                if let Some(reference) = fields.get("$ref").and_then(Value::as_str) {
                    assert!(document.pointer(reference.trim_start_matches('#')).is_some(), "{reference}");
                }
                fields.values().for_each(|inner| walk(document, inner));
            }
            Value::Array(items) => items.iter().for_each(|inner| walk(document, inner)),
            _ => {}
        }
    }
    let document = document();
    walk(&document, &document);
}

/// Names that types have in the document: two of one name would be one schema there, and one of them wrong.
#[test]
fn every_schema_has_a_name_of_its_own() {
    let mut found = Vec::new();
    for (_, path) in ferrotitre_tests::sources::service() {
        let text = std::fs::read_to_string(&path).unwrap();
        let derived = text
            .split("#[derive(")
            .skip(1)
            .filter(|part| part.split_once(")]").is_some_and(|(traits, _)| traits.contains("ToSchema")));
        for part in derived {
            let head = part.get(..600).unwrap_or(part);
            let renamed = head.split_once("schema(as = ").filter(|(before, _)| !before.contains("pub "));
            let name = match renamed {
                Some((_, rest)) => rest.split(')').next(),
                None => ["pub struct ", "pub enum ", "pub(crate) struct "]
                    .iter()
                    .filter_map(|word| head.split_once(word))
                    .min_by_key(|(before, _)| before.len())
                    .and_then(|(_, rest)| rest.split(|c: char| !c.is_alphanumeric()).next())
                    // A name that a macro gives is not known here.
                    .filter(|name| !name.is_empty()),
            };
            found.extend(name.map(str::to_owned));
        }
    }
    assert!(found.len() > 100, "{}", found.len());
    found.sort();
    let twice: Vec<&String> = found.windows(2).filter(|pair| pair[0] == pair[1]).map(|pair| &pair[0]).collect();
    assert_eq!(twice, Vec::<&String>::new());
}

/// Addresses other than our own in a text, apart from names of XML vocabularies, which nothing fetches.
fn outside(text: &str) -> Vec<&str> {
    let mut found = Vec::new();
    for scheme in ["src=\"", "href=\"", "url(", "@import"] {
        for (at, _) in text.match_indices(scheme) {
            let target = text[at + scheme.len()..].trim_start_matches(['"', '\'', ' ']);
            if ["http:", "https:", "//"].iter().any(|start| target.starts_with(start)) {
                found.push(target.get(..60.min(target.len())).unwrap_or(target));
            }
        }
    }
    found
}

/// Text of an answer; files of the page come compressed, as every browser takes them.
fn unpacked(answer: &Answer) -> String {
    if answer.headers.get("content-encoding").is_none_or(|coding| coding != "gzip") {
        return answer.text.clone();
    }
    let mut text = String::new();
    flate2::read::GzDecoder::new(&answer.bytes[..]).read_to_string(&mut text).unwrap();
    text
}

#[tokio::test(flavor = "multi_thread")]
async fn document_and_page_are_served_without_anything_from_outside() {
    let app = TestApp::start().await;
    let served = app.nobody.get("/api/openapi.json").await;
    assert_eq!((served.status, served.json), (200, document()));
    let page = app.nobody.get("/api/docs/").await;
    assert_eq!(page.status, 200, "{}", page.text);
    let text = unpacked(&page);
    assert!(text.contains("<html"), "{text}");
    assert_eq!(outside(&text), Vec::<&str>::new());
    let mut parts = Vec::new();
    for attribute in ["src=\"", "href=\""] {
        for (at, _) in text.match_indices(attribute) {
            let target = text[at + attribute.len()..].split('"').next().unwrap();
            parts.push(target.trim_start_matches("./").to_owned());
        }
    }
    assert!(parts.iter().any(|part| part.ends_with(".js")), "{parts:?}");
    let mut initialiser = String::new();
    for part in parts.iter().filter(|part| !part.starts_with("data:")) {
        let answer = app.nobody.get(&format!("/api/docs/{part}")).await;
        assert_eq!(answer.status, 200, "{part}");
        if part.ends_with(".css") {
            assert_eq!(outside(&unpacked(&answer)), Vec::<&str>::new(), "{part}");
        }
        if part.contains("initializer") {
            initialiser = unpacked(&answer);
        }
    }
    assert!(initialiser.contains("/api/openapi.json"), "the page shows our document: {initialiser}");
}
