//! Plans of quality control: what every run of a method version needs.

use std::collections::HashMap;

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{DefineCharts, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_bench::choices;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::{self, json};
use uuid::Uuid;

use crate::control_charts::taking::{self as service, PlannedChart, QcPlanFacts};

/// Charts that the form takes.
const LINES: usize = 8;

fn fields(methods: Vec<Choice>, charts: &[Choice]) -> Vec<Field> {
    let mut fields = vec![
        Field::new("method", "Method version", Kind::Thing(methods)),
        Field::new("blanks", "Blanks, at least", Kind::Whole).value(1),
        Field::new("duplicates", "Samples in duplicate, at least", Kind::Whole).value(0),
    ];
    for line in 0..LINES {
        let chart = Field::new(&format!("charts[{line}].chart"), "Chart", Kind::Thing(charts.to_vec())).optional();
        fields.push(if line == 0 {
            chart.part("Charts").help("With 0 values: filled when there is something to fill it with.")
        } else {
            chart
        });
        fields.push(Field::new(&format!("charts[{line}].values"), "Values of a run, at least", Kind::Whole).optional());
    }
    fields
}

async fn known(db: &Db, facts: Option<&QcPlanFacts>) -> Result<Vec<Field>, Refusal> {
    let mut methods = choices::methods(db).await?;
    if let Some(id) = facts.map(|facts| facts.method.0).filter(|id| !methods.iter().any(|m| m.value == id.to_string()))
    {
        let code = labels::of(db, EntityKind::Method, &[id]).await?.remove(&id).unwrap_or_default();
        methods.push(Choice::thing(id, &code, "not in force"));
    }
    let charts = super::choices(db).await?;
    Ok(fields(methods, &charts))
}

async fn chart_codes(db: &Db, facts: &QcPlanFacts) -> Result<HashMap<Uuid, String>, Refusal> {
    let ids: Vec<Uuid> = facts.charts.0.iter().map(|planned| planned.chart).collect();
    labels::of(db, EntityKind::ControlChart, &ids).await
}

fn told(facts: &QcPlanFacts, codes: &HashMap<Uuid, String>) -> String {
    let one = |planned: &PlannedChart| {
        format!("{} x {}", planned.values, codes.get(&planned.chart).map_or("", String::as_str))
    };
    facts.charts.0.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// Lists plans.
#[get("/qc-plans")]
pub(super) async fn list_plans(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = service::list(&db, &query.0.listing()?).await?;
    let methods: Vec<Uuid> = page.items.iter().map(|plan| plan.facts.method.0).collect();
    let methods = labels::of(&db, EntityKind::Method, &methods).await?;
    let mut rows = Vec::new();
    for plan in page.items {
        let method = methods.get(&plan.facts.method.0).cloned().unwrap_or_default();
        let codes = chart_codes(&db, &plan.facts).await?;
        rows.push(vec![
            Cell::link(format!("plan of {method}"), format!("/qc-plans/{}", plan.id)),
            Cell::text(told(&plan.facts, &codes)),
            Cell::number(plan.facts.blanks.to_string()),
            Cell::number(plan.facts.duplicates.to_string()),
            Cell::text(show::time(plan.recorded_at)),
        ]);
    }
    let table = Table {
        columns: vec!["Plan", "Values on charts", "Blanks", "Duplicates", "Recorded"],
        rows,
        empty: "No plan yet: no client's result is approved without a concession.",
        next: query.0.next("/qc-plans", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Plans of quality control", "Plans of quality control")
        .way(shell.may(Action::DefineCharts), "Make a plan", "/qc-plans/new")
        .way(true, "Charts", "/charts")
        .section("list", "", Part::Table(table))
        .help(HELP.0, HELP.1, HELP.2)
        .show()
}

const HELP: (&str, &str, &str) = (
    "What every run of a method version needs: values on charts, blanks, duplicates.",
    "ISO/IEC 17025:2017 7.7.1 (a plan for monitoring the validity of results).",
    "A run goes by the version of the plan in force when it was opened, and says what it lacks.",
);

/// Makes a plan.
#[routes]
#[get("/qc-plans/new")]
#[post("/qc-plans/new")]
pub(super) async fn record_plan(
    who: Allowed<DefineCharts>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("Make a plan of quality control", "Record", "/qc-plans")
        .with(known(&db, None).await?)
        .help(HELP.0, HELP.1, HELP.2);
    shell
        .take(&who, &sent, form, async |act, facts: QcPlanFacts| {
            let answer = service::record(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/qc-plans/{}", field_of(&answer, "id"))))
        })
        .await
}

async fn present(db: &Db, id: Uuid) -> Result<VersionView<QcPlanFacts>, Refusal> {
    let history = service::read(db, id).await?.resource;
    history.versions.into_iter().next_back().ok_or_else(|| Refusal::not_found("plan of quality control", id))
}

/// A plan.
#[get("/qc-plans/{id}")]
pub(super) async fn read_plan(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let history = service::read(&db, *id).await?.resource;
    let view = history.versions.last().ok_or_else(|| Refusal::not_found("plan of quality control", *id))?;
    let names = versioned::names(&db, &history.versions, &[]).await?;
    let codes = chart_codes(&db, &view.facts).await?;
    let method = view.facts.method.0;
    let method = labels::of(&db, EntityKind::Method, &[method]).await?.remove(&method).unwrap_or_default();
    let facts = vec![
        fact("Method version", Cell::text(method.clone())),
        fact("Blanks, at least", Cell::text(view.facts.blanks.to_string())),
        fact("Samples in duplicate, at least", Cell::text(view.facts.duplicates.to_string())),
    ];
    let rows = view.facts.charts.0.iter().map(|planned| {
        let code = codes.get(&planned.chart).cloned().unwrap_or_default();
        vec![Cell::link(code, format!("/charts/{}", planned.chart)), Cell::number(planned.values.to_string())]
    });
    let charts = Table {
        columns: vec!["Chart", "Values of a run, at least"],
        rows: rows.collect(),
        empty: "None.",
        ..Table::default()
    };
    let fields = known(&db, Some(&view.facts)).await?;
    Sheet::new(&shell, "Plan of quality control", format!("Plan of {method}"))
        .way(shell.may(Action::DefineCharts), "Correct", format!("/qc-plans/{id}/correction"))
        .section("about", "Every run needs", Part::Facts(facts))
        .section("charts", "Values on charts", Part::Table(charts))
        .section("versions", "Versions", versioned::versions(&shell, &fields, &history.versions, &names))
        .help(HELP.0, HELP.1, HELP.2)
        .show()
}

/// Corrects a plan.
#[routes]
#[get("/qc-plans/{id}/correction")]
#[post("/qc-plans/{id}/correction")]
pub(super) async fn correct_plan(
    who: Allowed<DefineCharts>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = present(&db, *id).await?;
    let form = Form::new("Correct the plan", "Record the correction", format!("/qc-plans/{id}"))
        .lead("Runs that are open keep the version they were opened under.")
        .with(known(&db, Some(&view.facts)).await?);
    let present = (&json(&view.facts), view.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<QcPlanFacts>| {
            service::correct(&db, &act, *id, version, correction).await
        })
        .await
}
