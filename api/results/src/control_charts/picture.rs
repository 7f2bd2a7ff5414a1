//! A control chart as a picture.

mod panels;
#[cfg(test)]
mod tests;
mod words;

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::pictures::{Axis, Bar, Level, Line, Moment, Panel, Point, Shape, Sheet, Stroke, days, render};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::zone;
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

use self::panels::{moving_ranges, own_limits, range_panel, statistic_panel};
use self::words::{caption, describe, label, legend, marks, words};
use crate::control_charts::phases::phase_views;
use crate::control_charts::store::values::Stretch;
use crate::control_charts::store::{charts, phases as phase_store, values as value_store};
use crate::control_charts::values;
use crate::control_charts::wire::{PhaseView, PointView};

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

/// A drawing with what is in it, in words.
pub(super) struct Drawn {
    pub(super) svg: String,
    pub(super) caption: String,
}

/// What is drawn.
enum Series {
    Each(Vec<PointView>),
    Stretches(Vec<Stretch>),
}

/// Draws the chart.
pub(super) async fn draw(db: &Db, id: Uuid, question: &PictureQuestion) -> Result<Drawn, Refusal> {
    if let Some(last) = question.last.filter(|last| !(2..=EACH).contains(last)) {
        return Err(Refusal::invalid("last", "range", "must be from 2 to 1200", last));
    }
    let (chart, phases, series, points) = db.read(async |connection| load(connection, id, question).await).await?;
    let (sheet, shown) = match &series {
        Series::Each(shown) => {
            let beside = db.read(async |connection| ranges_of(connection, &chart).await).await?;
            let words = format!("The newest {} of {points} points, each with its page.", shown.len());
            (each(&chart, &phases, shown, beside.as_ref()), words)
        }
        Series::Stretches(stretches) => {
            let words = format!(
                "{points} points in {} stretches, each from its lowest to its highest value; a diamond: a rule was completed in it.",
                stretches.len()
            );
            (in_stretches(&chart, &phases, stretches, points), words)
        }
    };
    let size = if sheet.panels.len() > 1 { SIZE_WITH_STATISTIC } else { SIZE };
    let caption = caption(&sheet, &shown);
    Ok(Drawn { svg: render(&sheet, size).map_err(Refusal::internal)?, caption })
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

fn each(chart: &charts::Row, phases: &[PhaseView], points: &[PointView], beside: Option<&Beside>) -> Sheet {
    let range = range(points.iter().map(|point| days(point.observed_at)));
    let mut panel = Panel::new(label(chart), 3);
    limits(&mut panel, phases, range);
    panel.joined = true;
    panel.points = drawn(chart, points);
    panel.bars = histogram(phases, points);
    panel.levels.extend(own_limits(points, range));
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
    let mut sheet = Sheet { title: title(chart), description, axis: Axis::Days, range, panels, legend: Vec::new() };
    // Rules of the ranges only if they are drawn, and only of the time that is drawn.
    let beside = beside.filter(|_| sheet.panels.get(1).is_some_and(|panel| panel.label.starts_with("range")));
    let in_time: Vec<PointView> = beside.map_or_else(Vec::new, |beside| {
        let inside = |point: &&PointView| (range.0..=range.1).contains(&days(point.observed_at));
        beside.points.iter().filter(inside).cloned().collect()
    });
    sheet.legend = legend(&sheet, points, beside.map(|beside| (beside.chart.code.as_str(), in_time.as_slice())));
    sheet
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
            // Where sums or averages decide, the ring is on them.
            mark: if point.statistic.is_none() { marks(point) } else { String::new() },
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

/// The page of the value, which leads on to its run and its determination.
fn link(point: &PointView) -> String {
    format!("/control-values/{}", point.id)
}

/// Phases that held in the time drawn, each with the part of it in which it held.
fn held(phases: &[PhaseView], (begin, end): (f64, f64)) -> Vec<(&PhaseView, f64, f64)> {
    let stretch = |phase: &PhaseView| (days(phase.valid_from).max(begin), phase.valid_to.map_or(end, days).min(end));
    let all = phases.iter().map(|phase| (phase, stretch(phase)));
    all.filter(|(_, (from, to))| *from <= end && *to >= begin).map(|(phase, (from, to))| (phase, from, to)).collect()
}

/// Limits of every phase over its own time; only the last says its names, which the others share.
fn limits(panel: &mut Panel, phases: &[PhaseView], range: (f64, f64)) {
    let there = held(phases, range);
    for (index, (phase, from, to)) in there.iter().enumerate() {
        let (last, from, to) = (index + 1 == there.len(), *from, *to);
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

fn in_stretches(chart: &charts::Row, phases: &[PhaseView], stretches: &[Stretch], points: i32) -> Sheet {
    let middle = |stretch: &Stretch| f64::midpoint(days(stretch.first), days(stretch.last));
    let range = range(stretches.iter().flat_map(|stretch| [days(stretch.first), days(stretch.last)]));
    let mut panel = Panel::new(label(chart), 3);
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
    Sheet { title: title(chart), description, axis: Axis::Days, range, panels: vec![panel], legend: Vec::new() }
}

fn range(moments: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) = moments.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)));
    if low <= high { (low, high) } else { (0.0, 1.0) }
}
