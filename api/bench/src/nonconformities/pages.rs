//! Pages of nonconformities: what is open, what was found and done, each step as a form, closing by somebody else.

use std::collections::BTreeMap;

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{
    CloseNonconformities, HandleNonconformities, OpenNonconformities, ReadRecords,
};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Fact, Names, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use serde::Deserialize;
use uuid::Uuid;

use crate::nonconformities::service::{self, KIND, LINKED, SOURCES};
use crate::nonconformities::wire::{NewNonconformity, NewStep, NonconformityListing, NonconformityView};

/// Kinds of steps, in their order.
const STEPS: [&str; 5] = ["containment", "impact", "cause", "action", "effectiveness"];
/// Records that a page lists by name; a look-back may name thousands.
const NAMED: usize = 100;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_nonconformities)
        .service(open_nonconformity)
        .service(read_nonconformity)
        .service(record_step)
        .service(move_nonconformity)
        .service(close_nonconformity)
        .service(reopen_nonconformity);
}

/// Lines of a list.
pub async fn rows(db: &Db, views: &[NonconformityView]) -> Result<Vec<Vec<Cell>>, Refusal> {
    let people: Vec<Uuid> = views.iter().map(|view| view.owner.0).collect();
    let people = accounts::names(db, &people).await?;
    let row = |view: &NonconformityView| {
        let due = if view.state == "closed" { String::new() } else { show::until_day(view.due_on) };
        vec![
            Cell::link(view.code.clone(), format!("/nonconformities/{}", view.id)),
            Cell::state(view.state.clone()),
            Cell::text(view.title.clone()),
            Cell::text(view.severity.clone()),
            Cell::text(view.source.clone()),
            Cell::text(people.get(&view.owner.0).cloned().unwrap_or_default()),
            Cell::text(format!("{}{}{due}", show::day(view.due_on), if due.is_empty() { "" } else { ", " })),
        ]
    };
    Ok(views.iter().map(row).collect())
}

/// Columns of [`rows`].
pub const COLUMNS: [&str; 7] =
    ["Nonconformity", "State", "What", "Severity", "Brought up by", "Seen to by", "To be closed by"];

/// Lists nonconformities.
#[get("/nonconformities")]
pub(super) async fn list_nonconformities(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let asked = query.0;
    let page = if asked.state.is_empty() {
        let listing = asked.listing()?;
        let listing = NonconformityListing {
            after: listing.after,
            from: listing.from,
            until: listing.until,
            ..NonconformityListing::default()
        };
        service::list(&db, &listing).await?
    } else {
        service::in_state(&db, &asked.state, asked.window()).await?
    };
    let table = Table {
        columns: COLUMNS.to_vec(),
        rows: rows(&db, &page.items).await?,
        empty: "None.",
        next: asked.next("/nonconformities", page.next),
        filters: asked.fields(&KIND.states()),
        ..Table::default()
    };
    Sheet::new(&shell, "Nonconformities", "Nonconformities")
        .way(shell.may(Action::OpenNonconformities), "Open one", "/nonconformities/new")
        .way(true, "Signed results that were touched", "/impacts")
        .section("list", "", Part::Table(table))
        .help(
            "What went wrong or does not conform, who sees to it, until when. A rejected run or a withdrawn lot opens one by itself.",
            "ISO/IEC 17025:2017 7.10 (nonconforming work) and 8.7 (corrective actions).",
            "Contain it, find the cause, act, look whether it helped; someone other than its owner closes it.",
        )
        .show()
}

/// A record that a new nonconformity concerns.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct Concerned {
    #[serde(default)]
    kind: String,
    entity: Option<Uuid>,
}

/// Opens a nonconformity.
#[routes]
#[get("/nonconformities/new")]
#[post("/nonconformities/new")]
pub(super) async fn open_nonconformity(
    who: Allowed<OpenNonconformities>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Concerned>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let people = accounts::list(&db, &ferrotitre_html::form::first_page()).await?.items.into_iter();
    let people = people.filter(|account| account.kind == "person" && account.state == "active");
    let people = people.map(|account| Choice::thing(account.id, &account.code, account.display_name)).collect();
    let mut form = Form::new("Open a nonconformity", "Open", "/nonconformities").with([
        Field::new("title", "What is wrong", Kind::Text),
        Field::new("scope", "What is concerned", Kind::Long).help("Samples, runs, lots, the time."),
        Field::new("source", "What brought it up", Kind::Choice(words(&SOURCES))),
        Field::new("severity", "Severity", Kind::Choice(words(&["minor", "major", "critical"]))),
        Field::new("owner", "Who sees to it", Kind::Thing(people))
            .optional()
            .help("Left empty: you. Somebody else closes it."),
        Field::new("due_on", "To be closed by", Kind::Day),
        Field::new("observed_at", "When it came up", Kind::Time { now: true }).optional().help("Left empty: now."),
    ]);
    if let (Some(entity), Some((kind, noun))) = (query.0.entity, noun_of(&query.0.kind)) {
        form = form
            .lead(format!("It concerns the {noun} you came from."))
            .hide("links[0].entity_kind", kind)
            .hide("links[0].entity", entity.to_string());
    }
    let form = form.help(
        "A record that something does not conform, with what it concerns.",
        "ISO/IEC 17025:2017 7.10.1.",
        "Its owner contains it and finds the cause; somebody else closes it.",
    );
    shell
        .take(&who, &sent, form, async |act, new: NewNonconformity| {
            let answer = service::open(&db, &act, new).await?;
            Ok(onward(&answer, &format!("/nonconformities/{}", field_of(&answer, "id"))))
        })
        .await
}

fn noun_of(table: &str) -> Option<(&'static str, &'static str)> {
    LINKED.iter().find(|kind| kind.table() == table).map(|kind| (kind.table(), kind.noun()))
}

/// The page of a record, by the name of its table.
fn address(table: &str, id: Uuid) -> String {
    let place = match table {
        "equipment" => "equipment",
        "primary_standards" => "stock/standards",
        "reagents" => "stock/reagents",
        "titrants" => "titrants",
        "standardisations" => "standardisations",
        "methods" => "methods",
        "samples" => "samples",
        "runs" => "runs",
        "determinations" => "determinations",
        "iron_results" => "iron-results",
        "control_materials" => "control-materials",
        "control_charts" => "charts",
        "control_values" => "control-values",
        "certificates" => "certificates",
        _ => return String::new(),
    };
    format!("/{place}/{id}")
}

/// What comes next, in words, with the way to it.
fn next(view: &NonconformityView) -> (String, &'static str, String) {
    let path = format!("/nonconformities/{}", view.id);
    let has = |kind: &str| view.steps.iter().any(|step| step.kind == kind);
    let step = |kind: &str| format!("{path}/steps?kind={kind}");
    let moves = format!("{path}/moves");
    let last = view.steps.iter().rfind(|step| matches!(step.kind.as_str(), "action" | "effectiveness"));
    let effective = last.and_then(|step| step.effective) == Some(true);
    let (words, label, way) = match view.state.as_str() {
        "opened" if !has("containment") => ("Say how it is contained.", "Record containment", step("containment")),
        "opened" => ("It can be called contained.", "Move on", moves),
        "contained" | "reopened" => ("The cause is looked for.", "Move on", moves),
        "investigating" if !has("impact") => ("Say what it does to results.", "Record the impact", step("impact")),
        "investigating" if !has("cause") => ("Say what the cause is.", "Record the cause", step("cause")),
        "investigating" => ("Action can be taken.", "Move on", moves),
        "action" if !has("action") => ("Say what is done about it.", "Record the action", step("action")),
        "action" => ("Whether it helped can be looked at.", "Move on", moves),
        "verifying" if !effective => ("Look whether it helped.", "Record the check", step("effectiveness")),
        "verifying" => ("Someone other than its owner closes it.", "Close", format!("{path}/closing")),
        _ => ("It is closed.", "", String::new()),
    };
    (words.to_owned(), label, way)
}

/// A nonconformity with its steps and what it concerns.
#[get("/nonconformities/{id}")]
pub(super) async fn read_nonconformity(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let mut people: Vec<Uuid> = view.steps.iter().map(|step| step.recorded_by.0).collect();
    people.extend(view.moves.iter().filter_map(|step| step.recorded_by).map(|by| by.0));
    people.extend([view.owner.0, view.recorded_by.0]);
    let people = accounts::names(&db, &people).await?;
    let path = format!("/nonconformities/{id}");
    let open = view.state != "closed";
    let (handles, closes) = (shell.may(Action::HandleNonconformities), shell.may(Action::CloseNonconformities));
    let (next_words, label, way) = next(&view);
    let may = if way.ends_with("/closing") { closes } else { handles };
    let own = view.steps.len();
    let mut sheet = Sheet::new(&shell, "Nonconformity", format!("{} {}", view.code, view.title))
        .state(view.state.clone())
        .lead(next_words)
        .way(may && !way.is_empty(), label, way.clone())
        .way(handles && open, "Record a step", format!("{path}/steps"))
        .way(handles && open && !way.ends_with("/moves"), "Move on", format!("{path}/moves"))
        .way(closes && view.state == "closed", "Reopen", format!("{path}/reopening"));
    if view.overdue {
        let line = format!("It was to be closed by {}: {}.", show::day(view.due_on), show::until_day(view.due_on));
        sheet = sheet.section("overdue", "Overdue", Part::Alert(vec![line]));
    }
    sheet
        .section("about", "About", Part::Facts(about(&view, &people)))
        .section("steps", format!("What was found and done ({own})"), Part::Table(step_table(&view, &people)))
        .section("links", format!("Records it concerns ({})", view.links.len()), Part::Table(links(&db, &view).await?))
        .section("signatures", "Signatures", Part::Signatures(view.sign_offs))
        .section("history", "History", Part::Moves(view.moves, people))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "Containment, impact, cause, action and the check whether it helped, each with who and when.",
            "ISO/IEC 17025:2017 7.10 and 8.7.",
            "It is closed, with a signature, by someone other than its owner, after a check that found the action effective.",
        )
        .show()
}

fn about(view: &NonconformityView, people: &Names) -> Vec<Fact> {
    let name = |id: Uuid| people.get(&id).cloned().unwrap_or_default();
    let by = if view.automatic { "by the service, because of what happened" } else { "by a person" };
    vec![
        fact("What is concerned", Cell::text(view.scope.clone())),
        fact("Brought up by", Cell::text(view.source.clone())),
        fact("Severity", Cell::text(view.severity.clone())),
        fact("Seen to by", Cell::text(name(view.owner.0))),
        fact("To be closed by", Cell::text(show::day(view.due_on))),
        fact("Came up", Cell::text(show::time(view.observed_at))),
        fact(
            "Opened",
            Cell::text(format!("{by}, {}, in the name of {}", show::time(view.recorded_at), name(view.recorded_by.0))),
        ),
    ]
}

fn step_table(view: &NonconformityView, people: &Names) -> Table {
    let row = |step: &crate::nonconformities::wire::StepRecord| {
        let outcome = step.effective.map(|good| Cell::state(if good { "effective" } else { "not effective" }));
        vec![
            Cell::text(step.kind.clone()),
            Cell::text(step.words.clone()),
            outcome.unwrap_or_default(),
            Cell::text(step.due_on.map(show::day).unwrap_or_default()),
            Cell::text(show::time(step.recorded_at)),
            Cell::text(people.get(&step.recorded_by.0).cloned().unwrap_or_default()),
        ]
    };
    Table {
        columns: vec!["Step", "In words", "Did it help?", "To be done by", "Recorded", "By"],
        rows: view.steps.iter().map(row).collect(),
        empty: "Nothing yet.",
        ..Table::default()
    }
}

async fn links(db: &Db, view: &NonconformityView) -> Result<Table, Refusal> {
    let mut by_kind: BTreeMap<&str, Vec<Uuid>> = BTreeMap::new();
    for link in view.links.iter().take(NAMED) {
        by_kind.entry(&link.entity_kind).or_default().push(link.entity);
    }
    let mut names = Names::new();
    for (table, ids) in by_kind {
        if let Some(kind) = LINKED.iter().find(|kind| kind.table() == table) {
            names.extend(labels::of(db, *kind, &ids).await?);
        }
    }
    let noun = |table: &str| noun_of(table).map_or_else(|| table.to_owned(), |(_, noun)| noun.to_owned());
    let mut rows: Vec<Vec<Cell>> = view
        .links
        .iter()
        .take(NAMED)
        .map(|link| {
            // What has no code goes by what it is.
            let code = names.get(&link.entity).cloned().unwrap_or_else(|| noun(&link.entity_kind));
            let cell = match address(&link.entity_kind, link.entity) {
                none if none.is_empty() => Cell::text(code),
                address => Cell::link(code, address),
            };
            vec![Cell::text(noun(&link.entity_kind)), cell, Cell::text(link.relation.clone())]
        })
        .collect();
    if view.links.len() > NAMED {
        let rest = format!("and {} more, listed by the API", view.links.len() - NAMED);
        rows.push(vec![Cell::text(rest), Cell::default(), Cell::default()]);
    }
    Ok(Table { columns: vec!["Record", "Code", "Relation"], rows, empty: "None named.", ..Table::default() })
}

/// Which step a form begins with.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct StepQuestion {
    #[serde(default)]
    kind: String,
}

/// Records a step.
#[routes]
#[get("/nonconformities/{id}/steps")]
#[post("/nonconformities/{id}/steps")]
pub(super) async fn record_step(
    who: Allowed<HandleNonconformities>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    query: Params<StepQuestion>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let back = format!("/nonconformities/{id}#steps");
    let form = Form::new(format!("Step of {}", view.code), "Record", back.as_str())
        .lead(view.title)
        .with([
            Field::new("kind", "What this is", Kind::Choice(words(&STEPS))).value(&query.0.kind),
            Field::new("words", "What was found or done", Kind::Long).help("At least 5 characters."),
            Field::new("effective", "Did the action help?", Kind::YesNo).optional().help("Of an effectiveness check."),
            Field::new("due_on", "To be done by", Kind::Day).optional().help("Of an action."),
        ])
        .help(
            "What was done to contain it, what it does to results, why it happened, what was done, whether that helped.",
            "ISO/IEC 17025:2017 7.10.1 and 8.7.1.",
            "Each state needs its step on record: containment, cause, action, check.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewStep| {
            Ok(onward(&service::record_step(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// Moves a nonconformity on.
#[routes]
#[get("/nonconformities/{id}/moves")]
#[post("/nonconformities/{id}/moves")]
pub(super) async fn move_nonconformity(
    who: Allowed<HandleNonconformities>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let back = format!("/nonconformities/{id}");
    // Closing and reopening are a manager's, with forms of their own.
    let form = Form::move_form(KIND, &view.state, format!("Move {} on", view.code), &back)
        .only("to", |to| !matches!(to, "closed" | "reopened"));
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&service::advance(&db, &act, *id, asked).await?, &back))
        })
        .await
}

/// Closes a nonconformity.
#[routes]
#[get("/nonconformities/{id}/closing")]
#[post("/nonconformities/{id}/closing")]
pub(super) async fn close_nonconformity(
    who: Allowed<CloseNonconformities>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let back = format!("/nonconformities/{id}");
    let form = Form::new(format!("Close {}", view.code), "Sign and close", back.as_str())
        .lead(
            "You sign that the action was found effective. A nonconformity is closed by someone other than its owner.",
        )
        .signing(&view.content_digest, false);
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            Ok(onward(&service::close(&db, &act, who.user(), **policy, *id, signature).await?, &back))
        })
        .await
}

/// Reopens a closed nonconformity.
#[routes]
#[get("/nonconformities/{id}/reopening")]
#[post("/nonconformities/{id}/reopening")]
pub(super) async fn reopen_nonconformity(
    who: Allowed<CloseNonconformities>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let back = format!("/nonconformities/{id}");
    let form = Form::new(format!("Reopen {}", view.code), "Reopen", back.as_str())
        .lead("It is looked into again; what was recorded stays.")
        .with([Field::new("reason", "Why", Kind::Long).help("At least 5 characters.")])
        .help(
            "Takes a closed nonconformity up again.",
            "ISO/IEC 17025:2017 8.7.1.",
            "The cause is looked for again, and somebody else closes it.",
        );
    shell
        .take(&who, &sent, form, async |act, asked: crate::nonconformities::wire::Reopening| {
            Ok(onward(&service::reopen(&db, &act, *id, asked.reason).await?, &back))
        })
        .await
}
