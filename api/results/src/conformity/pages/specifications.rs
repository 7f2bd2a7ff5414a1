//! Pages of specifications, with the risk on both sides.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ApproveSpecifications, DraftSpecifications, ReadRecords};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::DecisionRuleId;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_bench::specifications::pages::{Parts, rule_choices, step_of};
use ferrotitre_bench::specifications::service::{self, ANALYTES, EXPRESSED, SpecificationFacts, UNITS};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::uncertainty::decision_rule::percent;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, VERSION, field_of, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Section, Sheet, Table, facts};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::{self, json};
use serde::Deserialize;
use uuid::Uuid;

use crate::conformity::picture;
use crate::conformity::risk::{self, GuardBandRisk, RiskQuestion};

const HELP: (&str, &str, &str) = (
    "The limits a content has to keep, for whom, and the rule by which results are judged.",
    "ISO/IEC 17025:2017 7.1.3 and 7.8.6; JCGM 106:2012.",
    "Someone other than its author approves it; then samples can be given it. They keep the version they were given.",
);

fn fields(rules: Vec<Choice>) -> Vec<Field> {
    vec![
        Field::new("code", "Code", Kind::Text),
        Field::new("title", "Title", Kind::Text),
        Field::new("scope", "For whom and for what", Kind::Long),
        Field::new("client_reference", "Client", Kind::Text).optional(),
        Field::new("matrix", "Matrix", Kind::Text).optional(),
        Field::new("analyte", "Limits are for", Kind::Choice(words(&ANALYTES))).part("Limits"),
        Field::new("expressed", "Expressed as", Kind::Choice(words(&EXPRESSED))).value("Fe"),
        Field::new("unit", "Unit", Kind::Choice(words(&UNITS))).help("As results are reported: none is converted."),
        Field::new("lower", "Lower limit", Kind::Decimal).optional(),
        Field::new("upper", "Upper limit", Kind::Decimal).optional().help("One of the two at least."),
        Field::new("decision_rule", "Decision rule", Kind::Thing(rules))
            .optional()
            .help("Left empty: that of the method version a result was made with.")
            .part("How it is applied"),
        Field::new("effective_from", "Samples can be given it from", Kind::Time { now: true })
            .optional()
            .help("Left empty: now."),
        Field::new("effective_to", "until", Kind::Time { now: false }).optional(),
    ]
}

/// What judges where a specification names no rule.
fn judged_by(facts: &SpecificationFacts) -> &'static str {
    match facts.decision_rule {
        Some(_) => "",
        None => "; by the decision rule of the method version",
    }
}

/// Decision rules that versions name.
fn named(versions: &[VersionView<SpecificationFacts>]) -> Vec<DecisionRuleId> {
    versions.iter().filter_map(|view| view.facts.decision_rule).collect()
}

/// Lists specifications.
#[get("/specifications")]
pub(super) async fn list_specifications(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = service::list(&db, &query.0.listing()?).await?;
    let named: Vec<Uuid> = named(&page.items).iter().map(|rule| rule.0).collect();
    let named = labels::of(&db, EntityKind::DecisionRule, &named).await?;
    let rows = page.items.into_iter().map(|view| {
        let limits = shell.n(view.facts.limits_in_words());
        vec![
            Cell::link(view.facts.code, format!("/specifications/{}", view.id)),
            Cell::text(view.version.to_string()),
            Cell::state(view.state),
            Cell::text(view.facts.title),
            Cell::text(view.facts.analyte),
            Cell::text(limits),
            Cell::text(match view.facts.decision_rule {
                Some(rule) => named.get(&rule.0).cloned().unwrap_or_default(),
                None => "of the method".to_owned(),
            }),
            Cell::text(view.facts.client_reference.unwrap_or_default()),
        ]
    });
    let table = Table {
        columns: vec!["Specification", "Version", "State", "Title", "Of", "Limits", "Decision rule", "Client"],
        rows: rows.collect(),
        empty: "No specification yet.",
        next: query.0.next("/specifications", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Specifications", "Specifications")
        .way(shell.may(Action::DraftSpecifications), "Draft a specification", "/specifications/new")
        .way(true, "Decision rules", "/decision-rules")
        .section("list", "", Part::Table(table))
        .help(HELP.0, HELP.1, HELP.2)
        .show()
}

/// Drafts a specification.
#[routes]
#[get("/specifications/new")]
#[post("/specifications/new")]
pub(super) async fn draft_specification(
    who: Allowed<DraftSpecifications>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("Draft a specification", "Save draft", "/specifications")
        .with(fields(rule_choices(&db, &[]).await?))
        .help(HELP.0, HELP.1, HELP.2);
    shell
        .take(&who, &sent, form, async |act, facts: SpecificationFacts| {
            let answer = service::record(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/specifications/{}", field_of(&answer, "id"))))
        })
        .await
}

async fn parts(db: &Db, id: Uuid) -> Result<Parts<SpecificationFacts>, Refusal> {
    Ok(Parts::of(service::read(db, id).await?.resource))
}

/// Process and measurement as a form gives them.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    mean: String,
    #[serde(default)]
    sd: String,
    #[serde(default)]
    u: String,
}

fn number(text: &str, name: &str) -> Result<Option<f64>, Refusal> {
    let given = text.trim().replace(',', ".");
    if given.is_empty() {
        return Ok(None);
    }
    let wrong = |_error| Refusal::invalid(name, "type", "must be a number", text);
    given.parse::<f64>().map(Some).map_err(wrong)
}

impl Asked {
    fn question(&self) -> Result<RiskQuestion, Refusal> {
        let (mean, sd) = (number(&self.mean, "mean")?, number(&self.sd, "sd")?);
        Ok(RiskQuestion { mean, sd, u: number(&self.u, "u")?, k: None })
    }
}

fn risk_row(shell: &Shell, risk: &GuardBandRisk) -> Vec<Cell> {
    let limit = |limit: Option<f64>| Cell::number(limit.map(|at| shell.n(show::figure(at, 6))).unwrap_or_default());
    vec![
        Cell::number(shell.n(format!("{:.1}", risk.w))),
        limit(risk.lower_acceptance),
        limit(risk.upper_acceptance),
        Cell::number(shell.n(percent(risk.consumer))),
        Cell::number(shell.n(percent(risk.producer))),
        Cell::number(shell.n(percent(risk.accepted))),
    ]
}

/// The form for a process, and both risks once there is one.
async fn risk_sections(shell: &Shell, db: &Db, id: Uuid, asked: &Asked, unit: &str) -> Result<Vec<Section>, Refusal> {
    let title = "Risk on both sides";
    let field = |name: &str, label: &str, value: &str| {
        Field::new(name, &format!("{label}, {unit}"), Kind::Decimal).optional().value(value)
    };
    let mut table = Table {
        columns: vec!["w, in U", "Accepted from", "Accepted up to", "Consumer's risk", "Producer's risk", "Accepted"],
        empty: "",
        filters: vec![
            field("mean", "Mean of the process", &asked.mean),
            field("sd", "Standard deviation of its true values", &asked.sd),
            field("u", "Standard uncertainty of a result", &asked.u),
        ],
        ..Table::default()
    };
    let answer = match asked.question() {
        Ok(question) => risk::read(db, id, &question).await,
        Err(refusal) => Err(refusal),
    };
    let view = match answer {
        Ok(view) => view,
        Err(refusal) if !refusal.fields.is_empty() || refusal.code == ferrotitre_base::refusal::Code::NotEnoughData => {
            let words = format!("{}.", refusal.detail);
            table.empty = "Enter a process, or leave it to the record once there are results enough.";
            return Ok(vec![
                Section::new("risk", title, Part::Words(shell.n(words))),
                Section::new("risk-form", "", Part::Table(table)),
            ]);
        }
        Err(refusal) => return Err(refusal),
    };
    table.rows = view.by_guard_band.iter().step_by(5).map(|risk| risk_row(shell, risk)).collect();
    let process = format!(
        "Mean {}, sd {}, u {} {unit}. {}",
        show::figure(view.process.mean, 5),
        show::figure(view.process.sd, 3),
        show::figure(view.process.u, 3),
        view.in_words()
    );
    let mut sections = vec![
        Section::new("risk", title, Part::Words(shell.n(process))),
        Section::new("risk-form", "", Part::Table(table)),
    ];
    if let Some(drawing) = picture::of(&view) {
        let rule =
            view.of_rule.as_ref().map_or("", |_| " The dotted line stands where the specification's own rule is.");
        let caption = format!(
            "Probability that an item does not conform and is accepted (above), and that it conforms and is rejected (below), \
             against the length of the guard band.{rule}"
        );
        sections.push(Section::new("risk-picture", "", Part::Chart { drawing, caption }));
    }
    Ok(sections)
}

/// A specification with its versions and risks.
#[get("/specifications/{id}")]
pub(super) async fn read_specification(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    query: Params<Asked>,
) -> Result<HttpResponse, Problem> {
    let parts = parts(&db, *id).await?;
    let view = parts.versions.last().ok_or_else(|| Refusal::not_found("specification", *id))?;
    let names = versioned::names(&db, &parts.versions, &parts.moves).await?;
    let fields = fields(rule_choices(&db, &named(&parts.versions)).await?);
    let path = format!("/specifications/{id}");
    let approves = shell.may(Action::ApproveSpecifications);
    let draft = view.state == "draft";
    let limits = shell.n(view.facts.limits_in_words());
    let risk = risk_sections(&shell, &db, *id, &query.0, &view.facts.unit).await?;
    let mut sheet = Sheet::new(&shell, "Specification", view.facts.code.clone())
        .state(view.state.clone())
        .lead(format!(
            "{}, version {}: {} {limits}{}",
            view.facts.title,
            view.version,
            view.facts.analyte,
            judged_by(&view.facts)
        ))
        .way(approves && draft, "Approve", format!("{path}/approval"))
        .way(approves && draft, "Reject", format!("{path}/rejection"))
        .way(shell.may(Action::DraftSpecifications) && !draft, "Draft the next version", format!("{path}/revision"))
        .way(approves && parts.in_force(), "Withdraw", format!("{path}/withdrawal"))
        .section("about", "About", Part::Facts(facts(&fields, &json(&view.facts), &shell)));
    sheet.sections.extend(risk);
    sheet
        .section("states", "Versions and their states", parts.states())
        .section("versions", "What each version changed", versioned::versions(&shell, &fields, &parts.versions, &names))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={}", view.version_id))
        .section("signatures", "Signatures", Part::Signatures(parts.sign_offs))
        .section("history", "History", Part::Moves(parts.moves, names))
        .help(HELP.0, HELP.1, HELP.2)
        .show()
}

/// Drafts the next version of a specification.
#[routes]
#[get("/specifications/{id}/revision")]
#[post("/specifications/{id}/revision")]
pub(super) async fn revise_specification(
    who: Allowed<DraftSpecifications>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let parts = parts(&db, *id).await?;
    let view = parts.versions.last().ok_or_else(|| Refusal::not_found("specification", *id))?;
    let back = format!("/specifications/{id}");
    let form = Form::new(format!("Next version of {}", view.facts.code), "Save draft", back.as_str())
        .lead("The version in force stays so until this one is approved; samples keep the version they were given.")
        .with(fields(rule_choices(&db, &[]).await?))
        .correcting(&json(&view.facts), view.version_id);
    let version = sent.get(VERSION).to_owned();
    shell
        .take(&who, &sent, form, async |act, correction: Correction<SpecificationFacts>| {
            Ok(onward(&service::revise(&db, &act, *id, Some(&version), correction).await?, &back))
        })
        .await
}

/// Approves, rejects or withdraws a specification.
#[routes]
#[get("/specifications/{id}/{step:approval|rejection|withdrawal}")]
#[post("/specifications/{id}/{step:approval|rejection|withdrawal}")]
pub(super) async fn decide_specification(
    who: Allowed<ApproveSpecifications>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (id, (decision, title, button, meaning, reason)) = (path.0, step_of(&path.1));
    let parts = parts(&db, id).await?;
    let back = format!("/specifications/{id}");
    let (lead, digest) = match parts.decided(decision) {
        Some((view, digest)) => {
            let facts = &view.facts;
            let limits = facts.limits_in_words();
            let by = judged_by(facts);
            (format!("{} version {}: {} {limits}{by}.", facts.code, view.version, facts.analyte), digest)
        }
        None => ("No version is in force.".to_owned(), ""),
    };
    let form = Form::new(format!("{title} a specification"), button, back.as_str())
        .lead(format!("{} {meaning}", shell.n(lead)))
        .signing(digest, reason);
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            Ok(onward(&service::decide(&db, &act, who.user(), **policy, (id, decision), signature).await?, &back))
        })
        .await
}
