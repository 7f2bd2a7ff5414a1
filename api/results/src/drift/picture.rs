//! The drift of a lot as a picture.

use ferrotitre_base::pictures::{
    Axis, Band, Level, Line, Moment, Panel, PictureError, Point, Shade, Shape, Sheet, Stroke, days, render,
};
use ferrotitre_base::zone;
use ferrotitre_core::control::drift::CUSUM_H;

use crate::drift::wire::DriftView;

const SIZE: (u32, u32) = (960, 620);

/// Draws factor and cumulative sums against the date.
///
/// # Errors
/// See [`render`].
pub(super) fn draw(view: &DriftView) -> Result<String, PictureError> {
    let now = days(view.at);
    let begin = view.points.first().map_or(now, |point| days(point.at));
    let ends = view.line.iter().flat_map(|line| &line.band).map(|point| days(point.at));
    let end = ends.chain(view.points.iter().map(|point| days(point.at))).fold(now, f64::max);
    let sheet = Sheet {
        title: format!("Factor of titrant lot {} ({})", view.code, view.state),
        description: describe(view),
        axis: Axis::Days,
        range: (begin, end),
        panels: vec![factor_panel(view, begin, end, now), sums_panel(view, begin, end)],
        legend: legend(view),
    };
    render(&sheet, SIZE)
}

/// What the signs mean that are there.
fn legend(view: &DriftView) -> Vec<String> {
    let mut legend = vec!["Bars: U with k = 2.".to_owned()];
    if view.points.iter().any(|point| point.standardisation.is_none()) {
        legend.push("Squares: factors from the preparation by mass.".to_owned());
    }
    if view.line.is_some() {
        legend.push(
            "Full line: fitted through the factors, with its confidence band (dark) and prediction band (light)."
                .to_owned(),
        );
    }
    if !view.cumulative_sums.is_empty() {
        legend.push("Triangles: cumulative sums of the change, upper filled, lower hollow.".to_owned());
    }
    legend
}

fn describe(view: &DriftView) -> String {
    let mut text = format!("{} factors, tolerance {} to {}.", view.points.len(), view.factor_low, view.factor_high);
    if let Some(line) = &view.line {
        text.push_str(&format!(
            " Slope {:.3e} per day (standard error {:.1e}).",
            line.slope_per_day, line.slope_standard_error
        ));
    }
    if let Some(by) = view.restandardise_by {
        text.push_str(&format!(" Standardise again by {}: {}.", zone::local(by).format("%Y-%m-%d"), view.because));
    }
    for missing in &view.missing {
        text.push_str(&format!(" No {}: {}.", missing.what, missing.detail));
    }
    text
}

fn factor_panel(view: &DriftView, begin: f64, end: f64, now: f64) -> Panel {
    let mut panel = Panel::new("factor", 7);
    if let Some(line) = &view.line {
        let edge = |low: fn(&super::wire::BandPoint) -> (f64, f64)| {
            line.band.iter().map(|point| (days(point.at), low(point).0, low(point).1)).collect::<Vec<_>>()
        };
        panel.bands.push(Band { edge: edge(|p| (p.prediction_low, p.prediction_high)), shade: Shade::Light });
        panel.bands.push(Band { edge: edge(|p| (p.confidence_low, p.confidence_high)), shade: Shade::Dark });
        let points = line.band.iter().map(|point| (days(point.at), point.fitted)).collect();
        panel.lines.push(Line { points, stroke: Stroke::Plain });
    }
    for (y, name) in [(view.factor_low.value(), "lowest factor"), (view.factor_high.value(), "highest factor")] {
        panel.levels.push(Level { y, from: begin, to: end, stroke: Stroke::Action, name: name.to_owned() });
    }
    panel.moments.push(Moment { x: now, name: "now".to_owned() });
    let leaves = view.leaves_by_prediction_band.as_ref().and_then(|passage| passage.at);
    // An exit far beyond what is drawn would squeeze the points into a corner.
    if let Some(at) = leaves.filter(|at| days(*at) <= end) {
        panel.moments.push(Moment { x: days(at), name: format!("band leaves {}", zone::local(at).format("%Y-%m-%d")) });
    }
    panel.points = view
        .points
        .iter()
        .map(|point| Point {
            x: days(point.at),
            y: point.factor,
            // U with k = 2, as reported.
            bar: 2.0 * point.u,
            shape: if point.standardisation.is_some() { Shape::Circle } else { Shape::Square },
            hollow: false,
            mark: String::new(),
            title: format!(
                "{}: factor {:.5}, U {:.5} (k = 2)",
                zone::local(point.at).format("%Y-%m-%d"),
                point.factor,
                2.0 * point.u
            ),
            link: point.standardisation.map_or_else(String::new, |id| format!("/standardisations/{id}")),
        })
        .collect();
    panel
}

fn sums_panel(view: &DriftView, begin: f64, end: f64) -> Panel {
    let mut panel = Panel::new("CUSUM, in u of the difference", 3);
    panel.include = vec![0.0, CUSUM_H];
    panel.levels.push(Level { y: CUSUM_H, from: begin, to: end, stroke: Stroke::Action, name: "h = 5".to_owned() });
    let pairs = view.points.iter().zip(&view.cumulative_sums);
    for upper in [true, false] {
        let value = |sum: &super::wire::CumulativeSum| if upper { sum.upper } else { sum.lower };
        let points: Vec<(f64, f64)> = pairs.clone().map(|(point, sum)| (days(point.at), value(sum))).collect();
        panel.points.extend(pairs.clone().map(|(point, sum)| Point {
            x: days(point.at),
            y: value(sum),
            bar: 0.0,
            shape: Shape::Triangle,
            hollow: !upper,
            mark: if sum.beyond && value(sum) > CUSUM_H { "beyond h".to_owned() } else { String::new() },
            title: format!("{} sum {:.2}", if upper { "upper" } else { "lower" }, value(sum)),
            link: String::new(),
        }));
        panel.lines.push(Line { points, stroke: Stroke::Faint });
    }
    panel
}
