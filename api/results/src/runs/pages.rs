//! Pages of runs and their blanks.

mod begin;
mod blank;
pub mod way;

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ConductRuns, ReadRecords, ReleaseRuns};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::VersionView;
use ferrotitre_bench::choices;
use ferrotitre_bench::methods::service as methods;
use ferrotitre_bench::methods::store::MethodFacts;
use ferrotitre_core::chemistry::chemistry;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Fact, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use crate::certificates::pages as certificates;
use crate::control_charts::pages::shown;
use crate::determinations::listing::DeterminationListing;
use crate::determinations::measured::is_signed;
use crate::determinations::{pages as determination_pages, service as determinations};
use crate::runs::blanks;
use crate::runs::service::{self, NewRun, RunView};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_runs)
        .service(begin::begin_runs)
        .service(open_run)
        .service(read_run)
        .service(close_run)
        .service(judge_run)
        .service(blank::record_blank)
        .service(blank::correct_blank)
        .service(blank::judge_blank);
}

/// Lines of a list of runs.
pub async fn rows(db: &Db, runs: &[RunView]) -> Result<Vec<Vec<Cell>>, Refusal> {
    let methods: Vec<Uuid> = runs.iter().map(|run| run.method.0).collect();
    let methods = labels::of(db, EntityKind::Method, &methods).await?;
    let people: Vec<Uuid> = runs.iter().map(|run| run.recorded_by.0).collect();
    let people = accounts::names(db, &people).await?;
    let row = |run: &RunView| {
        vec![
            Cell::link(run.code.clone(), format!("/runs/{}", run.id)),
            Cell::state(run.state.clone()),
            Cell::text(methods.get(&run.method.0).cloned().unwrap_or_default()),
            Cell::text(run.bench.clone()),
            Cell::text(people.get(&run.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(show::time(run.observed_at)),
            Cell::text(if run.missing.is_empty() { "nothing".to_owned() } else { run.missing.join(", ") }),
        ]
    };
    Ok(runs.iter().map(row).collect())
}

/// Columns of [`rows`].
pub const COLUMNS: [&str; 7] = ["Run", "State", "Method", "Bench", "Opened by", "Begun", "Lacks"];

/// Lists runs.
#[get("/runs")]
pub(super) async fn list_runs(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let asked = query.0;
    let page = if asked.state.is_empty() {
        service::list(&db, &asked.listing()?).await?
    } else {
        service::in_state(&db, &asked.state, asked.window()).await?
    };
    let table = Table {
        columns: COLUMNS.to_vec(),
        rows: rows(&db, &page.items).await?,
        empty: "None.",
        next: asked.next("/runs", page.next),
        filters: asked.fields(&EntityKind::Run.states()),
        ..Table::default()
    };
    Sheet::new(&shell, "Runs", "Runs")
        .way(shell.may(Action::ConductRuns), "Begin runs", "/runs/begin")
        .way(shell.may(Action::ConductRuns), "Open a run", "/runs/new")
        .section("list", "", Part::Table(table))
        .help(
            "Determinations, blanks and controls that are accepted or rejected together.",
            "ISO/IEC 17025:2017 7.7.1 (monitoring the validity of results).",
            "Open, titrate, close; somebody who did not open it releases or rejects it.",
        )
        .show()
}

/// A rejected run that a new one repeats.
#[derive(Debug, Default, Clone, serde::Deserialize)]
pub(super) struct Repeated {
    repeats: Option<Uuid>,
}

/// Opens a run.
#[routes]
#[get("/runs/new")]
#[post("/runs/new")]
pub(super) async fn open_run(
    who: Allowed<ConductRuns>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Repeated>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let again = match query.0.repeats {
        Some(id) => Some(service::read(&db, id).await?),
        None => None,
    };
    let value = |pick: fn(&RunView) -> String| again.as_ref().map(pick).unwrap_or_default();
    let rejected = service::in_state(&db, "rejected", (Uuid::max(), 50)).await?.items;
    let rejected = rejected.into_iter().map(|run| Choice::thing(run.id, &run.code, run.bench)).collect();
    let mut form = Form::new("Open a run", "Open", "/runs")
        .with([
            Field::new("method", "Method", Kind::Thing(choices::methods(&db).await?))
                .help("Approved methods only.")
                .value(value(|run| run.method.to_string())),
            Field::new("bench", "Bench", Kind::Text).value(value(|run| run.bench.clone())),
            Field::new("environment_temperature", "Room temperature, °C", Kind::Decimal).optional(),
            Field::new("code", "Code", Kind::Text).optional().help("Made by the service if left empty."),
            Field::new("note", "Note", Kind::Long).optional(),
            Field::new("repeats", "Repeats the rejected run", Kind::Thing(rejected))
                .optional()
                .help("Both stay on record.")
                .value(value(|run| run.id.to_string())),
            Field::new("observed_at", "Begun", Kind::Time { now: true }).optional().help("Left empty: now."),
            Field::late_reason(),
        ])
        .help(
            "A run pins one approved version of the method for everything in it.",
            "ISO/IEC 17025:2017 7.2.1.",
            "Record the blank, then begin determinations.",
        );
    let by = shell.user.as_ref().map(|user| user.account);
    let mine = service::list(&db, &Listing { limit: Some(20), ..Listing::default() }).await?.items;
    if let Some(last) = mine.into_iter().find(|run| Some(run.recorded_by) == by) {
        form.propose(&format!("as {}", last.code), &[("bench", Some(last.bench))]);
    }
    shell
        .take(&who, &sent, form, async |act, new: NewRun| {
            let answer = service::open(&db, &act, new).await?;
            Ok(onward(&answer, &format!("/runs/{}", field_of(&answer, "id"))))
        })
        .await
}

fn about(shell: &Shell, run: &RunView, method: &VersionView<MethodFacts>, opened_by: String) -> Vec<Fact> {
    vec![
        fact(
            "Method",
            Cell::link(
                format!("{} v{}: {}", method.facts.code, method.version, method.facts.title),
                format!("/methods/{}", method.id),
            ),
        ),
        fact("Bench", Cell::text(run.bench.clone())),
        fact(
            "Room",
            Cell::text(run.environment_temperature.as_ref().map(|t| format!("{} °C", shell.n(t))).unwrap_or_default()),
        ),
        fact("Begun", Cell::text(show::time(run.observed_at))),
        fact("Opened by", Cell::text(opened_by)),
        fact("Note", Cell::text(run.note.clone().unwrap_or_default())),
        fact(
            "Recorded late because",
            Cell::text(run.late.iter().map(|late| late.reason.as_str()).collect::<Vec<_>>().join("; ")),
        ),
    ]
}

/// Control values of the run with their verdicts.
fn control_values(shell: &Shell, run: &RunView) -> Table {
    let row = |value: &crate::runs::quality::RunValueView| {
        let hits = value.hits.iter().map(|hit| format!("rule {}: {}", hit.rule, hit.text));
        vec![
            Cell::link(value.chart_code.clone(), format!("/charts/{}", value.chart)),
            Cell::link(format!("point {}", value.position), format!("/control-values/{}", value.id)),
            Cell::state(value.verdict.clone()),
            Cell::number(format!("{} {}", shown(shell, &value.value), value.unit)),
            Cell::text(hits.collect::<Vec<_>>().join("; ")),
            Cell::text(if value.valid { "counts" } else { "invalid, with a cause" }),
        ]
    };
    Table {
        columns: vec!["Chart", "Point", "Verdict", "Value", "Rules completed", "Now"],
        rows: run.quality.values.iter().map(row).collect(),
        empty: "No control value yet; a run brings its own to the charts when it is closed.",
        ..Table::default()
    }
}

/// Whether the run is in control, and which runs it repeats or is repeated by.
fn quality(run: &RunView) -> Vec<Fact> {
    let mut facts = vec![fact("Verdict", Cell::state(run.quality.verdict))];
    facts.extend(run.quality.reasons.iter().map(|reason| fact("Because", Cell::text(reason.clone()))));
    facts.extend(run.missing.iter().map(|what| fact("Lacks", Cell::text(what.clone()))));
    facts.push(match run.quality.plan {
        Some(plan) => fact("Goes by", Cell::link("the plan of its method", format!("/qc-plans/{plan}"))),
        None => fact("Goes by", Cell::text("no plan: a client's result is approved only under a concession")),
    });
    facts.extend(run.repeats.map(|id| fact("Repeats", Cell::link("the rejected run", format!("/runs/{id}")))));
    facts
        .extend(run.repeated_by.iter().map(|id| fact("Repeated by", Cell::link("a later run", format!("/runs/{id}")))));
    facts
}

/// What the ways on from a run follow from.
struct Offered {
    /// Determinations begun in it.
    begun: usize,
    /// Signed results of samples.
    signed: usize,
    /// What comes next: words and page.
    onward: Option<(String, String)>,
}

/// The ways on from a run.
fn offer<'a>(sheet: Sheet<'a>, shell: &Shell, run: &RunView, of: Offered) -> Sheet<'a> {
    let (id, path) = (run.id, format!("/runs/{}", run.id));
    let open = run.state == "open";
    let (conducts, judges) = (shell.may(Action::ConductRuns), shell.may(Action::ReleaseRuns));
    let finish = format!("{path}/finish");
    let ends = of.onward.as_ref().is_some_and(|(_, place)| *place == finish);
    let sheet = match of.onward {
        Some((words, place)) => sheet.way(conducts, words, place),
        None => sheet,
    };
    sheet
        .way(open && conducts, "Begin a determination", format!("{path}/determinations/new"))
        .way(open && conducts, "Record a blank", format!("{path}/blanks/new"))
        .way(
            open && conducts && of.begun > 0 && !ends && shell.may(Action::SubmitDeterminations),
            "Close and submit",
            finish,
        )
        .way(open && conducts, "Close", format!("{path}/closing"))
        .way(
            matches!(run.state.as_str(), "open" | "closed") && shell.may(Action::SubmitDeterminations),
            "Submit what is complete",
            "/signatures/submission",
        )
        .way(run.state == "closed" && judges, "Release", format!("{path}/release"))
        .way(
            matches!(run.state.as_str(), "open" | "closed" | "released") && judges,
            "Reject",
            format!("{path}/rejection"),
        )
        .way(run.state == "rejected" && conducts, "Repeat", format!("/runs/new?repeats={id}"))
        .way(of.signed >= 2, "Results together", format!("/joint-results/run/{id}"))
        .way(true, "Where used", format!("/where-used/{id}"))
}

/// A run with its blanks and determinations.
#[get("/runs/{id}")]
pub(super) async fn read_run(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let run = service::read(&db, *id).await?;
    let method = methods::version(&db, run.method).await?;
    let blanks = blanks::list(&db, *id).await?;
    let listing = DeterminationListing { run: Some(*id), limit: Some(200), ..Default::default() };
    let lines = determinations::list(&db, &listing).await?.items;
    let mut people: Vec<Uuid> = blanks.iter().map(|blank| blank.recorded_by.0).collect();
    people.extend(run.moves.iter().filter_map(|step| step.recorded_by).map(|by| by.0));
    people.push(run.recorded_by.0);
    let people = accounts::names(&db, &people).await?;
    let name = |id: Uuid| people.get(&id).cloned().unwrap_or_default();
    let open = run.state == "open";
    let conducts = shell.may(Action::ConductRuns);
    let instruments = blank::instruments(&shell, &db, &blanks).await?;
    let blank_table = blank::table(&shell, &db, &blanks, open && conducts, &people).await?;
    let results: Vec<Uuid> = lines.iter().map(|line| line.id).collect();
    let signed = lines.iter().filter(|line| line.purpose == "sample" && is_signed(&line.state)).count();
    let certified = certificates::of_results(&db, &results).await?;
    let (control, values) = (quality(&run), control_values(&shell, &run));
    let facts = about(&shell, &run, &method, name(run.recorded_by.0));
    let lacks = !run.missing.is_empty();
    let mut sheet = Sheet::new(&shell, "Run", run.code.clone()).state(run.state.clone());
    let person = shell.user.as_ref().map(|user| user.account);
    let onward = match person.filter(|_| open && conducts) {
        Some(person) => way::on(&db, *id, None, person).await?,
        None => None,
    };
    sheet = offer(sheet, &shell, &run, Offered { begun: lines.len(), signed, onward });
    if lacks {
        sheet =
            sheet.section("lacks", "Lacking", Part::Alert(vec![format!("The run lacks {}.", run.missing.join(", "))]));
    }
    sheet
        .section("about", "About", Part::Facts(facts))
        .section("quality", "Quality control", Part::Facts(control))
        .section("values", "Control values", Part::Table(values))
        .section("blanks", "Blanks", Part::Table(blank_table))
        .section_of("instruments", "From instruments", instruments)
        .section(
            "determinations",
            "Determinations",
            Part::Table(Table {
                columns: determination_pages::COLUMNS.to_vec(),
                rows: determination_pages::rows(&shell, &db, &lines).await?,
                empty: "None begun yet.",
                ..Table::default()
            }),
        )
        .with(certified)
        .section("signatures", "Signatures", Part::Signatures(run.sign_offs))
        .section("history", "History", Part::Moves(run.moves, people))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .cautions(
            chemistry(&method.facts.chemistry).map(ferrotitre_core::chemistry::Chemistry::cautions).unwrap_or_default(),
        )
        .help(
            "What was done together: one method version, one blank, one verdict.",
            "ISO/IEC 17025:2017 7.7.1.",
            "When all is titrated close the run; a client's result is approved once it is released.",
        )
        .show()
}

/// Closes a run.
#[routes]
#[get("/runs/{id}/closing")]
#[post("/runs/{id}/closing")]
pub(super) async fn close_run(
    who: Allowed<ConductRuns>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let run = service::read(&db, *id).await?;
    let back = format!("/runs/{id}");
    let form = Form::new(format!("Close {}", run.code), "Close the run", back.as_str())
        .lead("A closed run takes no more blanks, determinations or titrations.")
        .help(
            "A closed run waits for its verdict.",
            "ISO/IEC 17025:2017 7.7.1.",
            "Somebody who did not open it releases it; then its determinations can be approved.",
        );
    shell
        .take(&who, &sent, form, async |act, _: serde_json::Value| {
            Ok(onward(&service::close(&db, &act, *id).await?, &back))
        })
        .await
}

/// Releases or rejects a run.
#[routes]
#[get("/runs/{id}/{step:release|rejection}")]
#[post("/runs/{id}/{step:release|rejection}")]
pub(super) async fn judge_run(
    who: Allowed<ReleaseRuns>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (id, word) = path.into_inner();
    let release = word == "release";
    let run = service::read(&db, id).await?;
    let back = format!("/runs/{id}");
    let form = if release {
        Form::new(format!("Release {}", run.code), "Sign and release", back.as_str())
            .lead("You sign: fit for release. A run is released by somebody who did not open it.")
    } else {
        Form::new(format!("Reject {}", run.code), "Sign and reject", back.as_str())
            .lead("Nothing of a rejected run is reported: what was approved of it is invalidated, what was submitted goes back, each with your reason. What was recorded stays.")
    };
    shell
        .take(&who, &sent, form.signing(&run.content_digest, !release), async |act, signature: NewSignature| {
            let answer = service::judge(&db, &act, who.user(), **policy, (id, release), signature).await?;
            Ok(onward(&answer, &back))
        })
        .await
}
