//! What waits for a manager's decision, in one form.

use actix_web::{HttpResponse, routes, web};
use chrono::{Days, NaiveDate, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::DecideWaiting;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, first_page, onward};
use ferrotitre_html::sheet::{Cell, Part, Section, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_ledger::accounts::service as accounts;
use secrecy::SecretString;
use serde::Deserialize;
use uuid::Uuid;

use super::handlers::Parts;
use crate::decisions::service;
use crate::decisions::what::What;
use crate::decisions::wire::{NewAuthorisation, NewManyDecisions, ToDecide, WaitingDecision};

/// Mounts the page.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(decide);
}

/// What the form sends.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    of: Vec<String>,
    reason: Option<String>,
    password: SecretString,
    authorise: Option<AskedAuthorisation>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct AskedAuthorisation {
    people: Vec<Uuid>,
    valid_from: NaiveDate,
    valid_to: NaiveDate,
    evidence: Option<String>,
}

/// As a tick sends it: what was looked at, not what would stand there later.
fn value(one: &WaitingDecision) -> String {
    format!("{}/{}/{}", one.kind, one.id, one.content_digest)
}

fn ticked(value: &str) -> Result<ToDecide, Refusal> {
    let mut parts = value.splitn(3, '/');
    let (kind, id, digest) = (parts.next(), parts.next().and_then(|id| id.parse().ok()), parts.next());
    match (kind, id, digest) {
        (Some(kind), Some(id), Some(digest)) => {
            Ok(ToDecide { kind: kind.to_owned(), id, content_digest: digest.to_owned() })
        }
        _ => Err(Refusal::invalid("of", "one_of", "is none of what is offered here", value)),
    }
}

/// What was entered, as the API takes it.
fn asked(asked: Asked) -> Result<NewManyDecisions, Refusal> {
    if asked.of.is_empty() {
        return Err(Refusal::invalid("of", "required", "tick what you have looked at", ""));
    }
    let of = asked.of.iter().map(|value| ticked(value)).collect::<Result<Vec<_>, _>>()?;
    let authorise = asked.authorise.filter(|asked| !asked.people.is_empty()).map(|asked| NewAuthorisation {
        people: asked.people,
        valid_from: asked.valid_from,
        valid_to: asked.valid_to,
        evidence: asked.evidence.unwrap_or_default(),
    });
    Ok(NewManyDecisions { password: asked.password, reason: asked.reason, of, authorise })
}

/// A refusal of one of those that were ticked stands beside the ticks.
fn beside(mut refusal: Refusal) -> Refusal {
    for wrong in &mut refusal.fields {
        if wrong.field.starts_with("of[") {
            wrong.field = "of".to_owned();
        } else if wrong.field.starts_with("authorise.people[") || wrong.field == "authorise" {
            wrong.field = "authorise.people".to_owned();
        }
    }
    refusal
}

fn free(items: &[WaitingDecision]) -> impl Iterator<Item = &WaitingDecision> {
    items.iter().filter(|one| one.waits_for.is_none())
}

/// What can be decided on now, and what waits for something or somebody else.
fn tables(shell: &Shell, items: &[WaitingDecision]) -> Vec<Section> {
    let link = |one: &WaitingDecision| Cell::link(one.code.clone(), one.page.clone());
    let code = |id: &Uuid| items.iter().find(|one| one.id == *id).map(|one| one.code.clone());
    let now = free(items).map(|one| {
        let with: Vec<String> = one.after.iter().filter_map(code).collect();
        let mut about = one.about.clone();
        if !with.is_empty() {
            let and = if about.is_empty() { "" } else { "; " };
            about.push_str(&format!("{and}needs {}", with.join(" and ")));
        }
        vec![
            link(one),
            Cell::text(one.what.clone()),
            Cell::text(one.decision),
            Cell::text(shell.n(&one.figure)),
            Cell::text(about),
        ]
    });
    let now = Table {
        columns: vec!["What", "Kind", "Decision", "Figure", "To be known"],
        rows: now.collect(),
        empty: "Nothing waits for your decision.",
        ..Table::default()
    };
    let later = items.iter().filter_map(|one| {
        let (waits_for, who) = (one.waits_for.clone()?, one.who.clone()?);
        Some(vec![link(one), Cell::text(one.what.clone()), Cell::text(waits_for), Cell::text(who)])
    });
    let later: Vec<Vec<Cell>> = later.collect();
    let mut sections = vec![Section::new("now", "You can decide on", Part::Table(now))];
    if !later.is_empty() {
        let columns = vec!["What", "Kind", "It waits for", "Who can do that"];
        sections.push(Section::new(
            "later",
            "Waits for others",
            Part::Table(Table { columns, rows: later, ..Table::default() }),
        ));
    }
    sections
}

/// People who can be authorised, where a method waits for its approval.
async fn authorising(db: &Db, shell: &Shell) -> Result<Vec<Field>, Refusal> {
    let own = shell.user.as_ref().map(|user| user.account.0);
    let titrates = |roles: &[String]| roles.iter().any(|role| role == "analyst" || role == "manager");
    let people = accounts::list(db, &first_page()).await?.items.into_iter();
    let people = people.filter(|one| one.state == "active" && Some(one.id) != own && titrates(&one.roles));
    let people = people.map(|one| Choice::thing(one.id, &one.display_name, one.roles.join(", "))).collect();
    let today = Utc::now().date_naive();
    let last = today.checked_add_days(Days::new(365)).unwrap_or(today);
    Ok(vec![
        Field::new("authorise.people", "People", Kind::Several(people))
            .optional()
            .fold("Authorise people for the methods that are approved here")
            .help("Everybody ticked, for every method that is approved in this form. May be done later, too."),
        Field::new("authorise.valid_from", "First day", Kind::Day).value(today).optional(),
        // Common practice, no source.
        Field::new("authorise.valid_to", "Last day", Kind::Day).value(last).optional().help("Proposed: a year."),
        Field::new("authorise.evidence", "What it rests on", Kind::Text).optional(),
    ])
}

async fn form(db: &Db, shell: &Shell, items: &[WaitingDecision], more: bool) -> Result<Form, Refusal> {
    let more = if more { " Of each kind the newest 50 are shown; older ones stand in its list." } else { "" };
    let choice = |one: &WaitingDecision| {
        let words = format!("{} {} {}", one.decision, one.what, shell.n(&one.figure));
        Choice::thing(value(one), &one.code, words.trim_end())
    };
    let mut form = Form::new("Decisions", "Sign and decide", "/day")
        .lead(format!(
            "Look at each before you tick it: every one is a record of its own, signed where it is signed by itself. If one cannot be decided, none is.{more}"
        ))
        .with([Field::new("of", "What you release or approve", Kind::Several(free(items).map(choice).collect()))]);
    let method = What::Method.kind().table();
    if free(items).any(|one| one.kind == method) {
        form = form.with(authorising(db, shell).await?);
    }
    Ok(form
        .with([
            Field::new("password", "Your own password, again", Kind::Password)
                .part("Signature")
                .help("Asked once for all that are ticked. Your printed name, the time and the meaning are recorded with each signature."),
            Field::new("reason", "Words to go with them", Kind::Long).optional(),
        ])
        .help(
            "What waits for a manager: lots and runs to be released, methods, limits and results to be approved. What is to be rejected or returned has a form of its own, on its page.",
            "ISO/IEC 17025:2017 6.4, 6.6, 7.2, 7.7 and 7.8.1.2.",
            "What has changed since you looked at it is not decided, and nothing else with it: look at it again.",
        ))
}

/// Decides on what waits.
#[routes]
#[get("/decisions")]
#[post("/decisions")]
pub(super) async fn decide(
    who: Allowed<DecideWaiting>,
    _parts: Parts,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let waiting = service::waiting(&db, who.user()).await?;
    let form = form(&db, &shell, &waiting.items, waiting.more).await?;
    let above = tables(&shell, &waiting.items);
    shell
        .take_below(&who, &sent, form, above, async |act, sent: Asked| {
            let new = asked(sent).map_err(beside)?;
            let answer = service::decide(&db, &act, who.user(), **policy, new).await.map_err(beside)?;
            Ok(onward(&answer, "/day"))
        })
        .await
}
