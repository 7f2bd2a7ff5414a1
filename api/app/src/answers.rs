//! What answers of all operations have in common, as the document says it: headers, and bodies that are no JSON.

use std::collections::{BTreeMap, BTreeSet};

use utoipa::openapi::header::{Header, HeaderBuilder};
use utoipa::openapi::path::{Operation, Parameter, ParameterBuilder, ParameterIn, PathItem};
use utoipa::openapi::schema::{Components, KnownFormat, Object, ObjectBuilder, Schema, SchemaFormat, SchemaType, Type};
use utoipa::openapi::{Ref, RefOr, Required, Response};

/// Headers of answers, by their name: what they say, and an example.
const HEADERS: [(&str, &str, &str); 11] = [
    (
        "X-Request-Id",
        "Id of the request, as in the service's log, in `instance` of a problem and in the audit event.",
        "019abcde-0000-7000-8000-000000000000",
    ),
    ("Location", "Path of what was recorded.", "/api/v1/determinations/019abcde-0000-7000-8000-000000000000"),
    (
        "ETag",
        "The present version, to be named in If-Match by a correction.",
        "\"019abcde-0000-7000-8000-000000000000\"",
    ),
    ("Audit-Receipt", "Signed promise of the events that the request made: `openapi/PROOF.md`.", "{…}"),
    ("Idempotency-Replayed", "`true` where the answer was given before, for the same key and request.", "true"),
    ("Retry-After", "Seconds to wait before the next try.", "2"),
    ("WWW-Authenticate", "How to say who one is.", "Bearer"),
    ("Allow", "Methods that the path takes.", "GET, HEAD"),
    ("X-Content-SHA256", "Digest over the content of an export, whatever its form.", "dc1bac26…"),
    ("X-Content-Rows", "Rows of an export.", "23"),
    ("X-Completeness", "Counts of an export as JSON: what was made, used and not used.", "{…}"),
];

fn text() -> Object {
    Object::with_type(Type::String)
}

/// Puts the headers into the document, where answers refer to them.
pub fn components(components: &mut Components) {
    for (name, description, example) in HEADERS {
        let header: Header = HeaderBuilder::new()
            .description(Some(description))
            .schema(Some(RefOr::T(Schema::Object(text()))))
            .example(Some(example.into()))
            .build();
        components.headers.insert(name.to_owned(), RefOr::T(header));
    }
}

/// Paths of things that are corrected by naming their version, and so answer with it.
pub fn things_with_versions(paths: &BTreeMap<String, PathItem>) -> BTreeSet<String> {
    let names_version = |operation: &Operation| {
        let parameters = operation.parameters.as_deref().unwrap_or_default();
        parameters.iter().any(|one| matches!(one, RefOr::T(Parameter { name, .. }) if name == "If-Match"))
    };
    let corrected = paths.iter().filter(|(_, item)| item.post.as_ref().is_some_and(names_version));
    corrected.filter_map(|(path, _)| Some(path.rsplit_once('/')?.0.to_owned())).collect()
}

/// Adds what follows from the kind of operation.
pub fn complete(operation: &mut Operation, method: &str, versioned: bool) {
    let guarded = operation.security.is_some();
    let exported = operation.tags.iter().flatten().any(|tag| tag == "exports");
    let records = method == "POST" && guarded && operation.responses.responses.contains_key("201");
    if records {
        operation.parameters.get_or_insert_default().push(RefOr::T(idempotency_key()));
    }
    for (status, response) in &mut operation.responses.responses {
        let RefOr::T(response) = response else { continue };
        no_json(response);
        let mut headers = vec!["X-Request-Id"];
        match status.as_str() {
            "201" if guarded => headers.extend(["Location", "Audit-Receipt", "Idempotency-Replayed"]),
            // Exports are on record, and so are sign-ins and their ends.
            "200" | "201" | "204" => headers.push("Audit-Receipt"),
            "401" => headers.push("WWW-Authenticate"),
            _ => headers.extend(["Retry-After", "Allow"]),
        }
        if status == "default" && !guarded {
            // A name or password that is wrong.
            headers.push("WWW-Authenticate");
        }
        if status == "200" && exported {
            headers.extend(["X-Content-SHA256", "X-Content-Rows", "X-Completeness"]);
        }
        if status == "200" && method == "GET" && versioned {
            headers.push("ETag");
        }
        for name in headers {
            let reference = Ref::new(format!("#/components/headers/{name}"));
            response.headers.entry(name.to_owned()).or_insert(RefOr::Ref(reference));
        }
    }
}

fn idempotency_key() -> Parameter {
    let schema =
        ObjectBuilder::new().schema_type(SchemaType::Type(Type::String)).min_length(Some(1)).max_length(Some(200));
    ParameterBuilder::new()
        .name("Idempotency-Key")
        .parameter_in(ParameterIn::Header)
        .required(Required::False)
        .description(Some(
            "A key of the client's own: the same request sent again with it is answered as the first time.",
        ))
        .schema(Some(RefOr::T(Schema::Object(schema.build()))))
        .build()
}

/// Documents, pictures and workbooks are bytes, not lists of numbers, and lines of JSON are text.
fn no_json(response: &mut Response) {
    for (kind, content) in &mut response.content {
        if kind.ends_with("json") && kind != "application/x-ndjson" {
            continue;
        }
        let RefOr::T(content) = content else { continue };
        match &content.schema {
            Some(RefOr::T(Schema::Array(_))) => {
                let mut bytes = text();
                bytes.format = Some(SchemaFormat::KnownFormat(KnownFormat::Binary));
                content.schema = Some(RefOr::T(Schema::Object(bytes)));
            }
            // The whole is no JSON value; its lines are.
            Some(RefOr::Ref(line)) => {
                let mut lines = text();
                let name = line.ref_location.rsplit('/').next().unwrap_or_default();
                lines.description = Some(format!("Lines of JSON, each a `{name}`."));
                content.schema = Some(RefOr::T(Schema::Object(lines)));
            }
            _ => {}
        }
    }
}
