//! What goes into the long tables: determinations with every titration, control charts with every point.

use std::pin::pin;

use actix_web::web;
use chrono::{DateTime, SecondsFormat, Utc};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::specifications::conformity::Judged;
use ferrotitre_results::control_charts::service as charts;
use ferrotitre_results::control_charts::wire::{PointListing, PointView};
use ferrotitre_results::determinations::bulk::{self, Selection, Tabled};
use ferrotitre_results::determinations::evaluation::TitreView;
use ferrotitre_results::determinations::wire::TitrationView;
use futures_util::{TryStreamExt, stream};
use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

use crate::spool::{Cell, Format, Spool};

/// Determinations that are read at once; what is held in memory does not grow with the export.
const AT_ONCE: i64 = 250;
/// Pages whose facts are read at the same time, and that are evaluated while the one before is written.
const PAGES_AHEAD: usize = 2;
/// Points of a chart that are read at once.
const POINTS_AT_ONCE: i64 = 500;

/// The query in words, as it is put on record.
pub(super) fn words(wanted: &Selection, recorded_by: Option<&str>) -> String {
    let time = |at: &DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Micros, true);
    let parts = [
        wanted.from.as_ref().map(|at| format!("from {}", time(at))),
        wanted.until.as_ref().map(|at| format!("until {}", time(at))),
        wanted.run.map(|id| format!("run {id}")),
        wanted.method.map(|id| format!("method version {id}")),
        recorded_by.map(|person| format!("recorded by {person}")),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    if parts.is_empty() { "all determinations".to_owned() } else { parts.join(", ") }
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
    fn take(&mut self, of: &Tabled) {
        self.determinations += 1;
        *self.by_state.entry(of.state.clone()).or_default() += 1;
        self.amendments += of.amendments as u64;
        self.without_result += u64::from(of.reported.is_none());
        for (titration, titre) in &of.titrations {
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
    "outcome",
    "result",
    "u",
    "unit",
    "reported",
    "expanded_uncertainty",
    "coverage_factor",
    "specification",
    "conformity",
    "conformance_probability",
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

pub(super) fn time(at: DateTime<Utc>) -> Cell<'static> {
    at.to_rfc3339_opts(SecondsFormat::Micros, true).into()
}

/// Cells that all rows of a determination begin with.
struct Beginning {
    id: String,
    run: String,
    sample: String,
}

impl Beginning {
    fn of(of: &Tabled) -> Self {
        Self { id: of.id.to_string(), run: of.run.to_string(), sample: of.sample.to_string() }
    }

    fn cells<'a>(&'a self, of: &'a Tabled, row: &mut Vec<Cell<'a>>) {
        let reported = of.reported.as_ref();
        row.extend([
            Cell::from(self.id.as_str()),
            of.code.as_str().into(),
            of.method_code.as_str().into(),
            of.analyte.as_str().into(),
            self.run.as_str().into(),
            self.sample.as_str().into(),
            of.purpose.as_str().into(),
            of.state.as_str().into(),
            of.outcome.into(),
            of.result.map(|(value, _)| value).into(),
            of.result.map(|(_, u)| u).into(),
            reported.map(|reported| reported.unit).into(),
            reported.map(|reported| reported.text.as_str()).into(),
            reported.map(|reported| reported.expanded_uncertainty.as_str()).into(),
            reported.map(|reported| reported.coverage_factor).into(),
        ]);
        row.extend(judged(&of.conformity));
    }
}

/// What specifications say: code and version, outcome, probability of conforming. Those of several stand in one cell, in the same
/// order in all three; a single probability is a number.
fn judged(all: &[Judged]) -> [Cell<'static>; 3] {
    let joined = |of: fn(&Judged) -> String| all.iter().map(of).collect::<Vec<_>>().join("; ");
    match all {
        [] => [Cell::Empty, Cell::Empty, Cell::Empty],
        _ => [
            joined(|of| format!("{} v{}", of.code, of.version)).into(),
            joined(|of| of.outcome.to_owned()).into(),
            match all {
                [one] => one.conformance_probability.into(),
                several => {
                    let texts =
                        several.iter().map(|of| of.conformance_probability.map(|p| p.to_string()).unwrap_or_default());
                    texts.collect::<Vec<_>>().join("; ").into()
                }
            },
        ],
    }
}

fn joined(of: &[ferrotitre_base::web::decimal::Decimal]) -> Cell<'static> {
    match of {
        [one] => one.to_string().into(),
        several => several.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ").into(),
    }
}

fn of_titration<'a>((titration, titre): (&'a TitrationView, &'a TitreView), row: &mut Vec<Cell<'a>>) {
    let facts = &titration.facts;
    row.extend([
        Cell::from(titre.titration.as_str()),
        titration.position.into(),
        titration.version.into(),
        facts.kind.as_str().into(),
        titre.fate.into(),
        titre.reasons.join("; ").into(),
        joined(&facts.initial_readings),
        joined(&facts.final_readings),
        titre.difference_ml.as_str().into(),
        titre.volume_ml.into(),
        titre.net_ml.into(),
        facts.solution_temperature.as_ref().map(ToString::to_string).into(),
        facts.end_point.as_str().into(),
        titre.reduction.into(),
        if titration.late { "late" } else { "" }.into(),
        facts.concession.map(|id| id.to_string()).into(),
        titration.reason.as_deref().into(),
        time(facts.observed_at),
        time(titration.recorded_at),
        titration.recorded_by.to_string().into(),
    ]);
}

/// A table that is being written, and what was counted so far.
type Begun = (Spool, Counts);

fn write((mut spool, mut counts): Begun, determinations: &[Tabled]) -> Result<Begun, Refusal> {
    for of in determinations {
        counts.take(of);
        let beginning = Beginning::of(of);
        let mut row = Vec::with_capacity(DETERMINATIONS.len());
        beginning.cells(of, &mut row);
        let begins = row.len();
        if of.titrations.is_empty() {
            row.resize(DETERMINATIONS.len(), Cell::Empty);
            spool.row(&row)?;
        }
        for (titration, titre) in &of.titrations {
            row.truncate(begins);
            of_titration((titration, titre), &mut row);
            spool.row(&row)?;
        }
    }
    Ok((spool, counts))
}

/// Work that takes the processor, off the event loop.
pub(super) async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    web::block(work).await.map_err(Refusal::internal)?
}

/// Writes determinations, a row per titration ever made, and one for a determination that has none.
///
/// Pages are read while those before them are evaluated and written, each on a thread of its own.
pub(super) async fn determinations(db: &Db, wanted: &Selection, format: Format) -> Result<Begun, Refusal> {
    let pages = stream::try_unfold(Some(None), move |cursor: Option<Option<Uuid>>| async move {
        let Some(after) = cursor else { return Ok(None) };
        let page = bulk::page(db, wanted, after, AT_ONCE).await?;
        Ok::<_, Refusal>(Some((page.items, page.next.map(Some))))
    });
    let read = pages.map_ok(|rows| bulk::gathered(db, rows)).try_buffered(PAGES_AHEAD);
    let evaluated = read.map_ok(|page| aside(move || page.evaluated())).try_buffered(PAGES_AHEAD);
    let mut evaluated = pin!(evaluated);
    let spool = Spool::new(format, DETERMINATIONS)?;
    let (pages, mut waiting) = tokio::sync::mpsc::channel::<Vec<Tabled>>(PAGES_AHEAD);
    let written = aside(move || {
        let mut begun = (spool, Counts::default());
        while let Some(page) = waiting.blocking_recv() {
            begun = write(begun, &page)?;
        }
        Ok(begun)
    });
    let handed = async move {
        while let Some(page) = evaluated.try_next().await? {
            // Nobody waits any more: the writer says why.
            if pages.send(page).await.is_err() {
                break;
            }
        }
        Ok(())
    };
    futures_util::try_join!(written, handed).map(|(begun, ())| begun)
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

fn of_point(point: &PointView) -> Result<Vec<Cell<'_>>, Refusal> {
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
        point.value.value().into(),
        point.events.into(),
        point.trials.into(),
        point.source.as_str().into(),
        point.run.map(|id| id.to_string()).into(),
        point.determination.map(|id| id.to_string()).into(),
        point.phase.map(|id| id.to_string()).into(),
        point.z.into(),
        rules.join("; ").into(),
        point.verdict.as_str().into(),
        point.state.as_str().into(),
        if point.excluded { "excluded" } else { "" }.into(),
        point.cause.as_deref().into(),
        point.note.as_deref().into(),
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
