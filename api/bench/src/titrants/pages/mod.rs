//! Pages of titrant lots: list, preparation, release, factors.

mod preparations;
mod standardisations;

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{MoveTitrants, PrepareTitrants, ReadRecords, ReleaseTitrants};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::body::{Params, parse};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::chemistry::SPECIES;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward, words};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Fact, Part, Section, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::json;
use uuid::Uuid;

use crate::impacts::wire::TouchView;
use crate::instrument_readings::offers;
use crate::titrants::service;
use crate::titrants::wire::{ConcentrationView, FactorView, NewTitrant, PreparationView, TitrantDetail, TitrantView};

const KIND: EntityKind = EntityKind::Titrant;

pub use standardisations::{COLUMNS as STANDARDISATION_COLUMNS, rows as standardisation_rows};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_titrants)
        .service(record_titrant)
        .service(read_titrant)
        .service(preparations::prepare)
        .service(preparations::correct_preparation)
        .service(preparations::amend_preparation)
        .service(release_titrant)
        .service(move_titrant)
        .service(standardisations::begin)
        .service(standardisations::read_standardisation)
        .service(standardisations::record_titration)
        .service(standardisations::correct_titration)
        .service(standardisations::reject_titration)
        .service(standardisations::submit)
        .service(standardisations::decide)
        .service(standardisations::judge);
}

/// Lines of a list of lots.
pub fn rows(shell: &Shell, lots: &[TitrantView]) -> Vec<Vec<Cell>> {
    let row = |lot: &TitrantView| {
        let factor = lot.factor_now.as_ref();
        vec![
            Cell::link(lot.code.clone(), format!("/titrants/{}", lot.id)),
            Cell::state(lot.state.clone()),
            Cell::text(lot.species.clone()),
            Cell::number(format!("{} {}", shell.n(&lot.nominal_concentration), lot.concentration_unit)),
            Cell::number(
                factor.map(|f| shell.n(show::figure(f.factor.value(), 6))).unwrap_or_else(|| "none".to_owned()),
            ),
            Cell::text(
                factor.map(|f| format!("{}, {}", show::time(f.valid_to), show::until(f.valid_to))).unwrap_or_default(),
            ),
            Cell::text(format!("{}, {}", show::time(lot.expires_at), show::until(lot.expires_at))),
        ]
    };
    lots.iter().map(row).collect()
}

/// Columns of [`rows`].
pub const COLUMNS: [&str; 7] = ["Lot", "State", "Species", "Nominal", "Factor now", "Factor until", "Lot until"];

/// Lists titrant lots.
#[get("/titrants")]
pub(super) async fn list_titrants(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = service::list(&db, &query.0.listing()?).await?;
    let table = Table {
        columns: COLUMNS.to_vec(),
        rows: rows(&shell, &page.items),
        empty: "No lot yet.",
        next: query.0.next("/titrants", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Titrants", "Titrant lots")
        .way(shell.may(Action::PrepareTitrants), "New lot", "/titrants/new")
        .way(true, "Concessions", "/concessions")
        .section("list", "", Part::Table(table))
        .help(
            "Prepared solutions, each with the factor in force now. A titration takes the factor of its own time; nobody types one.",
            "ISO/IEC 17025:2017 6.4 and 6.5 (metrological traceability).",
            "Record a lot, then its preparation by mass or its standardisation; a manager releases it.",
        )
        .show()
}

fn fields() -> Vec<Field> {
    let species = SPECIES.iter().map(|entry| Choice::thing(entry.code, entry.code, entry.formula)).collect();
    vec![
        Field::new("code", "Lot code", Kind::Text),
        Field::new("species", "Species", Kind::Choice(species)),
        Field::new("nominal_concentration", "Nominal concentration", Kind::Decimal),
        Field::new("concentration_unit", "Unit", Kind::Choice(words(&["mol/L", "eq/L"])))
            .help("N/10 dichromate is 0.1 eq/L, 1/60 mol/L."),
        Field::new(
            "route",
            "How its concentration is known",
            Kind::Choice(words(&["direct preparation", "standardisation"])),
        ),
        Field::new("factor_low", "Lowest acceptable factor", Kind::Decimal).value("0.990"),
        Field::new("factor_high", "Highest acceptable factor", Kind::Decimal).value("1.010"),
        Field::new("storage", "Storage", Kind::Text).part("Keeping"),
        Field::new("container", "Container", Kind::Text),
        Field::new("expires_at", "End of use", Kind::Time { now: false }),
    ]
}

fn late_fields() -> [Field; 2] {
    [
        Field::new("observed_at", "Made up", Kind::Time { now: true }).optional().part("When").help("Left empty: now."),
        Field::late_reason(),
    ]
}

/// Records a lot.
#[routes]
#[get("/titrants/new")]
#[post("/titrants/new")]
pub(super) async fn record_titrant(
    who: Allowed<PrepareTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    mut sent: Sent,
) -> Result<HttpResponse, Problem> {
    let cautions: Vec<&str> = SPECIES.iter().map(|entry| entry.cautions).collect();
    let mut form = Form::new("New titrant lot", "Record the lot", "/titrants")
        .with(fields())
        .with(preparations::of_lot(&db).await?)
        .with(late_fields())
        .cautions(cautions.join(" "))
        .help(
            "A solution, and how it was prepared if its concentration follows from a mass.",
            "ISO/IEC 17025:2017 6.4; c = m P B / (M V20), ISO 4787 for the flask.",
            "A dichromate lot is prepared by mass, and a manager who did not prepare it releases it; all others are standardised.",
        );
    if !sent.posted() {
        preparations::propose(&mut form);
    }
    offers::offer(&db, &mut form, &mut sent, &preparations::MASS).await?;
    shell
        .take(&who, &sent, form, async |act, sent: serde_json::Value| {
            let new: NewTitrant = parse(preparations::sorted(sent).to_string().as_bytes())?;
            let direct = new.route == "direct preparation" && new.preparation.is_none();
            let answer = service::record(&db, &act, new).await?;
            let id = field_of(&answer, "id");
            let place = if direct { format!("/titrants/{id}/preparation") } else { format!("/titrants/{id}") };
            Ok(onward(&answer, &place))
        })
        .await
}

/// What a concentration comes to, as facts.
pub(super) fn concentration_facts(shell: &Shell, found: &ConcentrationView) -> Vec<Fact> {
    let number = |value: f64, digits| shell.n(show::figure(value, digits));
    vec![
        fact("Concentration at 20 °C", Cell::text(format!("{} mol/L", number(found.concentration, 7)))),
        fact("u", Cell::text(format!("{} mol/L", number(found.u, 3)))),
        fact("Equivalents", Cell::text(format!("{} eq/L", number(found.equivalents_per_litre, 7)))),
        fact("Factor", Cell::text(number(found.factor, 6))),
    ]
}

/// What a factor takes the place of, or what takes its.
fn place_of(factor: &FactorView) -> String {
    match (&factor.corrected_by, &factor.reason) {
        (Some(_), _) => "corrected: another takes its place".to_owned(),
        (None, Some(reason)) => format!("takes the place of the one before: {reason}"),
        (None, None) => String::new(),
    }
}

/// What touched what was signed.
pub(super) fn touched(since: &[TouchView]) -> Vec<Fact> {
    let line = |touch: &TouchView| {
        let words = match (&touch.decision, &touch.reason) {
            (Some(decision), Some(reason)) => format!("{} ({decision}: {reason})", touch.what),
            _ => touch.what.clone(),
        };
        fact(&show::time(touch.at), Cell::link(words, format!("/impacts/{}", touch.impact)))
    };
    since.iter().map(line).collect()
}

fn lot_facts(shell: &Shell, lot: &TitrantView) -> Vec<Fact> {
    let factor = lot.factor_now.as_ref().map_or_else(
        || "none".to_owned(),
        |factor| format!("{}, {}", shell.n(show::figure(factor.factor.value(), 6)), show::until(factor.valid_to)),
    );
    vec![
        fact("Species", Cell::text(lot.species.clone())),
        fact("Nominal", Cell::text(format!("{} {}", shell.n(&lot.nominal_concentration), lot.concentration_unit))),
        fact("Concentration is known by", Cell::text(lot.route.clone())),
        fact("Factor now", Cell::text(factor)),
        fact("Factor must lie within", Cell::text(shell.n(format!("{} to {}", lot.factor_low, lot.factor_high)))),
        fact("Made up", Cell::text(show::time(lot.observed_at))),
        fact("End of use", Cell::text(format!("{}, {}", show::time(lot.expires_at), show::until(lot.expires_at)))),
        fact("Storage", Cell::text(format!("{}; {}", lot.storage, lot.container))),
    ]
}

/// The ways on from a lot that was made, that has a factor, and whose preparation was amended.
fn offer<'a>(
    sheet: Sheet<'a>,
    shell: &Shell,
    lot: &TitrantView,
    (made, has_factor, amended): (bool, bool, bool),
) -> Sheet<'a> {
    let path = format!("/titrants/{}", lot.id);
    let (prepares, direct) = (shell.may(Action::PrepareTitrants), lot.route == "direct preparation");
    let fresh = lot.state == "prepared";
    let releases = shell.may(Action::ReleaseTitrants);
    let released = direct && has_factor;
    let roles = shell.user.as_ref().map_or(&[][..], |user| user.roles.as_slice());
    let goes_on = KIND.moves().iter().any(|step| step.from == lot.state && service::may_move(roles, step.to));
    sheet
        .way(direct && !made && prepares, "Record the preparation", format!("{path}/preparation"))
        .way(direct && made && fresh && releases, "Release", format!("{path}/release"))
        .way(amended && releases, "Release the corrected factor", format!("{path}/release"))
        .way(released && releases, "Amend the preparation", format!("{path}/preparation/amendment"))
        .way(!direct && prepares, "Standardise", format!("{path}/standardisations/new"))
        .way(direct && made && fresh && prepares, "Correct the preparation", format!("{path}/preparation/correction"))
        .way(shell.may(Action::MoveTitrants) && goes_on, "Move", format!("{path}/moves"))
        .way(true, "Where used", format!("/where-used/{}", lot.id))
        .way(true, "Label", format!("/labels/sheet?kind=titrants&id={}", lot.id))
}

/// A version before the newest, with what it came to.
fn earlier_preparation(shell: &Shell, view: &PreparationView, mut about: Vec<Fact>) -> Section {
    if let Some(found) = &view.evaluation {
        about.extend(concentration_facts(shell, found));
    }
    let title = format!("Preparation, version {}", view.preparation.version);
    Section::new(preparations::anchor(view), title, Part::Facts(about))
}

/// A lot with factors, preparations and standardisations.
#[get("/titrants/{id}")]
pub(super) async fn read_titrant(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let TitrantDetail { titrant: lot, preparations, sign_offs, moves, touched: since, amended, .. } =
        service::read(&db, *id).await?;
    let factors = service::factors(&db, *id).await?;
    let standardised = standardisations::table(&shell, &db, *id).await?;
    let views: Vec<_> = preparations.iter().map(|view| &view.preparation).collect();
    // Versions before the newest that gave a factor: it leads to what it came from.
    let gave = |view: &PreparationView| factors.iter().any(|of| of.preparation == Some(view.preparation.version_id));
    let earlier: Vec<&PreparationView> = preparations.iter().rev().skip(1).filter(|view| gave(view)).collect();
    let mut people: Vec<Uuid> = views.iter().map(|view| view.recorded_by.0).collect();
    people.extend(moves.iter().filter_map(|step| step.recorded_by).map(|by| by.0));
    let names = ferrotitre_ledger::accounts::service::names(&db, &people).await?;
    let factor_table = factor_table(&shell, &factors, &earlier);
    let path = format!("/titrants/{id}");
    let mut sheet = Sheet::new(&shell, "Titrant lot", lot.code.clone()).state(lot.state.clone());
    sheet = offer(sheet, &shell, &lot, (!preparations.is_empty(), !factors.is_empty(), amended))
        .cautions(lot.cautions)
        .section("about", "About", Part::Facts(lot_facts(&shell, &lot)))
        .section("factors", "Factors", Part::Table(factor_table))
        .section_way(!factors.is_empty(), "Drift", format!("{path}/drift"));
    if !since.is_empty() {
        sheet = sheet.section("since", "Since its release", Part::Facts(touched(&since)));
    }
    let used: Vec<Uuid> = preparations.iter().map(|view| view.preparation.facts.primary_standard.0).collect();
    let fields = preparations::fields_with(&db, &used).await?;
    let told = |view: &PreparationView| ferrotitre_html::sheet::facts(&fields, &json(&view.preparation.facts), &shell);
    let before: Vec<Section> = earlier.into_iter().map(|view| earlier_preparation(&shell, view, told(view))).collect();
    if let Some(view) = preparations.last() {
        let title = if amended { "Preparation as amended, to be released" } else { "Preparation by mass" };
        sheet = sheet.section("preparation", title, Part::Facts(told(view))).section_of(
            "instruments",
            "From instruments",
            preparations::instruments(&shell, &db, &preparations).await?,
        );
    }
    if let Some(found) = preparations.into_iter().next_back().and_then(|view| view.evaluation) {
        sheet = sheet
            .section("concentration", "What it comes to", Part::Facts(concentration_facts(&shell, &found)))
            .section("rules", "What the rules say", Part::Verdicts(found.verdicts))
            .section("working", "Working", Part::Working(found.working))
            .section("budget", "Uncertainty budget", Part::Budget(found.budget));
    }
    sheet
        .with(before)
        .section("standardisations", "Standardisations", Part::Table(standardised))
        .section("signatures", "Signatures", Part::Signatures(sign_offs))
        .section("history", "History", Part::Moves(moves, names))
        .section_way(shell.may(Action::ExportRecords), "As bundle to be checked", format!("/api/v1{path}/bundle"))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "A lot with everything its concentration rests on.",
            "ISO/IEC 17025:2017 6.5; JCGM 100.",
            "A lot is released by a manager who did not prepare it; its first titration puts it in use.",
        )
        .show()
}

/// Factors of a lot, each with what it came from.
fn factor_table(shell: &Shell, factors: &[FactorView], earlier: &[&PreparationView]) -> Table {
    let factor_rows = factors.iter().map(|factor| {
        let from = match factor.standardisation {
            Some(id) => Cell::link("standardisation", format!("/standardisations/{id}")),
            None => {
                let earlier = earlier.iter().find(|view| Some(view.preparation.version_id) == factor.preparation);
                Cell::link(
                    "preparation",
                    earlier.map_or_else(|| "#preparation".to_owned(), |of| format!("#{}", preparations::anchor(of))),
                )
            }
        };
        vec![
            Cell::number(shell.n(show::figure(factor.factor.value(), 6))),
            Cell::number(shell.n(show::figure(factor.concentration.value(), 7))),
            Cell::number(shell.n(show::figure(factor.standard_uncertainty.value(), 2))),
            Cell::text(show::time(factor.valid_from)),
            Cell::text(show::time(factor.valid_to)),
            from,
            Cell::text(place_of(factor)),
            Cell::link("where used", format!("/where-used/{}", factor.id)),
            Cell::link("what if", format!("/what-if?factor={}", factor.id)),
        ]
    });
    Table {
        columns: vec!["Factor", "mol/L at 20 °C", "u, mol/L", "From", "Until", "By", "Correction", "", ""],
        rows: factor_rows.collect(),
        empty: "No factor yet: nothing can be titrated with this lot.",
        ..Table::default()
    }
}

/// Releases a directly prepared lot.
#[routes]
#[get("/titrants/{id}/release")]
#[post("/titrants/{id}/release")]
pub(super) async fn release_titrant(
    who: Allowed<ReleaseTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let detail = service::read(&db, *id).await?;
    let found = detail.preparations.last().and_then(|view| view.evaluation.as_ref());
    let factor = found.map(|found| shell.n(show::figure(found.factor, 6))).unwrap_or_default();
    let back = format!("/titrants/{id}");
    let comes = if detail.amended {
        "It takes the place of the factor in force, from the same moment; what was signed stays."
    } else {
        "Its factor comes into force from the preparation on."
    };
    let form = Form::new(format!("Release {}", detail.titrant.code), "Sign and release", back.as_str())
        .lead(format!("Factor {factor}. You sign: fit for release. {comes}"))
        .with([Field::new("password", "Your own password, again", Kind::Password)])
        .hide("content_digest", &detail.content_digest)
        .help(
            "A manager answers for the factor with which everything of this lot is computed.",
            "ISO/IEC 17025:2017 6.4 and 6.5.",
            "Its first titration puts the lot in use.",
        );
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            Ok(onward(&service::release(&db, &act, who.user(), **policy, *id, signature).await?, &back))
        })
        .await
}

/// Moves a lot to another state.
#[routes]
#[get("/titrants/{id}/moves")]
#[post("/titrants/{id}/moves")]
pub(super) async fn move_titrant(
    who: Allowed<MoveTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let lot = service::read(&db, *id).await?.titrant;
    let back = format!("/titrants/{id}");
    let form = Form::move_form(KIND, &lot.state, format!("Move {}", lot.code), &back)
        .only("to", |to| service::may_move(&who.user().roles, to));
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&service::advance(&db, &act, who.user(), *id, asked).await?, &back))
        })
        .await
}
