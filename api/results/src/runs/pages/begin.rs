//! Runs with what is titrated in them, in one form that begins with what waits.

use std::collections::HashMap;

use actix_web::{HttpResponse, routes, web};
use chrono::{DateTime, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ConductRuns;
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::sheet::{Cell, Part, Section, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde::Deserialize;
use uuid::Uuid;

use crate::runs::due::{self, Due, DuePortion, LOOKED_THROUGH, Lack};
use crate::runs::next;
use crate::runs::service;
use crate::runs::together::{self, NewRunOf, NewRuns, TakenLike, ToTitrate};

/// Portions that one method offers at once.
const MOST: usize = 50;

/// For which sample.
#[derive(Debug, Default, Deserialize)]
pub(in crate::runs) struct Of {
    sample: Option<Uuid>,
}

/// What the form sends.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    bench: String,
    environment_temperature: Option<Decimal>,
    note: Option<String>,
    observed_at: DateTime<Utc>,
    late_reason: Option<String>,
    /// What was ticked: method, purpose and portion, so that nothing depends on what would be offered by now.
    #[serde(default)]
    titrates: Vec<String>,
}

/// As a tick sends it.
fn value(method: Uuid, one: &DuePortion) -> String {
    format!("{method}/{}/{}", one.purpose, one.portion)
}

/// The same of a control of which a portion is taken with the run.
fn value_taken(method: Uuid, lack: &Lack, like: Uuid) -> String {
    format!("{method}/control/{}+{like}", lack.sample)
}

fn ticked(value: &str) -> Result<(MethodId, ToTitrate), Refusal> {
    let parts: Vec<&str> = value.splitn(3, '/').collect();
    let id = |text: &str| text.parse::<Uuid>().ok();
    let read = || {
        let [method, purpose, what] = parts[..] else { return None };
        let (portion, take) = match what.split_once('+') {
            Some((sample, like)) => (None, Some(TakenLike { sample: id(sample)?, like: id(like)? })),
            None => (Some(id(what)?), None),
        };
        Some((MethodId(id(method)?), ToTitrate { portion, take, purpose: purpose.to_owned() }))
    };
    read().ok_or_else(|| Refusal::invalid("titrates", "one_of", "is none of what is offered here", value))
}

impl Asked {
    /// As the API takes it: a run for each method, in the order of what was ticked.
    fn wire(self) -> Result<NewRuns, Refusal> {
        let mut runs: Vec<NewRunOf> = Vec::new();
        for value in &self.titrates {
            let (method, one) = ticked(value)?;
            match runs.iter_mut().find(|run| run.method == method) {
                Some(run) => run.titrates.push(one),
                None => runs.push(NewRunOf { method, titrates: vec![one] }),
            }
        }
        if runs.is_empty() {
            return Err(Refusal::invalid("titrates", "required", "tick what is titrated", ""));
        }
        let Self { bench, environment_temperature, note, observed_at, late_reason, .. } = self;
        Ok(NewRuns { bench, environment_temperature, note, observed_at, late_reason, runs })
    }
}

/// What each part of a request is called on the form, by its path.
fn names(new: &NewRuns, due: &[Due]) -> HashMap<String, String> {
    let mut names = HashMap::new();
    for (at, run) in new.runs.iter().enumerate() {
        let of = due.iter().find(|one| one.method.version_id == run.method.0);
        let method = of.map_or_else(|| format!("method {}", run.method), |of| of.method.facts.code.clone());
        for (place, one) in run.titrates.iter().enumerate() {
            let portion = of.and_then(|of| of.portions.iter().find(|other| Some(other.portion) == one.portion));
            let lack = of.zip(one.take).and_then(|(of, take)| of.lacks.iter().find(|lack| lack.sample == take.sample));
            let code = portion.map(|portion| portion.code.clone()).or_else(|| lack.map(|lack| lack.code.clone()));
            let code = code.unwrap_or_else(|| "a portion that was ticked".to_owned());
            names.insert(format!("runs[{at}].titrates[{place}]"), format!("{method}: {code}"));
        }
        names.insert(format!("runs[{at}]"), method);
    }
    names
}

/// A refusal of the service with the form's own field, which all that was ticked shares.
fn placed(mut refusal: Refusal, names: &HashMap<String, String>) -> Refusal {
    for wrong in refusal.fields.iter_mut().filter(|wrong| wrong.field.starts_with("runs")) {
        let path = wrong.field.rsplit_once('.').map_or(wrong.field.as_str(), |(path, _)| path);
        if let Some(name) = names.get(path) {
            wrong.message = format!("{name}: {}", wrong.message);
        }
        "titrates".clone_into(&mut wrong.field);
    }
    refusal
}

/// What waits for a method, to be ticked.
fn choices(due: &Due) -> Vec<Choice> {
    let method = &due.method;
    let choice = |one: &DuePortion| {
        let until = one.deadline.map(|at| format!("iron(II) until {}, {}", show::time(at), show::until(at)));
        let control = (one.purpose == "control").then(|| "control".to_owned());
        let unable = (!due.able).then(|| "needs somebody who supervises you".to_owned());
        let words = [control, Some(one.client_reference.clone()), until, unable].into_iter().flatten();
        let code = format!("{}: {}", method.facts.code, one.code);
        Choice::thing(value(method.version_id, one), &code, words.collect::<Vec<_>>().join(", "))
    };
    let taken = due.lacks.iter().filter_map(|lack| {
        let like = lack.like.as_ref()?;
        let code = format!("{}: {}, a new portion", method.facts.code, lack.code);
        Some(Choice::thing(
            value_taken(method.version_id, lack, like.portion),
            &code,
            format!("control, taken now with the vessels of {}: {}", like.code, like.vessels),
        ))
    });
    taken.chain(due.portions.iter().take(MOST).map(choice)).collect()
}

/// All that waits, to be ticked.
fn field(due: &[Due]) -> Field {
    let proposed = |of: &Due| {
        let offered = of.portions.iter().take(MOST).filter(|one| one.proposed);
        offered.map(|one| value(of.method.version_id, one)).collect::<Vec<_>>()
    };
    let proposed: Vec<String> = due.iter().flat_map(proposed).collect();
    Field::new("titrates", "What is titrated", Kind::Several(due.iter().flat_map(choices).collect()))
        .value(proposed.join("\n"))
        .help("Method, sample and portion; each method has a run of its own, titrated in this order.")
}

/// Control materials of which a portion must be taken first.
fn lacking(shell: &Shell, due: &[Due]) -> Vec<Section> {
    let mut lacks: Vec<(&str, Uuid)> =
        due.iter().flat_map(|one| &one.lacks).map(|lack| (lack.code.as_str(), lack.sample)).collect();
    lacks.sort_unstable();
    lacks.dedup();
    if lacks.is_empty() {
        return Vec::new();
    }
    let takes = shell.may(Action::RegisterSamples);
    let row = |(code, sample): (&str, Uuid)| {
        let way =
            if takes { Cell::link("take one", format!("/samples/{sample}/portions/new")) } else { Cell::default() };
        vec![Cell::link(code, format!("/samples/{sample}")), way]
    };
    let table = Table {
        columns: vec!["Control without a test portion that is still to be titrated", ""],
        rows: lacks.into_iter().map(row).collect(),
        ..Table::default()
    };
    vec![Section::new("lacks", "First", Part::Table(table))]
}

fn form(due: &[Due]) -> Form {
    let lead = if due.is_empty() {
        "No test portion waits whose sample has the matrix of a method in force. Take one, or open a run and begin its determinations there."
            .to_owned()
    } else {
        format!(
            "Portions that no run has yet, of samples with the matrix of the method, among the newest {LOOKED_THROUGH}. Untick what is not titrated now, or tick another method for it."
        )
    };
    let mut form = Form::new("Begin runs", "Begin", "/runs").lead(lead).help(
        "A run for each method, with its determinations begun: opened together or not at all. Each is a record of its own.",
        "ISO/IEC 17025:2017 7.2.1 and 7.7.1.",
        "The blank first, then one determination after the other: each save leads on to the next.",
    );
    if !due.is_empty() {
        form = form.with([field(due)]);
    }
    form.with([
        Field::new("bench", "Bench", Kind::Text).part("Where"),
        Field::new("environment_temperature", "Room temperature, °C", Kind::Decimal)
            .optional()
            .fold("More: room temperature, note, another time"),
        Field::new("note", "Note", Kind::Long).optional(),
        Field::new("observed_at", "Begun", Kind::Time { now: true }).optional().help("Left empty: now."),
        Field::late_reason(),
    ])
}

/// Opens runs and begins what is titrated in them.
#[routes]
#[get("/runs/begin")]
#[post("/runs/begin")]
pub(in crate::runs) async fn begin_runs(
    who: Allowed<ConductRuns>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Of>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let due = due::of(&db, who.user(), query.0.sample).await?;
    let mut form = form(&due);
    let by = who.user().account;
    let mine = service::list(&db, &Listing { limit: Some(20), ..Listing::default() }).await?.items;
    if let Some(last) = mine.into_iter().find(|run| run.recorded_by == by) {
        form.propose(&format!("as {}", last.code), &[("bench", Some(last.bench))]);
    }
    let above = lacking(&shell, &due);
    shell
        .take_below(&who, &sent, form, above, async |act, asked: Asked| {
            let new = asked.wire()?;
            let names = names(&new, &due);
            let answer = together::open(&db, &act, new).await.map_err(|refusal| placed(refusal, &names))?;
            let run = field_of(&answer, "runs[0].id");
            let next = match run.parse() {
                Ok(id) => next::of(&db, id, None, by).await?.place(),
                Err(_not_there) => None,
            };
            Ok(onward(&answer, &next.unwrap_or_else(|| format!("/runs/{run}"))))
        })
        .await
}
