//! What goes into the long tables: determinations with every titration, control charts with every point.

use chrono::{DateTime, SecondsFormat, Utc};
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::control_charts::service as charts;
use crate::control_charts::wire::{PointListing, PointView};
use crate::db::Db;
use crate::determinations::service::{self as determinations, Selection};
use crate::determinations::wire::{DeterminationView, TitrationView};
use crate::exports::spool::{Format, Spool};
use crate::ids::MethodId;
use crate::refusal::Refusal;

/// Determinations that are read at once; what is held in memory does not grow with the export.
const AT_ONCE: i64 = 50;
/// Points of a chart that are read at once.
const POINTS_AT_ONCE: i64 = 500;

/// What is exported of the determinations.
#[derive(Debug, Clone, Default)]
pub(super) struct Wanted {
    pub(super) from: Option<DateTime<Utc>>,
    pub(super) until: Option<DateTime<Utc>>,
    pub(super) run: Option<Uuid>,
    pub(super) method: Option<MethodId>,
}

impl Wanted {
    /// The query in words, as it is put on record.
    pub(super) fn words(&self) -> String {
        let time = |at: &DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Micros, true);
        let parts = [
            self.from.as_ref().map(|at| format!("from {}", time(at))),
            self.until.as_ref().map(|at| format!("until {}", time(at))),
            self.run.map(|id| format!("run {id}")),
            self.method.map(|id| format!("method version {id}")),
        ];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        if parts.is_empty() { "all determinations".to_owned() } else { parts.join(", ") }
    }
}

/// Completeness: what was made, and what became of it.
#[derive(Debug, Default, Clone, Serialize)]
pub(super) struct Counts {
    determinations: u64,
    by_state: std::collections::BTreeMap<String, u64>,
    titrations_made: u64,
    used: u64,
    not_used: u64,
    rough: u64,
    rejected: u64,
    rejected_by_cause: std::collections::BTreeMap<String, u64>,
    discarded_reductions: u64,
    corrections: u64,
    amendments: u64,
    saved_late: u64,
    under_concession: u64,
    without_result: u64,
}

impl Counts {
    fn take(&mut self, view: &DeterminationView) {
        self.determinations += 1;
        *self.by_state.entry(view.state.clone()).or_default() += 1;
        self.amendments += view.moves.iter().filter(|step| step.to_state == "amended").count() as u64;
        self.without_result += u64::from(view.evaluation.reported.is_none());
        for titre in &view.evaluation.titres {
            match titre.fate {
                "used" => self.used += 1,
                "not used" => self.not_used += 1,
                "rough" => self.rough += 1,
                "rejected" => {
                    self.rejected += 1;
                    for cause in &titre.reasons {
                        *self.rejected_by_cause.entry(cause.clone()).or_default() += 1;
                    }
                }
                "failed reduction" => self.discarded_reductions += 1,
                _ => {}
            }
            self.titrations_made += u64::from(titre.fate != "superseded");
        }
        for titration in &view.titrations {
            self.corrections += u64::from(titration.version > 1);
            self.saved_late += u64::from(titration.late);
            self.under_concession += u64::from(titration.facts.concession.is_some());
        }
    }
}

pub(super) const DETERMINATIONS: &[&str] = &[
    "determination",
    "code",
    "method",
    "analyte",
    "run",
    "sample",
    "purpose",
    "state",
    "result",
    "u",
    "unit",
    "reported",
    "expanded_uncertainty",
    "coverage_factor",
    "titration",
    "position",
    "version",
    "kind",
    "fate",
    "reasons",
    "initial_readings_mL",
    "final_readings_mL",
    "difference_mL",
    "volume_20C_mL",
    "net_mL",
    "temperature_C",
    "end_point",
    "reduction",
    "late",
    "concession",
    "correction_reason",
    "observed_at",
    "recorded_at",
    "recorded_by",
];

fn time(at: DateTime<Utc>) -> Value {
    at.to_rfc3339_opts(SecondsFormat::Micros, true).into()
}

fn of_determination(view: &DeterminationView) -> Vec<Value> {
    let reported = view.evaluation.reported.as_ref();
    let figure = reported.and_then(|reported| {
        view.evaluation.figures.iter().find(|figure| figure.unit == reported.unit && figure.expressed == view.expressed)
    });
    vec![
        view.id.to_string().into(),
        view.code.clone().into(),
        view.method_code.clone().into(),
        view.analyte.clone().into(),
        view.run.to_string().into(),
        view.sample.to_string().into(),
        view.purpose.clone().into(),
        view.state.clone().into(),
        figure.map(|figure| figure.value).into(),
        figure.map(|figure| figure.u).into(),
        reported.map(|reported| reported.unit).into(),
        reported.map(|reported| reported.text.clone()).into(),
        reported.map(|reported| reported.expanded_uncertainty.clone()).into(),
        reported.map(|reported| reported.coverage_factor).into(),
    ]
}

fn of_titration(view: &DeterminationView, titration: &TitrationView) -> Vec<Value> {
    let id = titration.version_id.to_string();
    let titre = view.evaluation.titres.iter().find(|titre| titre.titration == id);
    let facts = &titration.facts;
    let joined = |of: &[crate::web::decimal::Decimal]| -> Value {
        of.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ").into()
    };
    vec![
        id.into(),
        titration.position.into(),
        titration.version.into(),
        facts.kind.clone().into(),
        titre.map_or("superseded", |titre| titre.fate).into(),
        titre.map(|titre| titre.reasons.join("; ")).into(),
        joined(&facts.initial_readings),
        joined(&facts.final_readings),
        titre.map(|titre| titre.difference_ml.clone()).into(),
        titre.map(|titre| titre.volume_ml).into(),
        titre.map(|titre| titre.net_ml).into(),
        facts.solution_temperature.as_ref().map(ToString::to_string).into(),
        facts.end_point.clone().into(),
        titre.and_then(|titre| titre.reduction).into(),
        if titration.late { "late" } else { "" }.into(),
        facts.concession.map(|id| id.to_string()).into(),
        titration.reason.clone().into(),
        time(facts.observed_at),
        time(titration.recorded_at),
        titration.recorded_by.to_string().into(),
    ]
}

/// Writes determinations, a row per titration ever made, and one for a determination that has none.
pub(super) async fn determinations(db: &Db, wanted: &Wanted, format: Format) -> Result<(Spool, Counts), Refusal> {
    let mut spool = Spool::new(format, DETERMINATIONS)?;
    let mut counts = Counts::default();
    let mut after = None;
    loop {
        let selection = Selection {
            from: wanted.from,
            until: wanted.until,
            run: wanted.run,
            method: wanted.method,
            after,
            limit: AT_ONCE,
        };
        let page = determinations::selected(db, &selection).await?;
        for view in &page.items {
            counts.take(view);
            let begin = of_determination(view);
            if view.titrations.is_empty() {
                let mut row = begin.clone();
                row.resize(DETERMINATIONS.len(), Value::Null);
                spool.row(&row)?;
            }
            for titration in &view.titrations {
                let mut row = begin.clone();
                row.extend(of_titration(view, titration));
                spool.row(&row)?;
            }
        }
        after = page.next;
        if after.is_none() {
            return Ok((spool, counts));
        }
    }
}

pub(super) const POINTS: &[&str] = &[
    "position",
    "value",
    "events",
    "trials",
    "source",
    "run",
    "determination",
    "phase",
    "z",
    "rules_hit",
    "verdict",
    "state",
    "excluded",
    "cause",
    "note",
    "observed_at",
    "recorded_at",
    "recorded_by",
];

fn of_point(point: &PointView) -> Result<Vec<Value>, Refusal> {
    let hits = serde_json::to_value(&point.hits).map_err(Refusal::internal)?;
    let rules: Vec<String> = hits
        .as_array()
        .into_iter()
        .flatten()
        .map(|hit| hit["rule"].as_str().map_or_else(|| hit.to_string(), ToOwned::to_owned))
        .collect();
    Ok(vec![
        point.position.into(),
        // The digits as entered; a number that a spreadsheet reads as one.
        json!(point.value.value()),
        point.events.into(),
        point.trials.into(),
        point.source.clone().into(),
        point.run.map(|id| id.to_string()).into(),
        point.determination.map(|id| id.to_string()).into(),
        point.phase.map(|id| id.to_string()).into(),
        point.z.into(),
        rules.join("; ").into(),
        point.verdict.clone().into(),
        point.state.clone().into(),
        if point.excluded { "excluded" } else { "" }.into(),
        point.cause.clone().into(),
        point.note.clone().into(),
        time(point.observed_at),
        time(point.recorded_at),
        point.recorded_by.to_string().into(),
    ])
}

/// Writes the points of a chart, newest first, and returns the chart with phases and statistics beside them.
pub(super) async fn chart(db: &Db, id: Uuid, format: Format) -> Result<(Spool, String, Value), Refusal> {
    let view = charts::read(db, id).await?;
    let code = view.code.clone();
    let described = serde_json::to_value(&view).map_err(Refusal::internal)?;
    let mut spool = Spool::new(format, POINTS)?;
    let mut before = None;
    loop {
        let listing = PointListing {
            limit: Some(POINTS_AT_ONCE),
            before,
            from: None,
            until: None,
            verdict: None,
            as_judged_by: None,
        };
        let page = charts::points(db, id, &listing).await?;
        for point in &page.items {
            spool.row(&of_point(point)?)?;
        }
        before = page.next;
        if before.is_none() {
            return Ok((spool, code, described));
        }
    }
}
