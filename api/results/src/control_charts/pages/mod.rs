//! Pages of control charts: the picture with its phases, what its rules do, the values with their verdicts.

mod begin;
mod charts;
mod importing;
mod phases;
mod plans;
mod rules;
mod values;

use std::collections::HashMap;

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::ControlChartId;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Choice, Field, Kind};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Fact, Names, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use serde::Deserialize;
use uuid::Uuid;

use crate::control_charts::begin::next_of;
use crate::control_charts::begin::wire::NextStep;
use crate::control_charts::picture::{self, PictureQuestion};
use crate::control_charts::service::{self, Open};
use crate::control_charts::wire::{ChartView, Hit, PhaseView, PointListing, PointView};

/// Verdicts a value can get.
pub(super) const VERDICTS: [&str; 4] = ["in control", "investigate", "out of control", "not judged"];
/// Points that a page draws; the whole chart is at its own address.
const DRAWN: i64 = 150;
/// Values on a page.
const LISTED: i64 = 25;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_charts)
        .service(begin::begin_control)
        .service(charts::define_chart)
        .service(charts::ask_run_lengths)
        .service(read_chart)
        .service(charts::close_chart)
        .service(charts::review_chart)
        .service(phases::propose_phase)
        .service(phases::read_phase)
        .service(phases::decide_phase)
        .service(values::record_value)
        .service(importing::import_values)
        .service(importing::import_list)
        .service(values::read_value)
        .service(values::dispose_value)
        .service(plans::list_plans)
        .service(plans::record_plan)
        .service(plans::read_plan)
        .service(plans::correct_plan);
}

/// Charts as choices of a form.
pub async fn choices(db: &Db) -> Result<Vec<Choice>, Refusal> {
    let charts = service::list(db, &ferrotitre_html::form::first_page()).await?.items.into_iter();
    let open = charts.filter(|chart| chart.state != "closed");
    Ok(open.map(|chart| Choice::thing(chart.id, &chart.code, chart.title)).collect())
}

/// Names of a chart's phases, by identity.
fn phase_names(phases: &[PhaseView]) -> HashMap<Uuid, i32> {
    phases.iter().map(|phase| (phase.id.0, phase.number)).collect()
}

/// A figure of a chart.
fn figure(shell: &Shell, value: f64) -> String {
    shell.n(show::figure(value, 5))
}

/// A value: as it was entered, or, if it was computed with more digits than anybody reads, to seven figures.
pub fn shown(shell: &Shell, value: &Decimal) -> String {
    let text = value.to_string();
    let digits = text.chars().filter(char::is_ascii_digit).count();
    shell.n(if digits > 8 { show::figure(value.value(), 7) } else { text })
}

/// Rules a point completed, in words.
fn hits(hits: &[Hit]) -> String {
    hits.iter().map(|hit| format!("rule {}: {}", hit.rule, hit.text)).collect::<Vec<_>>().join("; ")
}

/// Where limits come from, in words.
fn origin(phase: &PhaseView) -> String {
    let n = phase.n.map_or_else(String::new, |n| format!(", baseline of n = {n}"));
    let out = match phase.exclusions.len() {
        0 => String::new(),
        out => format!(", {out} left out"),
    };
    format!("{}{n}{out}", phase.origin)
}

/// Lines of a table of phases.
pub(super) fn phase_rows(shell: &Shell, phases: &[PhaseView]) -> Vec<Vec<Cell>> {
    let number = |value: Option<f64>| Cell::number(value.map(|value| figure(shell, value)).unwrap_or_default());
    let row = |phase: &PhaseView| {
        vec![
            Cell::link(format!("phase {}", phase.number), format!("/chart-phases/{}", phase.id)),
            Cell::state(phase.state.clone()),
            Cell::text(origin(phase)),
            number(Some(phase.centre)),
            number(phase.s),
            number(phase.lower_action),
            number(phase.upper_action),
            Cell::text(show::time(phase.valid_from)),
            Cell::text(phase.valid_to.map(show::time).unwrap_or_default()),
        ]
    };
    phases.iter().rev().map(row).collect()
}

/// Columns of [`phase_rows`].
pub(super) const PHASE_COLUMNS: [&str; 9] =
    ["Phase", "State", "Limits from", "Centre", "s", "Lower action", "Upper action", "Judges from", "Until"];

/// Lists control charts.
#[get("/charts")]
pub(super) async fn list_charts(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = service::list(&db, &query.0.listing()?).await?;
    let ids: Vec<ControlChartId> = page.items.iter().map(|chart| chart.id).collect();
    let mut open = service::open_hits(&db, &ids).await?;
    let mut rows = Vec::new();
    for chart in page.items {
        let last = PointListing { limit: Some(1), ..PointListing::default() };
        let last = service::points(&db, chart.id.0, &last).await?.items.pop();
        let phase = chart.phases.last();
        let open = open.remove(&chart.id.0).unwrap_or_default();
        rows.push(vec![
            Cell::link(chart.code, format!("/charts/{}", chart.id)),
            Cell::state(service::standing(&open, last.as_ref().map(|point| point.verdict.as_str()))),
            Cell::number(if open.is_empty() { String::new() } else { open.len().to_string() }),
            Cell::text(chart.title),
            Cell::text(format!("{}, {}", chart.quantity, chart.unit)),
            Cell::number(last.as_ref().map(|point| shown(&shell, &point.value)).unwrap_or_default()),
            Cell::text(last.map(|point| show::time(point.observed_at)).unwrap_or_default()),
            Cell::text(phase.map_or_else(|| "no limits yet".to_owned(), |p| format!("{}, {}", p.state, origin(p)))),
            Cell::number(chart.points.to_string()),
            Cell::text(chart.state),
        ]);
    }
    let table = Table {
        columns: vec![
            "Chart",
            "Stands",
            "To decide",
            "Title",
            "Quantity, unit",
            "Last value",
            "Observed",
            "Limits",
            "Points",
            "State",
        ],
        rows,
        empty: "No chart yet.",
        next: query.0.next("/charts", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Control charts", "Control charts")
        .way(shell.may(Action::DefineCharts), "Begin a control", "/charts/begin")
        .way(shell.may(Action::DefineCharts), "Define a chart alone", "/charts/new")
        .way(true, "Plans of quality control", "/qc-plans")
        .way(true, "Control materials", "/control-materials")
        .way(true, "What rules do", "/charts/run-lengths")
        .section("list", "", Part::Table(table))
        .help(
            "One quantity of one material lot, titrant or method over time, with limits that two people answer for.",
            "ISO 7870-2, ISO 7870-6; ISO/IEC 17025:2017 7.7.1 (monitoring the validity of results).",
            "A value is judged once, by the limits in force at its time; what became of it is recorded beside it.",
        )
        .show()
}

/// Which values of a chart.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct ChartQuestion {
    #[serde(default)]
    verdict: String,
    #[serde(default)]
    from: String,
    #[serde(default)]
    until: String,
    before: Option<i32>,
    /// Phase of this chart whose view is asked for; empty for the verdicts as they were given.
    #[serde(default)]
    judged_by: String,
    /// Points drawn.
    last: Option<i64>,
}

impl ChartQuestion {
    fn listing(&self) -> Result<PointListing, Refusal> {
        let days = Narrow::of_days(&self.from, &self.until).listing()?;
        let phase = (!self.judged_by.is_empty()).then(|| self.judged_by.parse());
        let phase = phase.transpose().map_err(|_not_an_id| {
            Refusal::invalid("judged_by", "exists", "is no phase of this chart", &self.judged_by)
        })?;
        Ok(PointListing {
            limit: Some(LISTED),
            before: self.before,
            from: days.from,
            until: days.until,
            verdict: (!self.verdict.is_empty()).then(|| self.verdict.clone()),
            as_judged_by: phase,
        })
    }

    fn fields(&self, phases: &[PhaseView]) -> Vec<Field> {
        let phases =
            phases.iter().map(|phase| Choice::thing(phase.id, &format!("phase {}", phase.number), "")).collect();
        vec![
            Field::new("verdict", "Verdict", Kind::List(words(&VERDICTS))).optional().value(&self.verdict),
            Field::new("from", "Observed from", Kind::Day).optional().value(&self.from),
            Field::new("until", "to", Kind::Day).optional().value(&self.until),
            Field::new("judged_by", "As it would be judged by", Kind::List(phases)).optional().value(&self.judged_by),
        ]
    }

    fn next(&self, path: &str, next: Option<i32>) -> Option<String> {
        let kept =
            [("verdict", &self.verdict), ("from", &self.from), ("until", &self.until), ("judged_by", &self.judged_by)];
        let kept = kept.iter().filter(|(_, value)| !value.is_empty());
        let kept: String = kept.map(|(name, value)| format!("{name}={}&", show::encoded(value))).collect();
        next.map(|next| format!("{path}?{kept}before={next}#values"))
    }
}

/// Lines of a table of values.
fn value_rows(shell: &Shell, points: &[PointView], phases: &HashMap<Uuid, i32>, people: &Names) -> Vec<Vec<Cell>> {
    let row = |point: &PointView| {
        let phase = point.phase.and_then(|id| phases.get(&id.0));
        let z = point.z.map(|z| shell.n(format!("{z:+.2}")));
        vec![
            Cell::link(format!("point {}", point.position), format!("/control-values/{}", point.id)),
            Cell::state(point.verdict.clone()),
            Cell::number(shown(shell, &point.value)),
            Cell::number(z.unwrap_or_default()),
            Cell::text(hits(&point.hits)),
            Cell::text(
                point.cause.clone().map_or_else(|| point.state.clone(), |cause| format!("{}: {cause}", point.state)),
            ),
            Cell::text(phase.map(|number| format!("phase {number}")).unwrap_or_default()),
            Cell::text(show::time(point.observed_at)),
            Cell::text(people.get(&point.recorded_by.0).cloned().unwrap_or_default()),
        ]
    };
    points.iter().map(row).collect()
}

/// Whether its limits were ever in force.
fn was_approved(phase: &PhaseView) -> bool {
    !matches!(phase.state.as_str(), "proposed" | "rejected")
}

/// The ways on from a chart.
fn offer<'a>(sheet: Sheet<'a>, shell: &Shell, chart: &ChartView, path: &str) -> Sheet<'a> {
    let open = chart.state != "closed";
    sheet
        .way(open && shell.may(Action::ProposePhases), "Propose a phase", format!("{path}/phases/new"))
        .way(open && shell.may(Action::RecordControlValues), "Record a value", format!("{path}/values/new"))
        .way(open && shell.may(Action::RecordControlValues), "Import values", format!("{path}/import"))
        .way(open && shell.may(Action::RecordControlValues), "Import a list", format!("{path}/import-list"))
        .way(chart.phases.iter().any(was_approved), "Review", format!("{path}/review"))
        .way(open && shell.may(Action::DefineCharts), "Close", format!("{path}/closing"))
}

/// A chart: picture, phases, what its rules do, statistics, values.
#[get("/charts/{id}")]
pub(super) async fn read_chart(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    query: Params<ChartQuestion>,
) -> Result<HttpResponse, Problem> {
    let asked = query.0;
    let chart = service::read(&db, *id).await?;
    let listed = service::points(&db, *id, &asked.listing()?).await?;
    let last = asked.last.unwrap_or(DRAWN);
    let drawn = picture::draw(&db, *id, &PictureQuestion { last: Some(last) }).await?;
    let people: Vec<Uuid> = listed.items.iter().map(|point| point.recorded_by.0).collect();
    let people = accounts::names(&db, &people).await?;
    let path = format!("/charts/{id}");
    let phases: Vec<PhaseView> = chart.phases.clone();
    let approved: Vec<PhaseView> = phases.iter().filter(|phase| was_approved(phase)).cloned().collect();
    let waits = next_of(&db, &chart).await?;
    let values = Table {
        columns: vec!["Point", "Verdict", "Value", "In s", "Rules completed", "Now", "Judged by", "Observed", "By"],
        rows: value_rows(&shell, &listed.items, &phase_names(&phases), &people),
        empty: "No value of this kind.",
        next: asked.next(&path, listed.next),
        filters: asked.fields(&approved),
        ..Table::default()
    };
    let open = service::open_hits(&db, &[chart.id]).await?.remove(&chart.id.0).unwrap_or_default();
    let state = match service::standing(&open, None) {
        "no value yet" => chart.state.as_str(),
        standing => standing,
    };
    let mut sheet = Sheet::new(&shell, "Control chart", chart.code.clone()).state(state).lead(chart.title.clone());
    sheet = offer(sheet, &shell, &chart, &path);
    if !open.is_empty() {
        sheet = sheet.section("open", "To decide on", Part::Table(open_table(&open)));
    }
    if !waits.is_empty() {
        sheet = sheet.section("waits", "What comes next", Part::Table(next_table(waits)));
    }
    let phase_table = Table {
        columns: PHASE_COLUMNS.to_vec(),
        rows: phase_rows(&shell, &phases),
        empty: "No limits yet: values are collected and not judged.",
        ..Table::default()
    };
    sheet = sheet
        .section("picture", "Chart", Part::Chart { drawing: drawn.svg, caption: drawn.caption })
        .section_way(i64::from(chart.points) > last, "Whole chart", format!("/api/v1/control-charts/{id}.svg"))
        .section("phases", "Phases", Part::Table(phase_table));
    if let Some(words) = listed.caution {
        sheet = sheet.section("view", "Another view", Part::Alert(vec![words]));
    }
    let files = importing::files(&db, *id).await?;
    sheet
        .section("values", "Values", Part::Table(values))
        .section("rules", "Rules", Part::Table(charts::rule_table(&shell, &chart.rules)))
        .section_of("lengths", "False alarms", charts::lengths(&shell, &chart))
        .section_of("statistics", "Statistics", charts::statistics(&shell, &chart))
        .section_of("files", "Imported files", files)
        .section("about", "About", Part::Facts(about(&shell, &db, &chart).await?))
        .section_way(shell.may(Action::ExportRecords), "As bundle to be checked", format!("/api/v1/control-charts/{id}/bundle"))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "What was charted, with the limits in force at each point's own time and the verdict it got then.",
            "ISO 7870-2 (limits), ISO 7870-4 and -6 (cumulative sums, moving averages); ISO/IEC 17025:2017 7.7.1.",
            "A rule hit is looked into on the value's page; new limits are proposed by one person and approved by another.",
        )
        .show()
}

/// Open hits that are listed; the rest are among the values.
const OPEN_LISTED: usize = 10;

/// Values that completed a rule and wait for a manager.
fn open_table(open: &[Open]) -> Table {
    let mut rows: Vec<Vec<Cell>> = open
        .iter()
        .take(OPEN_LISTED)
        .map(|hit| {
            let point = format!("point {}", hit.position);
            vec![Cell::link(point, format!("/control-values/{}", hit.id)), Cell::state(hit.verdict.clone())]
        })
        .collect();
    if open.len() > OPEN_LISTED {
        rows.push(vec![
            Cell::text(format!("and {} more, among the values", open.len() - OPEN_LISTED)),
            Cell::default(),
        ]);
    }
    Table { columns: vec!["Completed a rule", "Verdict"], rows, ..Table::default() }
}

/// What a chart waits for, each leading to where it is done, with who does it.
fn next_table(steps: Vec<NextStep>) -> Table {
    let row = |step: NextStep| vec![Cell::link(step.what, step.page), Cell::text(step.who)];
    Table { columns: vec!["What", "Who"], rows: steps.into_iter().map(row).collect(), ..Table::default() }
}

async fn about(shell: &Shell, db: &Db, chart: &ChartView) -> Result<Vec<Fact>, Refusal> {
    let one = |names: HashMap<Uuid, String>, id: Uuid, kind: EntityKind| {
        names.get(&id).cloned().unwrap_or_else(|| kind.noun().to_owned())
    };
    let mut facts = vec![
        fact("Quantity", Cell::text(chart.quantity.clone())),
        fact("Unit", Cell::text(chart.unit.clone())),
        fact(
            "Baseline of limits without the label preliminary",
            Cell::text(format!("{} points", chart.baseline_minimum)),
        ),
        fact("Rules", Cell::text(chart.rule_set.unwrap_or("the chart's own"))),
        fact("Defined", Cell::text(show::time(chart.recorded_at))),
    ];
    if let Some(id) = chart.material {
        let kind = EntityKind::ControlMaterial;
        let code = one(labels::of(db, kind, &[id]).await?, id, kind);
        facts.push(fact("Control material", Cell::link(code, format!("/control-materials/{id}"))));
    }
    if let Some(id) = chart.titrant {
        let code = one(labels::of(db, EntityKind::Titrant, &[id]).await?, id, EntityKind::Titrant);
        facts.push(fact("Titrant lot", Cell::link(code, format!("/titrants/{id}"))));
    }
    if let Some(id) = chart.method {
        let code = one(labels::of(db, EntityKind::Method, &[id]).await?, id, EntityKind::Method);
        facts.push(fact("Method", Cell::link(code, format!("/methods/{id}"))));
    }
    if let Some(step) = &chart.resolution {
        facts.push(fact("Rounding step", Cell::text(format!("{} {}", shell.n(step), chart.unit))));
    }
    if let Some(n) = chart.replicates {
        facts.push(fact("Values in a range", Cell::text(n.to_string())));
    }
    Ok(facts)
}
