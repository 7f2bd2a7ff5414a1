//! Pages of calculations: what can be calculated, and each subject with its input, its figures and its working.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::Calculate;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Form, Kind, Sent};
use ferrotitre_html::sheet::{Cell, Part, Section, Sheet, Table};
use ferrotitre_html::shell::Shell;
use serde::Deserialize;
use serde_json::Value;

use crate::command::json_of;
use crate::service;
use crate::subject::{Subject, page};
use crate::table::SUBJECTS;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(list_calculations).service(calculate);
}

/// Lists what can be calculated.
#[get("/calculations")]
pub(super) async fn list_calculations(_who: Allowed<Calculate>, shell: Shell) -> Result<HttpResponse, Problem> {
    let row = |subject: &Subject| {
        vec![
            Cell::link(subject.name, format!("/calculations/one?subject={}", subject.name)),
            Cell::text(subject.summary),
            Cell::text(subject.source),
        ]
    };
    let table = Table {
        columns: vec!["Calculation", "What it is for", "Where it comes from"],
        rows: SUBJECTS.iter().map(row).collect(),
        ..Table::default()
    };
    Sheet::new(&shell, "Calculations", "Calculations")
        .lead("With numbers of your own; nothing is read from records and nothing is stored.")
        .section("list", "", Part::Table(table))
        .help(
            "Everything the service computes, one by one, with its method and its source.",
            "The source is named beside each; ISO/IEC 17025:2017 7.11.2 (validation of what computes).",
            "Open one, put in your numbers, read figures and working. The command ferrotitre calc does the same.",
        )
        .show()
}

/// Which subject.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct Which {
    #[serde(default)]
    subject: String,
}

/// An input as it is sent.
#[derive(Debug, Deserialize)]
struct Entered {
    input: String,
    #[serde(default)]
    settings: String,
}

/// A calculation.
#[routes]
#[get("/calculations/one")]
#[post("/calculations/one")]
pub(super) async fn calculate(
    who: Allowed<Calculate>,
    shell: Shell,
    query: Params<Which>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let subject = service::subject(&query.0.subject)?;
    let example = serde_json::to_string_pretty(&subject.example_value()).unwrap_or_default();
    let form = Form::new(subject.name, "Calculate", "/calculations")
        .lead(format!("{}. {}.", capital(subject.summary), capital(subject.method)))
        .with([
            Field::new("input", "Input: JSON, or a table as CSV", Kind::Long)
                .value(example)
                .help(format!("A table: {}.", subject.table.explained())),
            Field::new("settings", "Beside a table: other fields, one NAME=VALUE a line", Kind::Long).optional(),
        ])
        .help(
            "One calculation with numbers of your own. Figures have full precision; nothing is rounded.",
            subject.source,
            "What is wrong with an input is named by its field. Nothing is stored.",
        );
    let fields = Section::new("fields", "Fields of the input", Part::Table(fields(subject)));
    if !sent.posted() {
        return shell.answer_with(&who, &sent, form, vec![fields], async |_: Entered| Ok(Vec::new())).await;
    }
    shell
        .answer_with(&who, &sent, form, vec![fields], async |entered: Entered| {
            let answer = answer(subject, &entered).await;
            answer.map_err(|refusal| (refusal, Vec::new()))
        })
        .await
}

async fn answer(subject: &Subject, entered: &Entered) -> Result<Vec<Section>, Refusal> {
    let lines = entered.settings.lines().map(str::trim).filter(|line| !line.is_empty());
    let pair = |line: &str| match line.split_once('=') {
        Some((name, value)) => Ok((name.trim().to_owned(), value.trim().to_owned())),
        None => Err(Refusal::invalid("settings", "pair", "must be NAME=VALUE", line)),
    };
    let settings = lines.map(pair).collect::<Result<Vec<_>, Refusal>>()?;
    let input = json_of(entered.input.as_bytes(), subject, &settings)?;
    let text = page(&service::calculate(subject.name, input).await?)?;
    Ok(vec![Section::new("result", "Result", Part::Lines(text.lines().map(str::to_owned).collect()))])
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// Fields of an input, from its schema.
fn fields(subject: &Subject) -> Table {
    let schema = subject.input_schema();
    let required: Vec<&str> =
        schema["required"].as_array().map(|all| all.iter().filter_map(Value::as_str).collect()).unwrap_or_default();
    let rows = schema["properties"].as_object().into_iter().flatten().map(|(name, field)| {
        let default = match &field["default"] {
            Value::Null => String::new(),
            other => format!("left out: {other}"),
        };
        let needed = if required.contains(&name.as_str()) { "needed".to_owned() } else { default };
        vec![
            Cell::text(name.clone()),
            Cell::text(field["description"].as_str().unwrap_or_default()),
            Cell::text(kind(field)),
            Cell::text(needed),
        ]
    });
    Table { columns: vec!["Field", "Meaning", "Kind", ""], rows: rows.collect(), empty: "None.", ..Table::default() }
}

fn kind(field: &Value) -> String {
    match &field["type"] {
        Value::String(kind) => kind.clone(),
        Value::Array(kinds) => {
            kinds.iter().filter_map(Value::as_str).filter(|kind| *kind != "null").collect::<Vec<_>>().join(" or ")
        }
        _ => "see the example".to_owned(),
    }
}
