//! What the picture of a chart says in words: its caption, its legend, what a point is.

use ferrotitre_base::pictures::{Point, Shape, Sheet, Stroke};
use ferrotitre_base::zone;

use crate::control_charts::store::charts;
use crate::control_charts::wire::{PhaseView, PointView};

/// What a chart shows: what is in this picture and nothing else.
pub(super) fn caption(sheet: &Sheet, shown: &str) -> String {
    let of_values =
        |holds: &dyn Fn(&Point) -> bool| sheet.panels.first().is_some_and(|panel| panel.points.iter().any(holds));
    let several = of_values(&|point| point.shape != Shape::Circle);
    let joined = sheet.panels.iter().any(|panel| panel.joined);
    let begun = sheet.panels.iter().any(|panel| !panel.moments.is_empty());
    let lines: Vec<&str> = [
        (sheet.has(Stroke::Plain), "full line: centre"),
        (sheet.has(Stroke::Warning), "short dashes: warning"),
        (sheet.has(Stroke::Action), "long dashes: action"),
        (begun, "dots: a phase begins"),
    ]
    .into_iter()
    .filter_map(|(holds, words)| holds.then_some(words))
    .collect();
    let mut sentences = vec![shown.to_owned()];
    if !lines.is_empty() {
        sentences.push(format!("Lines: {}.", lines.join("; ")));
    }
    let below = sheet.panels.get(1).map(|panel| panel.label.split(',').next().unwrap_or_default());
    let said = [
        (joined && several, "The shape tells who recorded a point."),
        (of_values(&|point| point.hollow), "Hollow: left out of limits."),
        (sheet.has_rings(), "A ring carries the number of the rule that the point completes."),
        (sheet.has_bars(), "Bars to the right count the points in steps of half a standard deviation."),
        (below == Some("CUSUM"), "Below: the cumulative sums, which decide."),
        (below == Some("EWMA"), "Below: the moving average, which decides."),
        (below == Some("range"), "Below: the chart of ranges of the same material."),
        (below == Some("moving range"), "Below: the ranges of neighbours, which complete no rule."),
    ];
    sentences.extend(said.into_iter().filter(|(holds, _)| *holds).map(|(_, words)| words.to_owned()));
    sentences.join(" ")
}

/// The limits in force last, in words, for those who cannot see them.
pub(super) fn describe(phases: &[PhaseView], points: usize, hits: usize) -> String {
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

/// Quantity and unit of the values. On a chart that decides by sums or averages of them, the values are only values.
pub(super) fn label(chart: &charts::Row) -> String {
    let quantity = match chart.quantity.as_str() {
        "cusum" | "ewma" => "value",
        other => other,
    };
    if chart.unit == "1" { quantity.to_owned() } else { format!("{quantity}, {}", chart.unit) }
}

/// The rules that were completed in this picture, in words, and what stands for sums.
pub(super) fn legend(sheet: &Sheet, points: &[PointView], beside: Option<(&str, &[PointView])>) -> Vec<String> {
    let rules = |points: &[PointView], of: &str| {
        let mut rules: Vec<(i32, String)> =
            points.iter().flat_map(|point| point.hits.iter().map(|hit| (hit.rule, hit.text.clone()))).collect();
        rules.sort_unstable();
        rules.dedup();
        rules.into_iter().map(|(number, text)| format!("Rule {number}{of}: {text}.")).collect::<Vec<_>>()
    };
    let mut legend = rules(points, "");
    if let Some((code, points)) = beside {
        legend.extend(rules(points, &format!(" of {code}")));
    }
    if sheet.panels.get(1).is_some_and(|panel| panel.label.starts_with("CUSUM")) {
        legend.push("Triangles: upper sum. Hollow squares: lower sum, drawn downward.".to_owned());
    }
    legend
}

pub(super) fn marks(point: &PointView) -> String {
    point.hits.iter().map(|hit| hit.rule.to_string()).collect::<Vec<_>>().join(",")
}

pub(super) fn words(chart: &charts::Row, point: &PointView) -> String {
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
