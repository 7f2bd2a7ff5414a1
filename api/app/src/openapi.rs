//! Assembles the OpenAPI document and serves it with an interactive page, no network needed.

use std::collections::{BTreeMap, HashMap};
use std::io::Read as _;

use actix_web::{App, HttpResponse, web};
use ferrotitre_base::auth::permissions::{Action, OPEN_OPERATIONS, Role};
use ferrotitre_base::refusal::FieldError;
use ferrotitre_base::web::mount::{Described, Mount};
use ferrotitre_base::web::problem::ProblemDocument;
use flate2::read::GzDecoder;
use serde::Deserialize;
use utoipa::openapi::path::{Operation, PathItem};
use utoipa::openapi::schema::{Object, SchemaType, Type};
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{Content, Ref, RefOr, ResponseBuilder, Schema};
use utoipa::{OpenApi, ToSchema};
use utoipa_swagger_ui::SwaggerUi;

use crate::answers;
use crate::deprecation::{self, Announced, LEAVING};
use crate::flat;
use crate::routes;

/// Frame of the document; paths and schemas are collected from the handlers.
#[derive(OpenApi)]
#[openapi(
    info(
        title = "ferrotitre",
        description = "Iron by redox titration: from burette readings to a proven result. Conventions: openapi/README.md."
    ),
    components(schemas(ProblemDocument, FieldError, ferrotitre_base::evaluations::FactView, ferrotitre_base::workings::WorkingGraph)),
    tags(
        (name = "sessions", description = "Signing in and out, own account"),
        (name = "accounts", description = "People, instruments, roles and competences"),
        (name = "equipment", description = "Measuring equipment, calibrations, checks"),
        (name = "standards", description = "Primary-standard and reagent lots"),
        (name = "titrants", description = "Titrant lots, preparations, standardisations, factors"),
        (name = "methods", description = "Titration chemistries and method versions"),
        (name = "samples", description = "Samples, test portions, dilution chains"),
        (name = "specifications", description = "Decision rules, specifications, what samples are judged by, risks"),
        (name = "runs", description = "Analytical runs and blanks"),
        (name = "determinations", description = "Determinations, titrations, iron results, signatures, concessions"),
        (name = "decisions", description = "What waits for a manager, and decisions on several things at once"),
        (name = "certificates", description = "Certificates of analysis: drafts, issues, amendments, withdrawals; the laboratory as they name it"),
        (name = "alerts", description = "What needs attention"),
        (name = "messages", description = "Alerts by e-mail and to programs: settings, choices, endpoints, what was sent and what waits"),
        (name = "control materials", description = "Lots of control material with their assigned values"),
        (name = "control charts", description = "Charts, phases with signed limits, control values, plans of quality control"),
        (name = "nonconformities", description = "What went wrong, what was done, and whether it helped"),
        (name = "impacts", description = "What touched signed results after their signature, and what was decided"),
        (name = "reading habits", description = "Last digits, identical titres, ranges inside the limit, and what titrations came to, by person"),
        (name = "proficiency rounds", description = "Rounds of proficiency tests and comparisons, their scores and history"),
        (name = "exports", description = "Records as files: workbooks with live formulas, tables with their counts and digests"),
        (name = "imports", description = "Files whose rows became records, kept as they came"),
        (name = "validation", description = "Validation studies: plans with frozen limits, data, answers, conclusions"),
        (name = "calculations", description = "Statistics, uncertainty, control charts and volumes by themselves; nothing is stored"),
        (name = "audit", description = "Audit events, tree heads, proofs"),
        (name = "operations", description = "Health, readiness, metrics")
    )
)]
struct Frame;

/// The committed document, which a test compares with the generated one: making it anew at every start would take more
/// memory than serving a laboratory does.
const COMMITTED: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/openapi.json.gz"));

/// The committed document.
#[must_use]
pub fn committed() -> Vec<u8> {
    let mut text = Vec::new();
    // What this build packed can be unpacked.
    let _ = GzDecoder::new(COMMITTED).read_to_end(&mut text);
    text
}

/// The document as served, and the methods of each path.
pub struct Document {
    allowed: HashMap<String, String>,
    /// What answers say of operations that will go.
    pub announced: Announced,
}

impl Document {
    /// Makes it of what is mounted.
    #[must_use]
    pub fn new() -> Self {
        #[derive(Deserialize)]
        struct Outline {
            paths: HashMap<String, BTreeMap<String, Named>>,
        }
        #[derive(Deserialize)]
        #[serde(rename_all = "camelCase")]
        struct Named {
            operation_id: String,
        }
        let outline = serde_json::from_slice(&committed()).unwrap_or(Outline { paths: HashMap::new() });
        let methods = |item: &BTreeMap<String, Named>| {
            // HEAD is answered wherever GET is.
            let all = item
                .keys()
                .flat_map(|method| if method == "get" { vec!["GET", "HEAD"] } else { vec![method.as_str()] });
            all.map(str::to_uppercase).collect::<Vec<_>>().join(", ")
        };
        let operations = outline.paths.iter().flat_map(|(path, item)| {
            item.iter().map(|(method, named)| (method.to_uppercase(), path.as_str(), named.operation_id.as_str()))
        });
        let announced = Announced::of(operations, LEAVING);
        Self { allowed: outline.paths.iter().map(|(path, item)| (path.clone(), methods(item))).collect(), announced }
    }

    /// Methods of a path pattern, as the header Allow lists them.
    #[must_use]
    pub fn allowed(&self, pattern: &str) -> Option<&str> {
        self.allowed.get(pattern).map(String::as_str)
    }
}

impl Default for Document {
    fn default() -> Self {
        Self::new()
    }
}

/// The document.
#[must_use]
pub fn document() -> utoipa::openapi::OpenApi {
    let mut described = Described::default();
    let _ = App::new().configure(|config| routes::routes(&mut Mount::new(config, &mut described)));
    let mut document = Frame::openapi();
    document.paths.merge(described.paths);
    document.info.version = env!("CARGO_PKG_VERSION").to_owned();
    let components = document.components.get_or_insert_default();
    components.schemas.extend(described.schemas);
    components.security_schemes.insert(
        "bearer".to_owned(),
        utoipa::openapi::RefOr::T(SecurityScheme::Http(
            HttpBuilder::new()
                .scheme(HttpAuthScheme::Bearer)
                .bearer_format("JWT")
                .description(Some("Access token from POST /api/v1/sessions, or a service token of an instrument."))
                .build(),
        )),
    );
    flat::flatten(&mut components.schemas);
    answers::components(components);
    let versioned = answers::things_with_versions(&document.paths.paths);
    for (path, item) in &mut document.paths.paths {
        for (method, operation) in methods(item) {
            complete(operation);
            answers::complete(operation, method, versioned.contains(path));
        }
    }
    deprecation::mark(&mut document.paths.paths, LEAVING);
    document
}

/// The operations of a path by their methods.
pub(crate) fn methods(item: &mut PathItem) -> impl Iterator<Item = (&'static str, &mut Operation)> {
    let all = [
        ("GET", &mut item.get),
        ("POST", &mut item.post),
        ("DELETE", &mut item.delete),
        ("PUT", &mut item.put),
        ("PATCH", &mut item.patch),
    ];
    all.into_iter().filter_map(|(method, operation)| Some((method, operation.as_mut()?)))
}

/// Fills in what follows from the permission table and what every operation can answer.
fn complete(operation: &mut Operation) {
    let id = operation.operation_id.clone().unwrap_or_default();
    let action = Action::ALL.iter().find(|action| action.operations().contains(&id.as_str()));
    let mut problems = vec![("default", "Any other problem, as a problem document")];
    if let Some(action) = action {
        let roles: Vec<&str> = action.roles().iter().copied().map(Role::text).collect();
        let note = format!("Needs the action `{}`: {}.", action.text(), roles.join(", "));
        operation.description =
            Some(operation.description.take().map_or_else(|| note.clone(), |text| format!("{text}\n\n{note}")));
        operation.security = Some(vec![SecurityRequirement::new("bearer", Vec::<String>::new())]);
        problems.push(("401", "Not signed in, or the token has expired"));
        problems.push(("403", "The roles do not include this"));
    } else {
        debug_assert!(OPEN_OPERATIONS.contains(&id.as_str()), "{id} is in no list of auth/permissions.rs");
    }
    for response in operation.responses.responses.values_mut() {
        if let RefOr::T(response) = response
            && let Some(RefOr::T(content)) = response.content.get_mut("application/json")
            && matches!(&content.schema, Some(RefOr::T(Schema::Object(body))) if body.schema_type == SchemaType::Type(Type::String))
        {
            // A file of JSON that is handed out: its form is described in prose, and it is no text in quotes.
            content.schema = Some(RefOr::T(Schema::Object(Object::with_type(Type::Object))));
        }
    }
    for (status, description) in problems {
        let reference = RefOr::Ref(Ref::from_schema_name(ProblemDocument::name()));
        let response = ResponseBuilder::new()
            .description(description)
            .content("application/problem+json", Content::new(Some(reference)))
            .build();
        operation.responses.responses.entry(status.to_owned()).or_insert(RefOr::T(response));
    }
}

/// The document as it ought to be committed: JSON, indented, a final newline.
#[must_use]
pub fn text() -> String {
    document().to_pretty_json().unwrap_or_default() + "\n"
}

/// Mounts the document and the page.
pub fn pages(config: &mut web::ServiceConfig) {
    config
        .route("/api/openapi.json", web::get().to(serve))
        .service(SwaggerUi::new("/api/docs/{_:.*}").config(utoipa_swagger_ui::Config::from("/api/openapi.json")));
}

async fn serve() -> HttpResponse {
    HttpResponse::Ok().content_type("application/json").body(committed())
}
