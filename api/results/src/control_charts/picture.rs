//! A control chart as a picture.

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::pictures::{Axis, Bar, Level, Line, Moment, Panel, Point, Shape, Sheet, Stroke, days, render};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::zone;
use ferrotitre_core::control::limits::Limits;
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

use crate::control_charts::phases::phase_views;
use crate::control_charts::store::values::Stretch;
use crate::control_charts::store::{charts, phases as phase_store, values as value_store};
use crate::control_charts::values;
use crate::control_charts::wire::{PhaseView, PointView, Statistic};

const SIZE: (u32, u32) = (1040, 520);
const SIZE_WITH_STATISTIC: (u32, u32) = (1040, 720);
/// Up to this many points each is drawn with its link.
const EACH: i64 = 1200;
/// Parts of a longer series; about one for each pixel across.
const STRETCHES: i32 = 800;

/// Which part of a chart.
#[derive(Debug, Default, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct PictureQuestion {
    /// Only the newest so many points, 2 to 1200; the whole chart if not given. A chart of more than 1200 points is drawn in
    /// stretches, each with its lowest and highest value and its number of rule hits.
    #[param(minimum = 2, maximum = 1200)]
    pub(super) last: Option<i64>,
}

/// The chart of ranges of the same material, drawn below that of its means.
struct Beside {
    chart: charts::Row,
    phases: Vec<PhaseView>,
    points: Vec<PointView>,
}

/// What is drawn.
enum Series {
    Each(Vec<PointView>),
    Stretches(Vec<Stretch>),
}

/// Draws the chart.
pub(super) async fn draw(db: &Db, id: Uuid, question: &PictureQuestion) -> Result<String, Refusal> {
    if let Some(last) = question.last.filter(|last| !(2..=EACH).contains(last)) {
        return Err(Refusal::invalid("last", "range", "must be from 2 to 1200", last));
    }
    let (chart, phases, series, points) = db.read(async |connection| load(connection, id, question).await).await?;
    let sheet = match &series {
        Series::Each(points) => {
            let beside = db.read(async |connection| ranges_of(connection, &chart).await).await?;
            each(&chart, &phases, points, beside.as_ref())
        }
        Series::Stretches(stretches) => in_stretches(&chart, &phases, stretches, points),
    };
    let size = if sheet.panels.len() > 1 { SIZE_WITH_STATISTIC } else { SIZE };
    render(&sheet, size).map_err(Refusal::internal)
}

async fn load(
    connection: &Connection,
    id: Uuid,
    question: &PictureQuestion,
) -> Result<(charts::Row, Vec<PhaseView>, Series, i32), Refusal> {
    let chart = charts::find(connection, id).await?;
    let own = [chart.id];
    let (points, rows) = futures_util::try_join!(
        value_store::last_position(connection, chart.id),
        phase_store::of_charts(connection, &own)
    )?;
    let mut phases = phase_views(connection, rows).await?;
    phases.retain(shown);
    let series = if question.last.is_some() || i64::from(points) <= EACH {
        let mut rows = value_store::newest(connection, chart.id, question.last.unwrap_or(EACH)).await?;
        rows.reverse();
        Series::Each(values::views(connection, &chart, rows).await?)
    } else {
        Series::Stretches(value_store::stretches(connection, chart.id, (points, STRETCHES)).await?)
    };
    Ok((chart, phases, series, points))
}

/// Ranges of the same material by the same method, where a chart of them is kept beside that of the means.
async fn ranges_of(connection: &Connection, chart: &charts::Row) -> Result<Option<Beside>, Refusal> {
    let Some(ranges) = charts::ranges_beside(connection, chart).await? else { return Ok(None) };
    let own = [ranges.id];
    let rows = phase_store::of_charts(connection, &own).await?;
    let phases = phase_views(connection, rows).await?.into_iter().filter(shown).collect();
    let mut rows = value_store::newest(connection, ranges.id, EACH).await?;
    rows.reverse();
    let points = values::views(connection, &ranges, rows).await?;
    Ok(Some(Beside { chart: ranges, phases, points }))
}

/// Whether limits hold or held.
fn shown(phase: &PhaseView) -> bool {
    !matches!(phase.state.as_str(), "proposed" | "rejected")
}

fn title(chart: &charts::Row) -> String {
    format!("{}: {}", chart.code, chart.title)
}

/// The limits in force last, in words, for those who cannot see them.
fn describe(phases: &[PhaseView], points: usize, hits: usize) -> String {
    let mut text = format!("{points} points, {hits} of them complete a rule.");
    if let Some(phase) = phases.last() {
        let n = phase.n.map_or_else(|| "no baseline".to_owned(), |n| format!("n = {n}"));
        text.push_str(&format!(" Phase {} ({}, {n}): centre {}", phase.number, phase.state, phase.centre));
        if let (Some(low), Some(high)) = (phase.lower_action, phase.upper_action) {
            text.push_str(&format!(", action limits {low} and {high}"));
        }
        text.push('.');
    }
    text
}

fn each(chart: &charts::Row, phases: &[PhaseView], points: &[PointView], beside: Option<&Beside>) -> Sheet {
    let range = range(points.iter().map(|point| days(point.observed_at)));
    let mut panel = Panel::new(format!("{}, {}", chart.quantity, chart.unit), 3);
    limits(&mut panel, phases, range);
    panel.joined = true;
    panel.points = drawn(chart, points);
    panel.bars = histogram(phases, points);
    for point in points {
        if let Some(upper) = point.limits.and_then(|limits| limits.upper) {
            let x = days(point.observed_at);
            panel.levels.push(Level {
                y: upper,
                from: x - 0.4,
                to: x + 0.4,
                stroke: Stroke::Action,
                name: String::new(),
            });
        }
    }
    let hits = points.iter().filter(|point| !point.hits.is_empty()).count();
    let mut panels = vec![panel];
    panels.extend(statistic_panel(chart, points, range));
    let mut description = describe(phases, points.len(), hits);
    if matches!(chart.quantity.as_str(), "x" | "blank" | "recovery") {
        let below = match beside {
            Some(beside) => Some(range_panel(beside, range)),
            None => moving_ranges(chart, phases, points, range),
        };
        if let Some(below) = &below {
            description.push_str(&format!(" Below: {}.", below.label));
        }
        panels.extend(below);
    }
    Sheet { title: title(chart), description, axis: Axis::Days, range, panels }
}

/// Values as points, a shape for each analyst.
fn drawn(chart: &charts::Row, points: &[PointView]) -> Vec<Point> {
    let mut analysts: Vec<AccountId> = points.iter().map(|point| point.recorded_by).collect();
    analysts.sort_unstable();
    analysts.dedup();
    let shape = |point: &PointView| analysts.iter().position(|analyst| *analyst == point.recorded_by).unwrap_or(0);
    points
        .iter()
        .map(|point| Point {
            x: days(point.observed_at),
            y: point.value.value(),
            bar: 0.0,
            shape: Shape::of(shape(point)),
            hollow: point.excluded,
            mark: marks(point),
            title: words(chart, point),
            link: link(point),
        })
        .collect()
}

/// Fewest points of which a histogram says anything.
const HISTOGRAM_FROM: usize = 8;

/// Points that are not left out, in classes of half a standard deviation about the centre line in force.
fn histogram(phases: &[PhaseView], points: &[PointView]) -> Vec<Bar> {
    let counted: Vec<f64> = points.iter().filter(|point| !point.excluded).map(|point| point.value.value()).collect();
    let scale = phases.last().and_then(|phase| Some((phase.centre, phase.s.filter(|s| *s > 0.0)? / 2.0)));
    let Some((centre, width)) = scale.filter(|_| counted.len() >= HISTOGRAM_FROM) else { return Vec::new() };
    let mut classes = std::collections::BTreeMap::new();
    for value in counted {
        *classes.entry(((value - centre) / width).floor() as i64).or_insert(0) += 1;
    }
    let at = |class: i64| centre + class as f64 * width;
    classes.into_iter().map(|(class, count)| Bar { low: at(class), high: at(class + 1), count }).collect()
}

/// The chart of ranges with its own limits.
fn range_panel(beside: &Beside, range: (f64, f64)) -> Panel {
    let mut panel = Panel::new(format!("range, {}", beside.chart.unit), 2);
    limits(&mut panel, &beside.phases, range);
    panel.moments.clear();
    panel.joined = true;
    panel.points = drawn(&beside.chart, &beside.points);
    panel.points.retain(|point| range.0 <= point.x && point.x <= range.1);
    panel.include.push(0.0);
    panel
}

/// Distances of neighbours within a phase, against the limits of ranges of two values with its s (ISO 7870-2).
fn moving_ranges(
    chart: &charts::Row,
    phases: &[PhaseView],
    points: &[PointView],
    (begin, end): (f64, f64),
) -> Option<Panel> {
    let mut panel = Panel::new(format!("moving range, {}", chart.unit), 2);
    for (index, phase) in phases.iter().enumerate() {
        let Some(of_two) = phase.s.and_then(|s| Limits::of_ranges(s, 2).ok()) else { continue };
        let (from, to) = (days(phase.valid_from).max(begin), phase.valid_to.map_or(end, days).min(end));
        for (y, stroke, name) in [
            (of_two.centre, Stroke::Plain, "mean"),
            (of_two.upper_warning, Stroke::Warning, "warning"),
            (of_two.upper_action, Stroke::Action, "action"),
        ] {
            let name = if index + 1 == phases.len() { format!("{name} {}", figures(y)) } else { String::new() };
            if from < to {
                panel.levels.push(Level { y, from, to, stroke, name });
            }
        }
    }
    let counted: Vec<&PointView> = points.iter().filter(|point| !point.excluded).collect();
    for pair in counted.windows(2).filter(|pair| pair[0].phase == pair[1].phase) {
        let distance = (pair[1].value.value() - pair[0].value.value()).abs();
        panel.points.push(Point {
            x: days(pair[1].observed_at),
            y: distance,
            bar: 0.0,
            shape: Shape::Circle,
            hollow: false,
            mark: String::new(),
            title: format!("points {} to {}: {} {}", pair[0].position, pair[1].position, figures(distance), chart.unit),
            link: String::new(),
        });
    }
    panel.joined = true;
    panel.include.push(0.0);
    (!panel.levels.is_empty() && panel.points.len() >= 2).then_some(panel)
}

fn marks(point: &PointView) -> String {
    point.hits.iter().map(|hit| hit.rule.to_string()).collect::<Vec<_>>().join(",")
}

fn words(chart: &charts::Row, point: &PointView) -> String {
    let mut text = format!(
        "{}: {} {}, {}",
        zone::local(point.observed_at).format("%Y-%m-%d %H:%M"),
        point.value,
        chart.unit,
        point.verdict
    );
    for hit in &point.hits {
        text.push_str(&format!("; rule {}: {}", hit.rule, hit.text));
    }
    if let Some(cause) = &point.cause {
        text.push_str(&format!("; left out: {cause}"));
    }
    text
}

/// The page of the value, which leads on to its run and its determination.
fn link(point: &PointView) -> String {
    format!("/control-values/{}", point.id)
}

/// Limits of every phase over its own time; only the last says its names, which the others share.
fn limits(panel: &mut Panel, phases: &[PhaseView], (begin, end): (f64, f64)) {
    for (index, phase) in phases.iter().enumerate() {
        let last = index + 1 == phases.len();
        let from = days(phase.valid_from).max(begin);
        let to = phase.valid_to.map_or(end, days).min(end);
        if to < begin || from > end {
            continue;
        }
        let lines = [
            (Some(phase.centre), Stroke::Plain, "centre"),
            (phase.lower_warning, Stroke::Warning, "warning"),
            (phase.upper_warning, Stroke::Warning, "warning"),
            (phase.lower_action, Stroke::Action, "action"),
            (phase.upper_action, Stroke::Action, "action"),
        ];
        for (y, stroke, name) in lines {
            let Some(y) = y else { continue };
            let name = if last { format!("{name} {}", figures(y)) } else { String::new() };
            panel.levels.push(Level { y, from, to, stroke, name });
        }
        let n = phase.n.map_or_else(String::new, |n| format!(", n = {n}"));
        let label = if phase.label == "preliminary" { ", preliminary" } else { "" };
        panel.moments.push(Moment { x: from, name: format!("phase {}{n}{label}", phase.number) });
    }
}

/// A limit as written beside its line; the exact one is in the chart's JSON.
fn figures(value: f64) -> String {
    let decimals = (4.0 - value.abs().max(1e-9).log10().floor()).clamp(0.0, 9.0) as usize;
    format!("{value:.decimals$}")
}

fn statistic_panel(chart: &charts::Row, points: &[PointView], (begin, end): (f64, f64)) -> Option<Panel> {
    let level = |y: f64| Level { y, from: begin, to: end, stroke: Stroke::Action, name: figures(y) };
    let at = |point: &PointView, y: f64, shape: Shape, hollow: bool| Point {
        x: days(point.observed_at),
        y,
        bar: 0.0,
        shape,
        hollow,
        mark: String::new(),
        title: String::new(),
        link: String::new(),
    };
    let mut panel = Panel::new("in s", 2);
    let mut edges = (Vec::new(), Vec::new());
    for point in points {
        match point.statistic? {
            Statistic::Cusum { upper, lower, .. } => {
                panel.points.push(at(point, upper, Shape::Triangle, false));
                panel.points.push(at(point, -lower, Shape::Square, true));
            }
            Statistic::Ewma { average, limit, .. } => {
                panel.points.push(at(point, average, Shape::Circle, false));
                edges.0.push((days(point.observed_at), limit));
                edges.1.push((days(point.observed_at), -limit));
            }
        }
    }
    if let Some(h) = chart.design.as_ref().and_then(|design| design.0.h.as_ref()) {
        panel.label = "CUSUM, in s".to_owned();
        panel.levels.extend([level(h.value()), level(-h.value())]);
    } else if !edges.0.is_empty() {
        panel.label = "EWMA, in s".to_owned();
        panel.lines.push(Line { points: edges.0, stroke: Stroke::Action });
        panel.lines.push(Line { points: edges.1, stroke: Stroke::Action });
    }
    (!panel.points.is_empty()).then_some(panel)
}

fn in_stretches(chart: &charts::Row, phases: &[PhaseView], stretches: &[Stretch], points: i32) -> Sheet {
    let middle = |stretch: &Stretch| f64::midpoint(days(stretch.first), days(stretch.last));
    let range = range(stretches.iter().flat_map(|stretch| [days(stretch.first), days(stretch.last)]));
    let mut panel = Panel::new(format!("{}, {}", chart.quantity, chart.unit), 3);
    limits(&mut panel, phases, range);
    for stretch in stretches {
        let x = middle(stretch);
        panel.lines.push(Line { points: vec![(x, stretch.low), (x, stretch.high)], stroke: Stroke::Plain });
        if stretch.hits == 0 {
            continue;
        }
        let title = format!(
            "{} to {}: {} of {} points complete a rule; lowest {}, highest {}",
            zone::local(stretch.first).format("%Y-%m-%d"),
            zone::local(stretch.last).format("%Y-%m-%d"),
            stretch.hits,
            stretch.points,
            stretch.low,
            stretch.high
        );
        panel.points.push(Point {
            x,
            y: stretch.high,
            bar: 0.0,
            shape: Shape::Diamond,
            hollow: false,
            mark: String::new(),
            title,
            link: String::new(),
        });
    }
    let hits: i64 = stretches.iter().map(|stretch| stretch.hits).sum();
    let description = format!(
        "{} Drawn in {} stretches from lowest to highest value; a diamond marks those with rule hits.",
        describe(phases, usize::try_from(points).unwrap_or(0), usize::try_from(hits).unwrap_or(0)),
        stretches.len()
    );
    Sheet { title: title(chart), description, axis: Axis::Days, range, panels: vec![panel] }
}

fn range(moments: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) = moments.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)));
    if low <= high { (low, high) } else { (0.0, 1.0) }
}
