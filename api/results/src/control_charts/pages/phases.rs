//! Phases: proposing limits from chosen points, looking at them, approving or rejecting them.

use actix_web::http::StatusCode;
use actix_web::{HttpResponse, get, routes, web};
use askama::Template;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ApprovePhases, ProposePhases, ReadRecords};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use serde::Deserialize;
use uuid::Uuid;

use super::{figure, origin};
use crate::control_charts::causes;
use crate::control_charts::phases as service;
use crate::control_charts::service as charts;
use crate::control_charts::wire::{ChartView, NewPhase, PhaseView, PointListing, PointView};

/// Points that one page shows for a baseline.
const MOST: i32 = 200;
/// Fields of a point: leave it out, cause, evidence.
const FIELDS: usize = 3;

/// Which points the baseline is made of.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct Range {
    #[serde(default)]
    first: String,
    #[serde(default)]
    last: String,
}

impl Range {
    /// As asked for; otherwise as many of the newest points as the chart needs.
    fn of(&self, chart: &ChartView) -> (i32, i32) {
        let last = self.last.parse().unwrap_or(chart.points).clamp(0, chart.points.max(0));
        let first = self.first.parse().unwrap_or((last - chart.baseline_minimum + 1).max(1));
        (first.max(last - MOST + 1).max(1), last)
    }
}

#[derive(Template)]
#[template(path = "control_charts/phase.html")]
struct PhasePage<'a> {
    shell: &'a Shell,
    form: &'a Form,
    range: Vec<Field>,
    points: &'a [PointView],
}

impl PhasePage<'_> {
    fn first(&self) -> usize {
        self.form.fields.len() - FIELDS * self.points.len()
    }

    fn plain(&self) -> &[Field] {
        &self.form.fields[..self.first()]
    }

    fn rows(&self) -> impl Iterator<Item = (&PointView, &Field, &Field, &Field)> {
        let fields = self.form.fields[self.first()..].chunks(FIELDS);
        self.points.iter().zip(fields).filter_map(|(point, fields)| match fields {
            [out, cause, reason] => Some((point, out, cause, reason)),
            _ => None,
        })
    }
}

/// Fields of the limits themselves.
fn plain_fields(chart: &ChartView, (first, last): (i32, i32)) -> Vec<Field> {
    let origins = vec![
        Choice::thing("baseline", "baseline", "centre and s from the points"),
        Choice::thing("reference", "reference", "the assigned value as centre"),
        Choice::thing("target", "target", "from a requirement"),
    ];
    let enough = last - first + 1 >= chart.baseline_minimum;
    let labels = vec![
        Choice::thing("preliminary", "preliminary", format!("fewer than {} points", chart.baseline_minimum)),
        Choice::word("established"),
    ];
    let points = |field: Field| if last >= first { field } else { field.value("") };
    vec![
        Field::new("origin", "Limits from", Kind::Choice(origins)).value("baseline"),
        Field::new("label", "Label", Kind::Choice(labels)).value(if enough { "established" } else { "preliminary" }),
        Field::new("valid_from", "Judges values observed from", Kind::Time { now: false })
            .value(show::time_field(chrono::Utc::now()))
            .help("After the last value recorded so far."),
        points(Field::new("baseline.first", "First point of the baseline", Kind::Whole).optional().value(first))
            .part("Baseline")
            .help("Left empty for a target, and for a reference whose s is given."),
        points(Field::new("baseline.last", "Last point of the baseline", Kind::Whole).optional().value(last)),
        Field::new("spread", "s is estimated by", Kind::Choice(words(&["standard deviation", "moving range"])))
            .optional(),
        Field::new("centre", "Centre, of a target", Kind::Decimal).optional().part("Given limits"),
        Field::new("s", "s, of a target or beside a reference", Kind::Decimal).optional(),
        Field::new("lower_action", "Lower action limit, in place of centre and s", Kind::Decimal).optional(),
        Field::new("upper_action", "Upper action limit", Kind::Decimal).optional(),
        Field::new("reason", "Why these limits", Kind::Long).help("At least 5 characters.").part("Why"),
    ]
}

/// Fields of a point; one that is ticked needs its cause and evidence.
fn point_fields(index: usize, sent: &Sent) -> [Field; FIELDS] {
    let name = |field: &str| format!("exclusions[{index}].{field}");
    let out = !sent.get(&name("value")).is_empty();
    let asked = |field: Field| if out { field } else { field.optional() };
    [
        Field::new(&name("value"), "", Kind::Text).optional(),
        asked(Field::new(&name("cause"), "Assignable cause", Kind::List(words(&causes::all())))),
        asked(Field::new(&name("reason"), "Evidence", Kind::Text)),
    ]
}

/// Refusals count the points left out; the form counts all points.
fn shifted(mut refusal: Refusal, ticked: &[usize]) -> Refusal {
    for wrong in &mut refusal.fields {
        let Some(rest) = wrong.field.strip_prefix("exclusions[") else { continue };
        let Some((index, field)) = rest.split_once(']') else { continue };
        if let Some(row) = index.parse::<usize>().ok().and_then(|index| ticked.get(index)) {
            wrong.field = format!("exclusions[{row}]{field}");
        }
    }
    refusal
}

/// Proposes a phase.
#[routes]
#[get("/charts/{id}/phases/new")]
#[post("/charts/{id}/phases/new")]
pub(super) async fn propose_phase(
    who: Allowed<ProposePhases>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    query: Params<Range>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let chart = charts::read(&db, *id).await?;
    let (first, last) = query.0.of(&chart);
    let listing = PointListing {
        limit: Some(i64::from((last - first + 1).clamp(1, MOST))),
        before: Some(last + 1),
        ..PointListing::default()
    };
    let mut points = charts::points(&db, *id, &listing).await?.items;
    points.reverse();
    let fields = (0..points.len()).flat_map(|index| point_fields(index, &sent));
    let ticked: Vec<usize> =
        (0..points.len()).filter(|index| !sent.get(&format!("exclusions[{index}].value")).is_empty()).collect();
    let back = format!("/charts/{id}");
    let form = Form::new(format!("Propose a phase of {}", chart.code), "Propose", back)
        .lead(format!("{}, {}. {} points so far.", chart.quantity, chart.unit, chart.points))
        .with(plain_fields(&chart, (first, last)))
        .with(fields)
        .help(
            "Limits that hold from a moment on, with everything they were made from.",
            "ISO 7870-2; ISO/IEC 17025:2017 7.7.1: points are left out only with an assignable cause.",
            "A manager who did not propose it approves or rejects it. Until then the present limits judge.",
        );
    let draw = |shell: &Shell, form: &Form, status: StatusCode| {
        let range = vec![
            Field::new("first", "Points from", Kind::Whole).optional().value(first),
            Field::new("last", "to", Kind::Whole).optional().value(last),
        ];
        shell.page(status, &PhasePage { shell, form, range, points: &points })
    };
    let work = async |act, new: NewPhase| {
        let answer = service::propose(&db, &act, *id, new).await.map_err(|refusal| shifted(refusal, &ticked))?;
        Ok(onward(&answer, &format!("/chart-phases/{}", field_of(&answer, "id"))))
    };
    shell.take_with(&who, &sent, form, draw, work).await
}

/// A phase.
#[get("/chart-phases/{id}")]
pub(super) async fn read_phase(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let phase = service::read(&db, *id).await?;
    let chart = charts::read(&db, phase.chart.0).await?;
    let mut people: Vec<Uuid> = phase.moves.iter().filter_map(|step| step.recorded_by).map(|by| by.0).collect();
    people.push(phase.recorded_by.0);
    let people = accounts::names(&db, &people).await?;
    let decides = phase.state == "proposed" && shell.may(Action::ApprovePhases);
    let path = format!("/chart-phases/{id}");
    let number = |value: f64| Cell::text(format!("{} {}", figure(&shell, value), chart.unit));
    let mut facts = vec![
        fact("Limits from", Cell::text(origin(&phase))),
        fact("Centre", number(phase.centre)),
        fact("Label", Cell::text(phase.label.clone())),
        fact("Judges values observed from", Cell::text(show::time(phase.valid_from))),
        fact("Proposed by", Cell::text(people.get(&phase.recorded_by.0).cloned().unwrap_or_default())),
        fact("Proposed", Cell::text(show::time(phase.recorded_at))),
        fact("Why", Cell::text(phase.reason.clone())),
    ];
    for (name, value) in [
        ("s", phase.s),
        ("Lower action limit", phase.lower_action),
        ("Lower warning limit", phase.lower_warning),
        ("Upper warning limit", phase.upper_warning),
        ("Upper action limit", phase.upper_action),
    ] {
        facts.extend(value.map(|value| fact(name, number(value))));
    }
    facts.extend(phase.spread.clone().map(|spread| fact("s estimated by", Cell::text(spread))));
    facts.extend(phase.valid_to.map(|at| fact("Until", Cell::text(show::time(at)))));
    Sheet::new(&shell, "Phase of a control chart", format!("{}, phase {}", chart.code, phase.number))
        .state(phase.state.clone())
        .lead(chart.title.clone())
        .way(decides, "Approve", format!("{path}/approval"))
        .way(decides, "Reject", format!("{path}/rejection"))
        .way(true, "Back to the chart", format!("/charts/{}", chart.id))
        .section("about", "Limits", Part::Facts(facts))
        .section("exclusions", "Points left out of the baseline", Part::Table(exclusions(&phase)))
        .section("signatures", "Signatures", Part::Signatures(phase.sign_offs))
        .section("history", "History", Part::Moves(phase.moves, people))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "Limits with the points they come from, and who answers for them.",
            "ISO 7870-2; ISO/IEC 17025:2017 7.7.1.",
            "Approved, it judges every value observed from its beginning until the next phase takes over.",
        )
        .show()
}

fn exclusions(phase: &PhaseView) -> Table {
    let rows = phase.exclusions.iter().map(|out| {
        vec![
            Cell::link(format!("point {}", out.position), format!("/control-values/{}", out.value)),
            Cell::text(out.cause.clone()),
            Cell::text(out.reason.clone()),
        ]
    });
    Table {
        columns: vec!["Point", "Assignable cause", "Evidence"],
        rows: rows.collect(),
        empty: "None.",
        ..Table::default()
    }
}

/// Approves or rejects a proposed phase.
#[routes]
#[get("/chart-phases/{id}/{step:approval|rejection}")]
#[post("/chart-phases/{id}/{step:approval|rejection}")]
pub(super) async fn decide_phase(
    who: Allowed<ApprovePhases>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (id, word) = path.into_inner();
    let approve = word == "approval";
    let phase = service::read(&db, id).await?;
    let back = format!("/chart-phases/{id}");
    let limits = match (phase.lower_action, phase.upper_action) {
        (Some(low), Some(high)) => format!(", action limits {} and {}", figure(&shell, low), figure(&shell, high)),
        (None, Some(high)) => format!(", upper action limit {}", figure(&shell, high)),
        _ => String::new(),
    };
    let what = format!("{}: centre {}{limits}.", origin(&phase), figure(&shell, phase.centre));
    let form = if approve {
        Form::new(format!("Approve phase {}", phase.number), "Sign and approve", back.as_str())
            .lead(format!("You sign these limits. {what}"))
    } else {
        Form::new(format!("Reject phase {}", phase.number), "Sign and reject", back.as_str())
            .lead(format!("The proposal stays on record, rejected. {what}"))
    };
    let form = form.signing(&phase.content_digest, !approve);
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            let answer = service::decide(&db, &act, who.user(), **policy, (id, approve), signature).await?;
            Ok(onward(&answer, &back))
        })
        .await
}
