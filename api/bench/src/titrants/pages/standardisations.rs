//! Pages of standardisations.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{DecideDiscordance, PrepareTitrants, ReadRecords, ReleaseTitrants};
use ferrotitre_base::auth::permissions::{Action, Deed};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_core::chemistry::{indicators_for, species};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward, words};
use ferrotitre_html::sheet::{Cell, Fact, Names, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::json;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use super::{concentration_facts, touched};
use crate::choices;
use crate::equipment::service as equipment;
use crate::instrument_readings::offers;
use crate::instrument_readings::shown::{self, Recorded};
use crate::instrument_readings::uses::Measured;
use crate::readings::CAUSES;
use crate::titrants::service as titrants;
use crate::titrants::standardisations::{self as service, Step};
use crate::titrants::wire::{
    NewStandardisation, NewStandardisationTitration, Rejection, StandardisationTitrationView, StandardisationView,
};

/// Lines of a list of standardisations.
pub fn rows(shell: &Shell, views: &[StandardisationView]) -> Vec<Vec<Cell>> {
    let row = |view: &StandardisationView| {
        let found = view.concentration.as_ref();
        vec![
            Cell::link(view.code.clone(), format!("/standardisations/{}", view.id)),
            Cell::state(view.state.clone()),
            Cell::text(show::time(view.observed_at)),
            Cell::text(view.against.clone()),
            Cell::number(found.map(|found| shell.n(show::figure(found.factor, 6))).unwrap_or_default()),
            Cell::text(view.missing.clone().unwrap_or_default()),
        ]
    };
    views.iter().map(row).collect()
}

/// Columns of [`rows`].
pub const COLUMNS: [&str; 6] = ["Standardisation", "State", "When", "Against", "Factor", "Lacks"];

/// The standardisations of a lot.
pub(super) async fn table(shell: &Shell, db: &Db, titrant: Uuid) -> Result<Table, Refusal> {
    let views = service::list(db, titrant).await?;
    Ok(Table { columns: COLUMNS.to_vec(), rows: rows(shell, &views), empty: "None.", ..Table::default() })
}

/// Begins a standardisation.
#[routes]
#[get("/titrants/{id}/standardisations/new")]
#[post("/titrants/{id}/standardisations/new")]
pub(super) async fn begin(
    who: Allowed<PrepareTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let lot = titrants::read(&db, *id).await?.titrant;
    let pieces = equipment::pieces(&db).await?;
    let of = |kinds: &[&str]| Kind::Thing(choices::of_kinds(&pieces, kinds));
    let indicators = indicators_for(&lot.species);
    let indicators = indicators.iter().map(|entry| Choice::thing(entry.code, entry.code, entry.change)).collect();
    let others = choices::titrants(&db, &[]).await?.into_iter().filter(|choice| choice.value != id.to_string());
    let back = format!("/titrants/{id}");
    let form = Form::new(format!("Standardise {}", lot.code), "Begin", back.as_str())
        .with([
            Field::new("code", "Code", Kind::Text),
            Field::new("primary_standard", "Primary standard", Kind::Thing(choices::standards(&db, false).await?))
                .optional()
                .part("Against a weighed standard"),
            Field::new("balance", "Balance", of(&["balance"])).optional(),
            Field::new("reference_titrant", "Lot", Kind::Thing(others.collect()))
                .optional()
                .part("Or against another titrant"),
            Field::new("pipette", "Pipette that delivers it", of(&["pipette"])).optional(),
            Field::new("burette", "Burette", of(&["burette", "piston burette"])).part("How"),
            Field::new("indicator", "Indicator", Kind::Choice(indicators)),
            Field::new("valid_days", "Factor valid for, days", Kind::Whole)
                .value(species(&lot.species).map_or(28, |entry| entry.proposed_days).to_string())
                .help(if lot.species == "iron(II)" { "Iron(II) is oxidised by air: a day." } else { "" }),
            Field::new("agreement_percent", "Replicates may differ by, % of their mean", Kind::Decimal)
                .optional()
                .help("Left empty: 0.3 %."),
            Field::new("correct_burette", "Apply burette corrections", Kind::YesNo).value("true"),
            Field::new("correct_temperature", "Bring volumes to 20 °C", Kind::YesNo).value("true"),
            Field::new("correct_buoyancy", "Correct masses for air buoyancy", Kind::YesNo).value("true"),
            Field::new("observed_at", "When", Kind::Time { now: true }).optional().help("Left empty: now."),
            Field::late_reason(),
        ])
        .cautions(lot.cautions)
        .help(
            "Replicate titrations that give the lot its factor.",
            "ISO/IEC 17025:2017 6.5; JCGM 100.",
            "At least three replicates; then it is submitted, and approved by a manager who had no hand in it.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewStandardisation| {
            let answer = service::record(&db, &act, *id, new).await?;
            Ok(onward(&answer, &format!("/standardisations/{}", field_of(&answer, "id"))))
        })
        .await
}

/// What a standardisation was made with and what it gave.
fn facts(shell: &Shell, view: &StandardisationView, lot: &Names, burette: &Names) -> Vec<Fact> {
    let number =
        |value: Option<f64>, digits| value.map(|value| shell.n(show::figure(value, digits))).unwrap_or_default();
    let name = |names: &Names, id: Uuid| names.get(&id).cloned().unwrap_or_default();
    vec![
        fact("Titrant lot", Cell::link(name(lot, view.titrant), format!("/titrants/{}", view.titrant))),
        fact("Against", Cell::text(view.against.clone())),
        fact("Burette", Cell::text(name(burette, view.burette))),
        fact("Indicator", Cell::text(view.indicator.clone())),
        fact("Shall hold", Cell::text(format!("{} days", view.valid_days))),
        fact("When", Cell::text(show::time(view.observed_at))),
        fact("Mean blank", Cell::text(format!("{} mL", number(view.blank_ml, 3)))),
        fact("s of the concentrations", Cell::text(format!("{} mol/L", number(view.sd, 3)))),
    ]
}

/// What can be done with it now.
fn offer<'a>(sheet: Sheet<'a>, shell: &Shell, view: &StandardisationView, path: &str) -> Sheet<'a> {
    let changes = matches!(view.state.as_str(), "draft" | "returned" | "amended") && shell.may(Action::PrepareTitrants);
    let titrates = changes && !view.amended;
    let complete = view.missing.is_none();
    let submitted = view.state == "submitted";
    let judges = submitted && shell.may(Action::ReleaseTitrants);
    let decides = submitted && view.discordant && !view.discordance_decided && shell.may(Action::DecideDiscordance);
    sheet
        .lead(view.missing.clone().unwrap_or_default())
        .way(titrates && !complete, "Titrate", format!("{path}/titrations/new"))
        .way(changes && complete, "Submit", format!("{path}/submission"))
        .way(titrates && complete, "Titrate", format!("{path}/titrations/new"))
        .way(decides, "Decide on the discordance", format!("{path}/discordance-decision"))
        .way(judges, "Approve", format!("{path}/approval"))
        .way(judges, "Return", format!("{path}/return"))
        .way(view.state == "approved" && shell.may(Action::ReleaseTitrants), "Amend", format!("{path}/amendment"))
}

/// A standardisation with its titrations and what they come to.
#[get("/standardisations/{id}")]
pub(super) async fn read_standardisation(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let lot = labels::of(&db, EntityKind::Titrant, &[view.titrant]).await?;
    let burette = labels::of(&db, EntityKind::Equipment, &[view.burette]).await?;
    let people: Vec<Uuid> = view.titrations.iter().map(|titration| titration.recorded_by.0).collect();
    let people = accounts::names(&db, &people).await?;
    let changes = matches!(view.state.as_str(), "draft" | "returned" | "amended");
    let prepares = shell.may(Action::PrepareTitrants);
    let instruments = instruments(&shell, &db, &view).await?;
    let titration_rows = view.titrations.iter().map(|titration| {
        let who = people.get(&titration.recorded_by.0).cloned().unwrap_or_default();
        titration_cells(&shell, *id, titration, changes && prepares, &who)
    });
    let titrations = Table {
        columns: vec!["No.", "Kind", "State", "Mass, g", "Readings, mL", "mol/L", "End point", "When, who", "", ""],
        rows: titration_rows.collect(),
        empty: "None yet.",
        ..Table::default()
    };
    let facts = facts(&shell, &view, &lot, &burette);
    let path = format!("/standardisations/{id}");
    let sheet = Sheet::new(&shell, "Standardisation", view.code.clone()).state(view.state.clone());
    let mut sheet = offer(sheet, &shell, &view, &path).section("about", "About", Part::Facts(facts));
    if !view.touched.is_empty() {
        sheet = sheet.section("since", "Since it was submitted", Part::Facts(touched(&view.touched)));
    }
    sheet = sheet.section("titrations", "Every titration made", Part::Table(titrations)).section_of(
        "instruments",
        "From instruments",
        instruments,
    );
    if let Some(found) = view.concentration {
        sheet = sheet
            .section("concentration", "What it comes to", Part::Facts(concentration_facts(&shell, &found)))
            .section("rules", "What the rules say", Part::Verdicts(found.verdicts))
            .section("working", "Working", Part::Working(found.working))
            .section("budget", "Uncertainty budget", Part::Budget(found.budget));
    }
    sheet
        .section("signatures", "Signatures", Part::Signatures(view.sign_offs))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "What a lot's factor rests on, replicate by replicate.",
            "ISO/IEC 17025:2017 6.5; JCGM 100.",
            "An approved standardisation puts its factor into force for the days named. Where something it rests on is corrected, a manager amends it.",
        )
        .show()
}

/// Readings of instruments behind the titrations of a standardisation.
async fn instruments(shell: &Shell, db: &Db, view: &StandardisationView) -> Result<Option<Part>, Refusal> {
    let (_, balance) = service::instruments(db, view.id).await?;
    let all = &view.titrations;
    let recorded = all.iter().map(|one| {
        let facts = &one.facts;
        let mut measured = Measured::burette(view.burette, &facts.initial_readings, &facts.final_readings);
        let mass = facts.mass_g.iter().zip(balance);
        measured.extend(mass.map(|(value, equipment)| Measured { field: "mass_g".to_owned(), equipment, value }));
        Recorded {
            row: one.version_id,
            record: one.id,
            name: format!("titration {}", one.position),
            newest: all.iter().all(|other| other.id != one.id || other.version <= one.version),
            measured,
        }
    });
    shown::part(shell, db, &recorded.collect::<Vec<_>>()).await
}

fn titration_cells(
    shell: &Shell,
    id: Uuid,
    titration: &StandardisationTitrationView,
    open: bool,
    who: &str,
) -> Vec<Cell> {
    let facts = &titration.facts;
    let readings = facts.initial_readings.iter().zip(&facts.final_readings);
    let readings = readings.map(|(first, last)| shell.n(format!("{first} to {last}"))).collect::<Vec<_>>().join("; ");
    let live = open && !matches!(titration.state.as_str(), "superseded" | "rejected");
    let way = |label: &str, to: &str| {
        let place = format!("/standardisations/{id}/titrations/{}/{to}", titration.id);
        if live { Cell::link(label, place) } else { Cell::default() }
    };
    vec![
        Cell::text(format!("{} v{}", titration.position, titration.version)),
        Cell::text(facts.kind.clone()),
        Cell::state(titration.state.clone()),
        Cell::number(facts.mass_g.as_ref().map(|mass| shell.n(mass)).unwrap_or_default()),
        Cell::number(readings),
        Cell::number(titration.concentration.map(|value| shell.n(show::figure(value, 7))).unwrap_or_default()),
        Cell::text(facts.end_point.clone()),
        Cell::text(format!("{}, {who}", show::time(facts.observed_at))),
        way("correct", "correction"),
        way("reject", "rejection"),
    ]
}

fn titration_fields() -> Vec<Field> {
    vec![
        Field::new("kind", "Kind", Kind::Choice(words(&["replicate", "blank"]))).value("replicate"),
        Field::new("mass_g", "Mass of standard as read, g", Kind::Decimal).optional(),
        Field::new("initial_readings[0]", "Initial reading, mL", Kind::Decimal).part("Burette readings"),
        Field::new("final_readings[0]", "Final reading, mL", Kind::Decimal),
        Field::new("solution_temperature", "Titrant temperature, °C", Kind::Decimal).optional(),
        Field::new("end_point", "End point as seen", Kind::Text),
        Field::new("observed_at", "When", Kind::Time { now: true }).optional().help("Left empty: now."),
        Field::late_reason(),
    ]
}

/// What instruments can fill in: its burette and its balance are settled.
async fn places(db: &Db, id: Uuid) -> Result<Vec<offers::Place>, Refusal> {
    let (burette, balance) = service::instruments(db, id).await?;
    let of = |place: &offers::Place, piece| offers::Place { of: offers::Of::One(piece), ..*place };
    let mass = balance.into_iter().flat_map(|balance| offers::MASS.iter().map(move |place| of(place, balance)));
    Ok(mass.chain(offers::BURETTE.iter().map(|place| of(place, burette))).collect())
}

/// Records a replicate or blank.
#[routes]
#[get("/standardisations/{id}/titrations/new")]
#[post("/standardisations/{id}/titrations/new")]
pub(super) async fn record_titration(
    who: Allowed<PrepareTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    mut sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let lot = titrants::read(&db, view.titrant).await?.titrant;
    let back = format!("/standardisations/{id}");
    let mut form = Form::new(format!("Titration of {}", view.code), "Save titration", back.as_str())
        .lead(view.missing.unwrap_or_default())
        .with(titration_fields())
        .cautions(lot.cautions)
        .help(
            "A replicate against the standard, or a blank.",
            "ISO/IEC 17025:2017 6.5; JCGM 100.",
            "When enough replicates agree, the standardisation can be submitted.",
        );
    offers::offer(&db, &mut form, &mut sent, &places(&db, *id).await?).await?;
    shell
        .take(&who, &sent, form, async |act, new: NewStandardisationTitration| {
            Ok(onward(&service::record_titration(&db, &act, *id, new).await?, &back))
        })
        .await
}

async fn present(db: &Db, id: Uuid, titration: Uuid) -> Result<StandardisationTitrationView, Refusal> {
    let all = service::read(db, id).await?.titrations;
    all.into_iter().rfind(|view| view.id == titration).ok_or_else(|| Refusal::not_found("titration", titration))
}

/// Corrects a titration of a standardisation.
#[routes]
#[get("/standardisations/{id}/titrations/{titration}/correction")]
#[post("/standardisations/{id}/titrations/{titration}/correction")]
pub(super) async fn correct_titration(
    who: Allowed<PrepareTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    path: web::Path<(Uuid, Uuid)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (id, titration) = path.into_inner();
    let view = present(&db, id, titration).await?;
    let form = Form::new(
        format!("Correct titration {}", view.position),
        "Record the correction",
        format!("/standardisations/{id}"),
    )
    .with(titration_fields());
    let present = (&json(&view.facts), view.version_id);
    shell
        .correct(
            &who,
            &sent,
            form,
            present,
            async |act, version, correction: Correction<NewStandardisationTitration>| {
                service::correct_titration(&db, &act, titration, version, correction).await
            },
        )
        .await
}

/// Rejects a titration of a standardisation.
#[routes]
#[get("/standardisations/{id}/titrations/{titration}/rejection")]
#[post("/standardisations/{id}/titrations/{titration}/rejection")]
pub(super) async fn reject_titration(
    who: Allowed<PrepareTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    path: web::Path<(Uuid, Uuid)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (id, titration) = path.into_inner();
    let view = present(&db, id, titration).await?;
    let back = format!("/standardisations/{id}");
    let form = Form::new(format!("Reject titration {}", view.position), "Reject", back.as_str())
        .lead("It stays on record and in the counts.")
        .with([
            Field::new("cause", "Cause", Kind::Choice(words(&CAUSES))),
            Field::new("reason", "Evidence", Kind::Long).help("What was seen, at least 5 characters."),
        ])
        .help(
            "A titration is left out only for a cause that can be named.",
            "ISO/IEC 17025:2017 7.7.",
            "The rule then asks for another replicate if one is needed.",
        );
    shell
        .take(&who, &sent, form, async |act, rejection: Rejection| {
            Ok(onward(&service::reject_titration(&db, &act, titration, rejection).await?, &back))
        })
        .await
}

async fn sign<D: Deed>(
    who: &Allowed<D>,
    shell: &Shell,
    (db, policy): (&Db, Policy),
    (id, step): (Uuid, Step),
    sent: &Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(db, id).await?;
    let (title, button, meaning) = match step {
        Step::Submit => ("Submit", "Sign and submit", "You sign: these are my observations."),
        Step::Approve => ("Approve", "Sign and approve", "You sign: fit for release. The factor comes into force."),
        Step::Return => ("Return", "Return it", "It goes back to its author, with your reason."),
        Step::Amend => (
            "Amend",
            "Open it for amendment",
            "It is read from the present certificates and calibrations again, and submitted and approved anew. Until then its factor stays; then the corrected one takes its place, from the same moment.",
        ),
    };
    let factor = view.concentration.as_ref().map(|found| shell.n(show::figure(found.factor, 6)));
    let stands = factor.map_or_else(|| view.missing.clone().unwrap_or_default(), |factor| format!("factor {factor}"));
    let back = format!("/standardisations/{id}");
    let form = Form::new(format!("{title} {}", view.code), button, back.as_str())
        .lead(format!("{}: {stands}. {meaning}", view.code))
        .signing(&view.content_digest, matches!(step, Step::Return | Step::Amend));
    shell
        .take(who, sent, form, async |act, signature: NewSignature| {
            Ok(onward(&service::sign(db, &act, who.user(), policy, id, step, signature).await?, &back))
        })
        .await
}

/// Submits, signed by the author.
#[routes]
#[get("/standardisations/{id}/submission")]
#[post("/standardisations/{id}/submission")]
pub(super) async fn submit(
    who: Allowed<PrepareTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    sign(&who, &shell, (&db, **policy), (*id, Step::Submit), &sent).await
}

/// Decides that the factor of replicates which disagree may be used.
#[routes]
#[get("/standardisations/{id}/discordance-decision")]
#[post("/standardisations/{id}/discordance-decision")]
pub(super) async fn decide(
    who: Allowed<DecideDiscordance>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let back = format!("/standardisations/{id}");
    let form = Form::new(format!("Decide on {}", view.code), "Sign the decision", back.as_str())
        .lead("The replicates disagree. You sign: no cause was found, and the factor may be used for the reason given. Otherwise return it.")
        .signing(&view.content_digest, true)
        .help(
            "Replicates that differ by more than they may give a factor whose uncertainty covers their scatter. Whether to use it is decided by somebody who had no hand in it.",
            "ISO/IEC 17025:2017 6.5 and 7.7.1.",
            "A manager approves it; decision, name and reason stay with the factor.",
        );
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            Ok(onward(&service::decide(&db, &act, who.user(), **policy, *id, signature).await?, &back))
        })
        .await
}

/// Approves, returns or amends.
#[routes]
#[get("/standardisations/{id}/{step:approval|return|amendment}")]
#[post("/standardisations/{id}/{step:approval|return|amendment}")]
pub(super) async fn judge(
    who: Allowed<ReleaseTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let step = match path.1.as_str() {
        "approval" => Step::Approve,
        "amendment" => Step::Amend,
        _ => Step::Return,
    };
    sign(&who, &shell, (&db, **policy), (path.0, step), &sent).await
}
