//! Pages of the blanks of a run.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ConductRuns;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_bench::choices;
use ferrotitre_bench::instrument_readings::offers;
use ferrotitre_bench::instrument_readings::shown::{self, Recorded};
use ferrotitre_bench::instrument_readings::uses::Measured;
use ferrotitre_bench::methods::service as methods;
use ferrotitre_bench::methods::store::MethodFacts;
use ferrotitre_bench::readings::CAUSES;
use ferrotitre_core::chemistry::{chemistry, indicator};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, onward, words};
use ferrotitre_html::sheet::{Cell, Names, Part, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::json;
use uuid::Uuid;

use crate::runs::blanks::{self, BlankView, Judgement, NewBlank};
use crate::runs::next::{self, Next};
use crate::runs::service;

/// What blanks refer to, by name.
struct Named<'a> {
    titrants: Names,
    pipettes: Names,
    people: &'a Names,
}

/// The blanks of a run.
pub(super) async fn table(
    shell: &Shell,
    db: &Db,
    blanks: &[BlankView],
    open: bool,
    people: &Names,
) -> Result<Table, Refusal> {
    let titrants = blanks.iter().flat_map(|blank| [Some(blank.facts.titrant), blank.facts.added_titrant]).flatten();
    let titrants = labels::of(db, EntityKind::Titrant, &titrants.collect::<Vec<Uuid>>()).await?;
    let pipettes: Vec<Uuid> = blanks.iter().filter_map(|blank| blank.facts.added_pipette).collect();
    let pipettes = labels::of(db, EntityKind::Equipment, &pipettes).await?;
    let named = Named { titrants, pipettes, people };
    let columns =
        vec!["Kind", "State", "Readings, mL", "What was added", "End point", "Titrant", "When, who", "Reason", "", ""];
    let rows = blanks.iter().map(|blank| blank_cells(shell, blank, open, &named)).collect();
    Ok(Table { columns, rows, empty: "No blank yet.", ..Table::default() })
}

/// Readings of instruments behind the blanks of a run, for its page.
pub(super) async fn instruments(shell: &Shell, db: &Db, blanks: &[BlankView]) -> Result<Option<Part>, Refusal> {
    let newest = |one: &BlankView| blanks.iter().all(|other| other.id != one.id || other.version <= one.version);
    let recorded = blanks.iter().map(|one| Recorded {
        row: one.version_id,
        record: one.id,
        name: format!("blank of {}", show::time(one.facts.observed_at)),
        newest: newest(one),
        measured: Measured::burette(one.facts.burette, &one.facts.initial_readings, &one.facts.final_readings),
    });
    shown::part(shell, db, &recorded.collect::<Vec<_>>()).await
}

/// What was added to a blank: a solution by a pipette, or an equivalent of titrant.
fn added(shell: &Shell, blank: &BlankView, named: &Named<'_>) -> String {
    let facts = &blank.facts;
    if let (Some(lot), Some(pipette)) = (&facts.added_titrant, &facts.added_pipette) {
        let of = |names: &Names, id: &Uuid| names.get(id).cloned().unwrap_or_default();
        return format!("{} by {}", of(&named.titrants, lot), of(&named.pipettes, pipette));
    }
    facts.iron_equivalent_ml.as_ref().map(|volume| format!("{} mL", shell.n(volume))).unwrap_or_default()
}

/// A blank as a line of its run.
fn blank_cells(shell: &Shell, blank: &BlankView, open: bool, named: &Named<'_>) -> Vec<Cell> {
    let facts = &blank.facts;
    let readings = facts.initial_readings.iter().zip(&facts.final_readings);
    let readings = readings.map(|(first, last)| shell.n(format!("{first} to {last}"))).collect::<Vec<_>>().join("; ");
    let live = open && blank.state != "superseded" && blank.state != "rejected";
    let way = |label: &str, to: &str, holds: bool| {
        if holds { Cell::link(label, format!("/runs/{}/blanks/{}/{to}", blank.run, blank.id)) } else { Cell::default() }
    };
    vec![
        Cell::text(facts.kind.clone()),
        Cell::state(blank.state.clone()),
        Cell::number(readings),
        Cell::text(added(shell, blank, named)),
        Cell::text(facts.end_point.clone()),
        Cell::text(named.titrants.get(&facts.titrant).cloned().unwrap_or_default()),
        Cell::text(format!(
            "{}, {}",
            show::time(facts.observed_at),
            named.people.get(&blank.recorded_by.0).cloned().unwrap_or_default()
        )),
        Cell::text(blank.reason.clone().unwrap_or_default()),
        way("correct", "correction", live),
        way("judge", "judgement", live),
    ]
}

/// Fields of a blank.
async fn blank_fields(db: &Db, method: &MethodFacts) -> Result<Vec<Field>, Refusal> {
    let species: Vec<&str> = chemistry(&method.chemistry).iter().map(|entry| entry.titrant).collect();
    let entry = indicator(&method.indicator);
    let excess_of = chemistry(&method.chemistry).map_or(&[][..], |entry| entry.excess_of);
    let back = !excess_of.is_empty();
    let added = if back { excess_of } else { &["iron(II)"][..] };
    let needs_iron = !back && entry.is_some_and(|entry| entry.needs_iron);
    let mut kinds = vec![Choice::word("reagent"), Choice::word("indicator")];
    if !back {
        let with_iron = "reagent with iron(II)";
        kinds.insert(0, Choice::thing(with_iron, with_iron, "a known addition is subtracted"));
    }
    let note = if needs_iron { "This indicator turns only where iron is present." } else { "" };
    let kind = Field::new("kind", "Kind", Kind::Choice(kinds)).help(note);
    let kind = if needs_iron { kind.value("reagent with iron(II)") } else { kind };
    let mut fields = vec![kind];
    let solution = Kind::Thing(choices::titrants(db, added).await?);
    if back {
        // Iron(II) is in the burette: an equivalent of it would be refused.
        let solution = Field::new("added_titrant", "Oxidant, as with the samples", solution).optional();
        fields.push(solution.part("What was added").help("Needed for a reagent blank."));
    } else {
        let equivalent = Field::new("iron_equivalent_ml", "Iron(II) added, as titrant volume, mL", Kind::Decimal);
        let equivalent = equivalent.optional().part("What was added");
        fields.push(equivalent.help("With iron(II) this is needed, or the solution and its pipette."));
        fields.push(Field::new("iron_equivalent_u_ml", "Its standard uncertainty, mL", Kind::Decimal).optional());
        let solution = Field::new("added_titrant", "Or the solution a pipette added", solution).optional();
        fields.push(solution.help("A lot of iron(II)."));
    }
    fields.extend([
        Field::new("added_pipette", "Pipette that added it", Kind::Thing(choices::equipment(db, &["pipette"]).await?))
            .optional(),
        Field::new("titrant", "Titrant lot", Kind::Thing(choices::titrants(db, &species).await?)),
        Field::new("burette", "Burette", Kind::Thing(choices::equipment(db, &["burette", "piston burette"]).await?)),
        Field::new("solution_temperature", "Titrant temperature, °C", Kind::Decimal).optional(),
        Field::new("initial_readings[0]", "Initial reading, mL", Kind::Decimal).part("Burette readings"),
        Field::new("final_readings[0]", "Final reading, mL", Kind::Decimal),
        Field::new("end_point", "End point as seen", Kind::Choice(choices::end_points(&method.indicator)))
            .part("End point"),
        Field::new("indicator_drops", "Drops of indicator", Kind::Whole).optional().help("As many as in the samples."),
        Field::new("concession", "Concession", Kind::Text)
            .optional()
            .help("Only for an expired or overdue item: the concession's id."),
        Field::new("observed_at", "When", Kind::Time { now: true }).optional().help("Left empty: now."),
        Field::late_reason(),
    ]);
    Ok(fields)
}

/// Field of the page alone: whether the blank is accepted with its entry.
const COUNTS: &str = "_counts";

/// What was added to the newest blank before, and with what it was titrated; of readings and of what was seen nothing.
async fn as_before(db: &Db, form: &mut Form, run: &str) -> Result<(), Refusal> {
    let newest = Listing { limit: Some(10), ..Listing::default() };
    for other in service::list(db, &newest).await?.items {
        let Some(last) = blanks::list(db, other.id).await?.into_iter().next_back() else { continue };
        let facts = last.facts;
        let kind = form.fields.iter().find(|field| field.name == "kind").map(|field| field.value.clone());
        if kind != Some(facts.kind.clone()) {
            continue;
        }
        let values = [
            ("iron_equivalent_ml", facts.iron_equivalent_ml.map(|volume| volume.to_string())),
            ("iron_equivalent_u_ml", facts.iron_equivalent_u_ml.map(|u| u.to_string())),
            ("added_titrant", facts.added_titrant.map(|id| id.to_string())),
            ("added_pipette", facts.added_pipette.map(|id| id.to_string())),
            ("titrant", Some(facts.titrant.to_string())),
            ("burette", Some(facts.burette.to_string())),
            ("indicator_drops", facts.indicator_drops.map(|drops| drops.to_string())),
        ];
        let from =
            if other.code == run { "as in the blank before".to_owned() } else { format!("as in {}", other.code) };
        form.propose(&from, &values);
        return Ok(());
    }
    Ok(())
}

/// What a blank of a method is, on what ground, and what becomes of it.
fn about(method: &MethodFacts) -> [&'static str; 3] {
    if chemistry(&method.chemistry).is_some_and(|entry| !entry.excess_of.is_empty()) {
        return [
            "The oxidant without sample, titrated as the samples are. The amount of oxidant is taken from it.",
            "Stoichiometry of the back-titration: what the oxidant takes without sample, less what it takes with it.",
            "Only blanks with the oxidant of the samples from the same pipette count.",
        ];
    }
    [
        "What the reagents and the indicator consume. It may be negative and is never set to zero.",
        "ISO 2597-1: with an indicator of the diphenylamine kind a known amount of iron(II) is added and subtracted.",
        "The mean of the run's blanks is subtracted from every titre.",
    ]
}

/// Records a blank.
#[routes]
#[get("/runs/{id}/blanks/new")]
#[post("/runs/{id}/blanks/new")]
pub(in crate::runs) async fn record_blank(
    who: Allowed<ConductRuns>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    mut sent: Sent,
) -> Result<HttpResponse, Problem> {
    let run = service::read(&db, *id).await?;
    let method = methods::version(&db, run.method).await?.facts;
    let back = format!("/runs/{id}#blanks");
    let [what, why, next] = about(&method);
    let mut form = Form::new(format!("Blank of {}", run.code), "Save blank", back.as_str())
        .with(blank_fields(&db, &method).await?)
        .cautions(chemistry(&method.chemistry).map(ferrotitre_core::chemistry::Chemistry::cautions).unwrap_or_default())
        .help(what, why, next);
    offers::offer(&db, &mut form, &mut sent, &offers::BURETTE).await?;
    as_before(&db, &mut form, &run.code).await?;
    let counts = Field::new(
        COUNTS,
        "Does it count?",
        Kind::Choice(vec![Choice::word("accepted"), Choice::word("judged later")]),
    );
    let form = form.with([counts
        .optional()
        .part("Verdict")
        .help("Accepted, it is subtracted; the run is closed once every blank is accepted or rejected.")]);
    let counts = sent.get(COUNTS) == "accepted";
    let person = who.user().account;
    shell
        .take(&who, &sent, form, async |act, new: NewBlank| {
            if !counts {
                return Ok(onward(&blanks::record(&db, &act, *id, new).await?, &back));
            }
            let answer = blanks::record_accepted(&db, &act, *id, new).await?;
            // On to what comes next, where the run has something to titrate.
            let next = next::of(&db, *id, None, person).await?;
            let place = next.place().filter(|_| !matches!(next, Next::Finish { .. }));
            Ok(onward(&answer, place.as_deref().unwrap_or(&back)))
        })
        .await
}

/// A blank of a run in its present version.
async fn present(db: &Db, run: Uuid, blank: Uuid) -> Result<BlankView, Refusal> {
    let all = blanks::list(db, run).await?;
    all.into_iter().rfind(|view| view.id == blank).ok_or_else(|| Refusal::not_found("blank", blank))
}

/// Corrects a blank.
#[routes]
#[get("/runs/{id}/blanks/{blank}/correction")]
#[post("/runs/{id}/blanks/{blank}/correction")]
pub(in crate::runs) async fn correct_blank(
    who: Allowed<ConductRuns>,
    shell: Shell,
    db: web::Data<Db>,
    path: web::Path<(Uuid, Uuid)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (run, id) = path.into_inner();
    let view = present(&db, run, id).await?;
    let method = methods::version(&db, service::read(&db, run).await?.method).await?.facts;
    let form = Form::new("Correct a blank", "Record the correction", format!("/runs/{run}#blanks"))
        .with(blank_fields(&db, &method).await?);
    let present = (&json(&view.facts), view.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<NewBlank>| {
            blanks::correct(&db, &act, id, version, correction).await
        })
        .await
}

/// Accepts or rejects a blank.
#[routes]
#[get("/runs/{id}/blanks/{blank}/judgement")]
#[post("/runs/{id}/blanks/{blank}/judgement")]
pub(in crate::runs) async fn judge_blank(
    who: Allowed<ConductRuns>,
    shell: Shell,
    db: web::Data<Db>,
    path: web::Path<(Uuid, Uuid)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (run, id) = path.into_inner();
    present(&db, run, id).await?;
    let back = format!("/runs/{run}#blanks");
    let form = Form::new("Judge a blank", "Record", back.as_str())
        .with([
            Field::new("to", "Verdict", Kind::Choice(words(&["accepted", "rejected"]))),
            Field::new("cause", "Cause of a rejection", Kind::Choice(words(&CAUSES))).optional(),
            Field::new("reason", "Evidence", Kind::Long).optional().help("At least 5 characters for a rejection."),
        ])
        .help(
            "A blank that counts, or one that does not, with its cause.",
            "ISO/IEC 17025:2017 7.7.1.",
            "A rejected blank stays on record and is no longer subtracted.",
        );
    shell
        .take(&who, &sent, form, async |act, judgement: Judgement| {
            Ok(onward(&blanks::judge(&db, &act, id, judgement).await?, &back))
        })
        .await
}
