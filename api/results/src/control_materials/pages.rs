//! Pages of control material lots.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, ReceiveLots, ReleaseLots};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_bench::samples::samples;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::form::{first_page, words};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, facts};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::{self, json, moves_on};
use uuid::Uuid;

use crate::control_materials::service;
use crate::control_materials::store::{ControlMaterialFacts, KIND};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_materials)
        .service(record_material)
        .service(read_material)
        .service(correct_material)
        .service(move_material);
}

async fn fields(db: &Db) -> Result<Vec<Field>, Refusal> {
    let samples = samples::list(db, &first_page()).await?.items.into_iter();
    let samples =
        samples.map(|sample| Choice::thing(sample.id, &sample.facts.code, sample.facts.description)).collect();
    let kinds = vec![
        Choice::thing("CRM", "CRM", "certified reference material"),
        Choice::thing("RM", "RM", "reference material"),
        Choice::thing("in-house", "in-house", "value from a signed study"),
        Choice::thing("spiked", "spiked", "value is what was added"),
    ];
    Ok(vec![
        Field::new("code", "Lot code on the label", Kind::Text),
        Field::new("kind", "Kind", Kind::Choice(kinds)),
        Field::new("description", "What it is", Kind::Text),
        Field::new("matrix", "Matrix", Kind::Text),
        Field::new("supplier_lot", "Supplier's lot, if bought", Kind::Text).optional(),
        Field::new("assigned_value", "Assigned value", Kind::Decimal)
            .optional()
            .part("Assigned value")
            .help("May come later; without it the lot is not released."),
        Field::new("standard_uncertainty", "Its standard uncertainty", Kind::Decimal).optional(),
        Field::new("unit", "Unit", Kind::Choice(words(&["mol/L", "g/L", "mg/L", "% m/m", "mol/kg"]))),
        Field::new("certificate", "Certificate or signed study it comes from", Kind::Text).optional(),
        Field::new("certificate_digest", "SHA-256 of its file", Kind::Text).optional(),
        Field::new("homogeneity", "Evidence of homogeneity", Kind::Text).optional().part("Fit for use"),
        Field::new("stability", "Evidence of stability", Kind::Text).optional(),
        Field::new("sample", "Registered as the sample", Kind::Thing(samples))
            .optional()
            .help("Portions of that sample are titrated as controls."),
        Field::new("expires_on", "Last day of use", Kind::Day),
    ])
}

const HELP: (&str, &str, &str) = (
    "Material with an assigned value, titrated like a sample in every run.",
    "ISO/IEC 17025:2017 6.5 and 7.7.1; ISO 33405 (in-house reference materials).",
    "A manager releases a lot once it has its assigned value; a withdrawn one opens a nonconformity.",
);

/// Lists lots.
#[get("/control-materials")]
pub(super) async fn list_materials(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = service::list(&db, &query.0.listing()?).await?;
    let rows = page.items.into_iter().map(|view| {
        let facts = view.facts;
        let assigned = match (&facts.assigned_value, &facts.standard_uncertainty) {
            (Some(value), Some(u)) => shell.n(format!("{value} {}, u {u}", facts.unit)),
            _ => "none yet".to_owned(),
        };
        vec![
            Cell::link(facts.code, format!("/control-materials/{}", view.id)),
            Cell::state(view.state),
            Cell::text(facts.kind),
            Cell::text(facts.description),
            Cell::number(assigned),
            Cell::text(format!("{}, {}", show::day(facts.expires_on), show::until_day(facts.expires_on))),
        ]
    });
    let table = Table {
        columns: vec!["Lot", "State", "Kind", "What", "Assigned value", "Last day"],
        rows: rows.collect(),
        empty: "No lot yet.",
        next: query.0.next("/control-materials", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Stock", "Control materials")
        .way(shell.may(Action::ReceiveLots), "Record a lot", "/control-materials/new")
        .way(true, "Charts", "/charts")
        .way(true, "Labels", "/labels?kind=control-materials")
        .section("list", "", Part::Table(table))
        .help(HELP.0, HELP.1, HELP.2)
        .show()
}

/// Records a lot.
#[routes]
#[get("/control-materials/new")]
#[post("/control-materials/new")]
pub(super) async fn record_material(
    who: Allowed<ReceiveLots>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("Record a control material", "Record", "/control-materials")
        .with(fields(&db).await?)
        .help(HELP.0, HELP.1, HELP.2);
    shell
        .take(&who, &sent, form, async |act, facts: ControlMaterialFacts| {
            let answer = service::record(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/control-materials/{}", field_of(&answer, "id"))))
        })
        .await
}

async fn present(db: &Db, id: Uuid) -> Result<VersionView<ControlMaterialFacts>, Refusal> {
    let history = service::read(db, id).await?.resource;
    history.versions.into_iter().next_back().ok_or_else(|| Refusal::not_found("control material", id))
}

/// A lot.
#[get("/control-materials/{id}")]
pub(super) async fn read_material(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let history = service::read(&db, *id).await?.resource;
    let view = history.versions.last().ok_or_else(|| Refusal::not_found("control material", *id))?;
    let names = versioned::names(&db, &history.versions, &history.moves).await?;
    let fields = fields(&db).await?;
    let path = format!("/control-materials/{id}");
    let last = view.facts.expires_on;
    Sheet::new(&shell, "Control material", view.facts.code.clone())
        .state(view.state.clone())
        .lead(format!("{}. To be used until {}, {}.", view.facts.description, show::day(last), show::until_day(last)))
        .way(shell.may(Action::ReleaseLots) && moves_on(KIND, &view.state), "Move", format!("{path}/moves"))
        .way(shell.may(Action::ReceiveLots), "Correct", format!("{path}/correction"))
        .way(shell.may(Action::DefineCharts), "Begin a control with it", format!("/charts/begin?material={id}"))
        .way(true, "Charts", "/charts")
        .way(true, "Label", format!("/labels/sheet?kind=control-materials&id={id}"))
        .section("about", "About", Part::Facts(facts(&fields, &json(&view.facts), &shell)))
        .section("versions", "Versions", versioned::versions(&shell, &fields, &history.versions, &names))
        .section("history", "History", Part::Moves(history.moves, names))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(HELP.0, HELP.1, HELP.2)
        .show()
}

/// Corrects a lot.
#[routes]
#[get("/control-materials/{id}/correction")]
#[post("/control-materials/{id}/correction")]
pub(super) async fn correct_material(
    who: Allowed<ReceiveLots>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = present(&db, *id).await?;
    let form =
        Form::new(format!("Correct {}", view.facts.code), "Record the correction", format!("/control-materials/{id}"))
            .lead("Limits that were made from an earlier assigned value stay as they were signed.")
            .with(fields(&db).await?);
    let present = (&json(&view.facts), view.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<ControlMaterialFacts>| {
            service::correct(&db, &act, *id, version, correction).await
        })
        .await
}

/// Moves a lot.
#[routes]
#[get("/control-materials/{id}/moves")]
#[post("/control-materials/{id}/moves")]
pub(super) async fn move_material(
    who: Allowed<ReleaseLots>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = present(&db, *id).await?;
    let back = format!("/control-materials/{id}");
    let form = Form::move_form(KIND, &view.state, format!("Move {}", view.facts.code), &back);
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&service::advance(&db, &act, *id, asked).await?, &back))
        })
        .await
}
