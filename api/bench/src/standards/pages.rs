//! Pages of what stands on the shelf: lots of primary standards and reagents.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, ReceiveLots, ReleaseLots};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, History, VersionView};
use ferrotitre_core::chemistry::PRIMARY_STANDARDS;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, facts};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::{self, json, moves_on};
use serde::Serialize;
use uuid::Uuid;

use crate::certificate_files::{pages as certificate_files, service};
use crate::standards::primary::{self, PrimaryStandardFacts};
use crate::standards::reagents::{self, ReagentFacts};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_stock)
        .service(list_reagents)
        .service(record_standard)
        .service(read_standard)
        .service(correct_standard)
        .service(move_standard)
        .service(record_reagent)
        .service(read_reagent)
        .service(correct_reagent)
        .service(move_reagent);
}

pub(crate) fn standard_fields() -> Vec<Field> {
    let substances =
        PRIMARY_STANDARDS.iter().map(|entry| Choice::thing(entry.code, entry.code, entry.formula)).collect();
    vec![
        Field::new("code", "Lot code", Kind::Text),
        Field::new("substance", "Substance", Kind::Choice(substances)),
        Field::new("supplier", "Supplier", Kind::Text),
        Field::new("supplier_lot", "Supplier's lot", Kind::Text),
        Field::new("certificate", "Certificate number", Kind::Text).part("Certificate"),
        Field::new("certificate_digest", "SHA-256 of the certificate's file", Kind::Text).optional(),
        Field::new("mass_fraction", "Certified mass fraction", Kind::Decimal),
        Field::new("expanded_uncertainty", "Expanded uncertainty", Kind::Decimal),
        Field::new("coverage_factor", "Coverage factor k", Kind::Decimal),
        Field::new("basis", "What it expresses", Kind::Text).help("For instance oxidising capacity."),
        Field::new("density", "Density, g/cm³", Kind::Decimal).optional().help("The substance's own if left empty."),
        Field::new("drying", "Drying", Kind::Text).optional().part("Keeping"),
        Field::new("received_g", "Amount received, g", Kind::Decimal).optional(),
        Field::new("opened_on", "Opened", Kind::Day).optional(),
        Field::new("expires_on", "Last day of use", Kind::Day),
    ]
}

pub(crate) fn reagent_fields() -> Vec<Field> {
    vec![
        Field::new("code", "Lot code", Kind::Text),
        Field::new("substance", "Substance", Kind::Text),
        Field::new("concentration", "Concentration, in words and units", Kind::Text),
        Field::new("supplier_lot", "Supplier's lot, if bought", Kind::Text).optional(),
        Field::new("prepared_on", "Prepared or received", Kind::Day),
        Field::new("expires_on", "Last day of use", Kind::Day),
        Field::new("hazard_class", "Hazard classes from the supplier's safety data sheet", Kind::Text).part("Hazards"),
        Field::new("sds_reference", "Where the safety data sheet is kept", Kind::Text),
        Field::new("waste_stream", "Waste stream by the laboratory's own plan", Kind::Text),
    ]
}

const SHELF: &str = "Hazards are what the supplier's safety data sheet says. Local codes, the safety officer and licensed practice decide about storage and disposal.";

/// Lists lots of primary standards.
#[get("/stock")]
pub(super) async fn list_stock(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = primary::list(&db, &query.0.listing()?).await?;
    let rows = page.items.into_iter().map(|view| {
        vec![
            Cell::link(view.facts.code, format!("/stock/standards/{}", view.id)),
            Cell::state(view.state),
            Cell::text(view.facts.substance),
            Cell::number(shell.n(format!("{} ± {}", view.facts.mass_fraction, view.facts.expanded_uncertainty))),
            Cell::text(format!("{}, {}", show::day(view.facts.expires_on), show::until_day(view.facts.expires_on))),
        ]
    });
    let table = Table {
        columns: vec!["Lot", "State", "Substance", "Mass fraction", "Last day"],
        rows: rows.collect(),
        empty: "No lot yet.",
        next: query.0.next("/stock", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Stock", "Primary standards")
        .way(shell.may(Action::ReceiveLots), "Receive a lot", "/stock/standards/new")
        .way(shell.may(Action::ReceiveLots), "Import a list", "/stock/standards/import")
        .way(true, "Reagents", "/stock/reagents")
        .way(true, "Control materials", "/control-materials")
        .way(true, "Labels", "/labels?kind=standards")
        .section("list", "", Part::Table(table))
        .help(
            "Lots with a certified mass fraction, from which titrants get their concentration.",
            "ISO/IEC 17025:2017 6.5; ISO 17034 (reference material producers).",
            "A manager releases a lot after its certificate was checked.",
        )
        .show()
}

/// Lists reagent lots.
#[get("/stock/reagents")]
pub(super) async fn list_reagents(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = reagents::list(&db, &query.0.listing()?).await?;
    let rows = page.items.into_iter().map(|view| {
        vec![
            Cell::link(view.facts.code, format!("/stock/reagents/{}", view.id)),
            Cell::state(view.state),
            Cell::text(view.facts.substance),
            Cell::text(view.facts.concentration),
            Cell::text(view.facts.waste_stream),
            Cell::text(format!("{}, {}", show::day(view.facts.expires_on), show::until_day(view.facts.expires_on))),
        ]
    });
    let table = Table {
        columns: vec!["Lot", "State", "Substance", "Concentration", "Waste stream", "Last day"],
        rows: rows.collect(),
        empty: "No lot yet.",
        next: query.0.next("/stock/reagents", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Stock", "Reagents")
        .way(shell.may(Action::ReceiveLots), "Record a lot", "/stock/reagents/new")
        .way(shell.may(Action::ReceiveLots), "Import a list", "/stock/reagents/import")
        .way(true, "Primary standards", "/stock")
        .way(true, "Labels", "/labels?kind=reagents")
        .cautions(SHELF)
        .section("list", "", Part::Table(table))
        .help(
            "Lots of acids, reductants and indicators.",
            "ISO/IEC 17025:2017 6.6.",
            "A manager releases a lot; it leaves use on its last day.",
        )
        .show()
}

/// A lot of either kind; one with a certificate may have its file.
fn lot<F: Serialize>(
    shell: &Shell,
    (kind, noun, path): (EntityKind, &'static str, String),
    (code, fields): (String, Vec<Field>),
    history: History<F>,
    names: ferrotitre_html::sheet::Names,
    (present, file): ((String, serde_json::Value), String),
) -> Result<HttpResponse, Problem> {
    let (state, told) = present;
    let id = path.rsplit('/').next().unwrap_or_default().to_owned();
    Sheet::new(shell, noun, code)
        .state(state.clone())
        .way(shell.may(Action::ReleaseLots) && moves_on(kind, &state), "Move", format!("{path}/moves"))
        .way(shell.may(Action::ReceiveLots), "Correct", format!("{path}/correction"))
        .way(kind == EntityKind::PrimaryStandard, "Where used", format!("/where-used/{id}"))
        .way(!file.is_empty(), "The certificate", format!("/api/v1/certificate-files/{file}"))
        .way(
            true,
            "Label",
            format!(
                "/labels/sheet?kind={}&id={id}",
                if path.contains("/reagents/") { "reagents" } else { "standards" }
            ),
        )
        .cautions(SHELF)
        .section("about", "About", Part::Facts(facts(&fields, &told, shell)))
        .section("versions", "Versions", versioned::versions(shell, &fields, &history.versions, &names))
        .section("history", "History", Part::Moves(history.moves, names))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "A lot as received, with every correction.",
            "ISO/IEC 17025:2017 6.5 and 6.6.",
            "Only released lots are taken at the bench.",
        )
        .show()
}

fn newest<F>(history: &History<F>, id: Uuid) -> Result<&VersionView<F>, Refusal> {
    history.versions.last().ok_or_else(|| Refusal::not_found("lot", id))
}

/// Receives a lot of a primary standard.
#[routes]
#[get("/stock/standards/new")]
#[post("/stock/standards/new")]
pub(super) async fn record_standard(
    who: Allowed<ReceiveLots>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let mut form =
        Form::new("Receive a primary standard", "Record", "/stock").with(standard_fields()).cautions(SHELF).help(
            "A lot with its certificate, as received.",
            "ISO/IEC 17025:2017 6.5 and 6.6.",
            "A manager releases it after checking the certificate.",
        );
    let after = form.fields.iter().position(|field| field.name == "certificate").map_or(0, |at| at + 1);
    form.fields.insert(after, certificate_files::field());
    shell
        .take(&who, &sent, form, async |act, facts: PrimaryStandardFacts| {
            let answer = primary::record_with(&db, &act, facts, certificate_files::of(&sent)).await?;
            Ok(onward(&answer, &format!("/stock/standards/{}", field_of(&answer, "id"))))
        })
        .await
}

/// A lot of a primary standard.
#[get("/stock/standards/{id}")]
pub(super) async fn read_standard(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let history = primary::read(&db, *id).await?.resource;
    let names = versioned::names(&db, &history.versions, &history.moves).await?;
    let view = newest(&history, *id)?;
    let (code, present) = (view.facts.code.clone(), (view.state.clone(), json(&view.facts)));
    let about = (EntityKind::PrimaryStandard, "Primary standard", format!("/stock/standards/{id}"));
    let digest = view.facts.certificate_digest.clone().unwrap_or_default();
    let known = service::known(&db, &[&digest]).await?;
    let file = if known.contains(&digest) { digest } else { String::new() };
    lot(&shell, about, (code, standard_fields()), history, names, (present, file))
}

/// Corrects a lot of a primary standard.
#[routes]
#[get("/stock/standards/{id}/correction")]
#[post("/stock/standards/{id}/correction")]
pub(super) async fn correct_standard(
    who: Allowed<ReceiveLots>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let history = primary::read(&db, *id).await?.resource;
    let view = newest(&history, *id)?;
    let form =
        Form::new(format!("Correct {}", view.facts.code), "Record the correction", format!("/stock/standards/{id}"))
            .with(standard_fields());
    let present = (&json(&view.facts), view.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<PrimaryStandardFacts>| {
            primary::correct(&db, &act, *id, version, correction).await
        })
        .await
}

/// Moves a lot of a primary standard.
#[routes]
#[get("/stock/standards/{id}/moves")]
#[post("/stock/standards/{id}/moves")]
pub(super) async fn move_standard(
    who: Allowed<ReleaseLots>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let history = primary::read(&db, *id).await?.resource;
    let view = newest(&history, *id)?;
    let back = format!("/stock/standards/{id}");
    let form = Form::move_form(EntityKind::PrimaryStandard, &view.state, format!("Move {}", view.facts.code), &back);
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&primary::advance(&db, &act, *id, asked).await?, &back))
        })
        .await
}

/// Records a reagent lot.
#[routes]
#[get("/stock/reagents/new")]
#[post("/stock/reagents/new")]
pub(super) async fn record_reagent(
    who: Allowed<ReceiveLots>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form =
        Form::new("Record a reagent lot", "Record", "/stock/reagents").with(reagent_fields()).cautions(SHELF).help(
            "A lot with what its safety data sheet says.",
            "ISO/IEC 17025:2017 6.6.",
            "A manager releases it for use.",
        );
    shell
        .take(&who, &sent, form, async |act, facts: ReagentFacts| {
            let answer = reagents::record(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/stock/reagents/{}", field_of(&answer, "id"))))
        })
        .await
}

/// A reagent lot.
#[get("/stock/reagents/{id}")]
pub(super) async fn read_reagent(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let history = reagents::read(&db, *id).await?.resource;
    let names = versioned::names(&db, &history.versions, &history.moves).await?;
    let view = newest(&history, *id)?;
    let (code, present) = (view.facts.code.clone(), (view.state.clone(), json(&view.facts)));
    let about = (EntityKind::Reagent, "Reagent", format!("/stock/reagents/{id}"));
    lot(&shell, about, (code, reagent_fields()), history, names, (present, String::new()))
}

/// Corrects a reagent lot.
#[routes]
#[get("/stock/reagents/{id}/correction")]
#[post("/stock/reagents/{id}/correction")]
pub(super) async fn correct_reagent(
    who: Allowed<ReceiveLots>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let history = reagents::read(&db, *id).await?.resource;
    let view = newest(&history, *id)?;
    let form =
        Form::new(format!("Correct {}", view.facts.code), "Record the correction", format!("/stock/reagents/{id}"))
            .with(reagent_fields());
    let present = (&json(&view.facts), view.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<ReagentFacts>| {
            reagents::correct(&db, &act, *id, version, correction).await
        })
        .await
}

/// Moves a reagent lot.
#[routes]
#[get("/stock/reagents/{id}/moves")]
#[post("/stock/reagents/{id}/moves")]
pub(super) async fn move_reagent(
    who: Allowed<ReleaseLots>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let history = reagents::read(&db, *id).await?.resource;
    let view = newest(&history, *id)?;
    let back = format!("/stock/reagents/{id}");
    let form = Form::move_form(EntityKind::Reagent, &view.state, format!("Move {}", view.facts.code), &back);
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&reagents::advance(&db, &act, *id, asked).await?, &back))
        })
        .await
}
