//! Panels below the values, and limits that points have of their own.

use ferrotitre_base::pictures::{Level, Line, Panel, Point, Shape, Stroke, days};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::control::limits::Limits;

use super::words::{marks, words};
use super::{Beside, drawn, figures, held, limits, link};
use crate::control_charts::store::charts;
use crate::control_charts::wire::{PhaseView, PointView, Statistic};

/// Limits that points have of their own, as of a proportion: each from half way after the point before to half way before the next,
/// one line where they are equal.
pub(super) fn own_limits(points: &[PointView], (begin, end): (f64, f64)) -> Vec<Level> {
    let mut levels: Vec<Level> = Vec::new();
    let at = |index: usize| points.get(index).map(|point| days(point.observed_at));
    for (index, point) in points.iter().enumerate() {
        let Some(limits) = point.limits else { continue };
        let x = days(point.observed_at);
        let from = index.checked_sub(1).and_then(at).map_or(begin, |before| f64::midpoint(before, x));
        let to = at(index + 1).map_or(end, |next| f64::midpoint(x, next));
        for (y, name) in [(limits.upper, "out of control from"), (limits.lower, "out of control up to")] {
            let Some(y) = y else { continue };
            // Named once, where they end.
            let name = if index + 1 == points.len() { format!("{name} {}", figures(y)) } else { String::new() };
            match levels.iter_mut().rfind(|level| level.y == y && level.to == from) {
                Some(level) => (level.to, level.name) = (to, name),
                None => levels.push(Level { y, from, to, stroke: Stroke::Action, name }),
            }
        }
    }
    levels
}

/// The chart of ranges with its own limits.
pub(super) fn range_panel(beside: &Beside, range: (f64, f64)) -> Panel {
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
pub(super) fn moving_ranges(
    chart: &charts::Row,
    phases: &[PhaseView],
    points: &[PointView],
    (begin, end): (f64, f64),
) -> Option<Panel> {
    let mut panel = Panel::new(format!("moving range, {}", chart.unit), 2);
    let there = held(phases, (begin, end));
    for (index, (phase, from, to)) in there.iter().enumerate() {
        let Some(of_two) = phase.s.and_then(|s| Limits::of_ranges(s, 2).ok()) else { continue };
        let (from, to) = (*from, *to);
        for (y, stroke, name) in [
            (of_two.centre, Stroke::Plain, "mean"),
            (of_two.upper_warning, Stroke::Warning, "warning"),
            (of_two.upper_action, Stroke::Action, "action"),
        ] {
            let name = if index + 1 == there.len() { format!("{name} {}", figures(y)) } else { String::new() };
            panel.levels.push(Level { y, from, to, stroke, name });
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

/// What a cumulative chart decides by: each point with its ring, its words and its page.
pub(super) fn statistic_panel(chart: &charts::Row, points: &[PointView], (begin, end): (f64, f64)) -> Option<Panel> {
    let level = |y: f64, stroke: Stroke, name: String| Level { y, from: begin, to: end, stroke, name };
    let at = |point: &PointView, (what, y): (&str, f64), (shape, hollow): (Shape, bool), beyond: bool| Point {
        x: days(point.observed_at),
        y,
        bar: 0.0,
        shape,
        hollow,
        mark: if beyond { marks(point) } else { String::new() },
        title: format!("{what} {} s; {}", figures(y.abs()), words(chart, point)),
        // The value above leads to the page of every point.
        link: if beyond && !point.hits.is_empty() { link(point) } else { String::new() },
    };
    let h = chart.design.as_ref().and_then(|design| design.0.h.as_ref()).map(Decimal::value);
    let mut panel = Panel::new("in s", 2);
    let mut limits: Vec<(f64, f64)> = Vec::new();
    for point in points {
        let Some(statistic) = point.statistic else { continue };
        match statistic {
            Statistic::Cusum { upper, lower, .. } => {
                let beyond = |sum: f64| h.is_none_or(|h| sum > h);
                panel.points.push(at(point, ("upper sum", upper), (Shape::Triangle, false), beyond(upper)));
                panel.points.push(at(point, ("lower sum", -lower), (Shape::Square, true), beyond(lower)));
            }
            Statistic::Ewma { average, limit, .. } => {
                panel.points.push(at(point, ("moving average", average), (Shape::Circle, point.excluded), true));
                limits.push((days(point.observed_at), limit));
            }
        }
    }
    if let Some(h) = h {
        panel.label = "CUSUM, in s".to_owned();
        panel
            .levels
            .extend([1.0, -1.0].map(|sign| level(sign * h, Stroke::Action, format!("action {}", figures(sign * h)))));
        panel.levels.push(level(0.0, Stroke::Plain, "0".to_owned()));
    } else if let Some((_, last)) = limits.last().copied() {
        panel.label = "EWMA, in s".to_owned();
        panel.joined = true;
        panel.levels.push(level(0.0, Stroke::Plain, "0".to_owned()));
        if limits.iter().all(|(_, limit)| *limit == last) {
            panel.levels.extend(
                [1.0, -1.0].map(|sign| level(sign * last, Stroke::Action, format!("action {}", figures(sign * last)))),
            );
        } else {
            for sign in [1.0, -1.0] {
                let points = limits.iter().map(|(x, limit)| (*x, sign * limit)).collect();
                panel.lines.push(Line { points, stroke: Stroke::Action });
            }
        }
    }
    (!panel.points.is_empty()).then_some(panel)
}
