//! Pages of decision rules.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ApproveSpecifications, DraftSpecifications, ReadRecords};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Field, Form, Kind, Sent, VERSION, field_of, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, facts};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::versioned::{self, json};
use uuid::Uuid;

use super::{Parts, step_of};
use crate::specifications::rules::{self as service, COMPARED, DecisionRuleFacts, KINDS};

const HELP: (&str, &str, &str) = (
    "How a result is judged against limits, and the risk that goes with it, written down before there is a result.",
    "ISO/IEC 17025:2017 7.8.6 and 7.1.3; JCGM 106:2012 (conformity assessment).",
    "Someone other than its author approves it; then specifications can name it. A later version changes nothing judged before.",
);

fn fields() -> Vec<Field> {
    vec![
        Field::new("code", "Code", Kind::Text),
        Field::new("title", "Title", Kind::Text),
        Field::new("kind", "Kind", Kind::Choice(words(&KINDS))),
        Field::new("multiple", "Length of the guard band, in U or in u", Kind::Decimal)
            .optional()
            .help("For a guard band of U: 1 is usual. For one of u: 1.645 for a one-sided level of 0.95.")
            .part("Figures of the kind"),
        Field::new("one_sided_level", "One-sided level of that multiple of u", Kind::Decimal).optional(),
        Field::new("least_probability", "Least probability of conforming", Kind::Decimal)
            .optional()
            .help("Between 0 and 1, for the kind conformance probability."),
        Field::new("compared", "What is compared with the limits", Kind::Choice(words(&COMPARED)))
            .value("unrounded")
            .part("How it is applied"),
        Field::new("conforms", "Inside the acceptance limits it is called", Kind::Text).value("conforms"),
        Field::new("conditional", "Between acceptance and tolerance limit", Kind::Text).value("conditional"),
        Field::new("does_not_conform", "Outside the tolerance", Kind::Text).value("does not conform"),
        Field::new("risk", "Risk that goes with it", Kind::Long)
            .optional()
            .help("Left empty: the sentence computed from the figures.")
            .part("Documented"),
        Field::new("source", "Where it comes from", Kind::Text),
    ]
}

/// Lists decision rules.
#[get("/decision-rules")]
pub(super) async fn list_rules(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = service::list(&db, &query.0.listing()?).await?;
    let rows = page.items.into_iter().map(|view| {
        let told = view.facts.in_words();
        vec![
            Cell::link(view.facts.code, format!("/decision-rules/{}", view.id)),
            Cell::text(view.version.to_string()),
            Cell::state(view.state),
            Cell::text(view.facts.title),
            Cell::text(shell.n(told)),
            Cell::text(view.facts.compared),
        ]
    });
    let table = Table {
        columns: vec!["Rule", "Version", "State", "Title", "Kind", "Compared"],
        rows: rows.collect(),
        empty: "No decision rule yet.",
        next: query.0.next("/decision-rules", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Decision rules", "Decision rules")
        .way(shell.may(Action::DraftSpecifications), "Draft a rule", "/decision-rules/new")
        .way(true, "Specifications", "/specifications")
        .section("list", "", Part::Table(table))
        .help(HELP.0, HELP.1, HELP.2)
        .show()
}

/// Drafts a decision rule.
#[routes]
#[get("/decision-rules/new")]
#[post("/decision-rules/new")]
pub(super) async fn draft_rule(
    who: Allowed<DraftSpecifications>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form =
        Form::new("Draft a decision rule", "Save draft", "/decision-rules").with(fields()).help(HELP.0, HELP.1, HELP.2);
    shell
        .take(&who, &sent, form, async |act, facts: DecisionRuleFacts| {
            let answer = service::record(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/decision-rules/{}", field_of(&answer, "id"))))
        })
        .await
}

async fn parts(db: &Db, id: Uuid) -> Result<Parts<DecisionRuleFacts>, Refusal> {
    Ok(Parts::of(service::read(db, id).await?.resource))
}

/// A decision rule with its versions.
#[get("/decision-rules/{id}")]
pub(super) async fn read_rule(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let parts = parts(&db, *id).await?;
    let view = parts.versions.last().ok_or_else(|| Refusal::not_found("decision rule", *id))?;
    let names = versioned::names(&db, &parts.versions, &parts.moves).await?;
    let path = format!("/decision-rules/{id}");
    let approves = shell.may(Action::ApproveSpecifications);
    let draft = view.state == "draft";
    Sheet::new(&shell, "Decision rule", view.facts.code.clone())
        .state(view.state.clone())
        .lead(format!("{}, version {}: {}", view.facts.title, view.version, shell.n(view.facts.in_words())))
        .way(approves && draft, "Approve", format!("{path}/approval"))
        .way(approves && draft, "Reject", format!("{path}/rejection"))
        .way(shell.may(Action::DraftSpecifications) && !draft, "Draft the next version", format!("{path}/revision"))
        .way(approves && parts.in_force(), "Withdraw", format!("{path}/withdrawal"))
        .section("risk", "Risk that goes with it", Part::Words(shell.n(&view.facts.risk)))
        .section("about", "About", Part::Facts(facts(&fields(), &json(&view.facts), &shell)))
        .section("states", "Versions and their states", parts.states())
        .section(
            "versions",
            "What each version changed",
            versioned::versions(&shell, &fields(), &parts.versions, &names),
        )
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={}", view.version_id))
        .section("signatures", "Signatures", Part::Signatures(parts.sign_offs))
        .section("history", "History", Part::Moves(parts.moves, names))
        .help(HELP.0, HELP.1, HELP.2)
        .show()
}

/// Drafts the next version of a decision rule.
#[routes]
#[get("/decision-rules/{id}/revision")]
#[post("/decision-rules/{id}/revision")]
pub(super) async fn revise_rule(
    who: Allowed<DraftSpecifications>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let parts = parts(&db, *id).await?;
    let view = parts.versions.last().ok_or_else(|| Refusal::not_found("decision rule", *id))?;
    let mut present = view.facts.clone();
    if present.risk_is_computed() {
        // It is computed again from the figures as they will be.
        present.risk = String::new();
    }
    let back = format!("/decision-rules/{id}");
    let form = Form::new(format!("Next version of {}", present.code), "Save draft", back.as_str())
        .lead("The version in force stays so until this one is approved; what was judged by it stays as it was.")
        .with(fields())
        .correcting(&json(&present), view.version_id);
    let version = sent.get(VERSION).to_owned();
    shell
        .take(&who, &sent, form, async |act, correction: Correction<DecisionRuleFacts>| {
            Ok(onward(&service::revise(&db, &act, *id, Some(&version), correction).await?, &back))
        })
        .await
}

/// Approves, rejects or withdraws a decision rule.
#[routes]
#[get("/decision-rules/{id}/{step:approval|rejection|withdrawal}")]
#[post("/decision-rules/{id}/{step:approval|rejection|withdrawal}")]
pub(super) async fn decide_rule(
    who: Allowed<ApproveSpecifications>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (id, (decision, title, button, meaning, reason)) = (path.0, step_of(&path.1));
    let parts = parts(&db, id).await?;
    let back = format!("/decision-rules/{id}");
    let (lead, digest) = match parts.decided(decision) {
        Some((view, digest)) => (
            format!("{} version {}: {}. {}", view.facts.code, view.version, view.facts.in_words(), view.facts.risk),
            digest,
        ),
        None => ("No version is in force.".to_owned(), ""),
    };
    let form = Form::new(format!("{title} a decision rule"), button, back.as_str())
        .lead(format!("{} {meaning}", shell.n(lead)))
        .signing(digest, reason);
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            Ok(onward(&service::decide(&db, &act, who.user(), **policy, (id, decision), signature).await?, &back))
        })
        .await
}
