//! A control chart: every point is there, and the limits of each phase follow from the points that its baseline names.

use std::collections::BTreeSet;

use ferrotitre_core::control::limits::{Centre, Spread, individuals, ranges};
use serde_json::Value;

use super::Refused;
use super::figures::vouched;
use super::parts::Content;
use crate::graph::Recomputed;
use crate::json::Row;
use crate::sentences::{Found, counted};

/// Largest relative deviation between a limit on record and the same from its points.
const LIMIT: f64 = 1e-9;

/// A chart of events among trials.
const PROPORTION: &str = "discarded reductions";

fn number(row: &Row, field: &str) -> Option<f64> {
    row.raw(field).and_then(|raw| raw.parse().ok())
}

fn close(found: f64, stated: f64) -> bool {
    (found - stated).abs() <= LIMIT * stated.abs().max(found.abs())
}

/// Points of the chart, in the order of the chart: from the first to the newest, none missing.
fn points(content: &Content) -> Result<Vec<&Row>, Refused> {
    let own = content.of("control_values").map(|(_, row)| row);
    let mut all: Vec<&Row> = own.filter(|row| row.text("chart_id") == content.subject).collect();
    let place = |row: &&Row| row.raw("position").and_then(|raw| raw.parse::<usize>().ok());
    all.sort_by_key(place);
    match all.iter().zip(1..).find(|(row, expected)| place(row) != Some(*expected)) {
        Some((_, missing)) => Err(format!("{}: point {missing} is not in the bundle", content.code)),
        None => Ok(all),
    }
}

pub(super) fn check(content: &Content, figures: &[Value], found: &mut Found) -> Result<(), Refused> {
    let points = points(content)?;
    found.proved.push(format!(
        "{}: {} from the first to the newest, none left out",
        content.code,
        counted(points.len(), "point")
    ));
    let got = |verdict: &str| points.iter().filter(|row| row.text("verdict") == verdict).count();
    found.noted.push(format!(
        "{}: by the verdict each got when it was recorded {} in control, {} to investigate, {} out of control, {} not judged",
        content.code,
        got("in control"),
        got("investigate"),
        got("out of control"),
        got("not judged")
    ));
    let chart = content.of("control_charts").map(|(_, row)| row).find(|row| row.text("id") == content.subject);
    let chart = chart.ok_or_else(|| format!("{}: the chart itself is not in the bundle", content.code))?;
    let proportion = chart.text("quantity") == PROPORTION;
    let own = content.of("chart_phases").map(|(_, row)| row);
    for phase in own.filter(|row| row.text("chart_id") == content.subject) {
        let (id, name) =
            (phase.text("id"), format!("{}, phase {}", content.code, phase.raw("number").unwrap_or_default()));
        let of_phase = |quantity: &str| {
            figures.iter().any(|figure| figure["id"] == id.as_str() && result_of(figure) == Some(quantity))
        };
        // What says that it comes from points is computed again from them.
        let from_points = phase.raw("n").is_some_and(|raw| raw != "null");
        let lacks = from_points
            && ((phase.text("origin") == "baseline" && !of_phase("centre"))
                || (!proportion && !of_phase("chart_deviation")));
        if lacks {
            return Err(format!("{name}: its limits come from a baseline, and the bundle does not show how"));
        }
        if from_points {
            directly(content, chart, (phase, &name), &points)?;
        }
        vouched(content, (&id, &name), None, found)?;
        left_out(content, (&id, &name), found);
    }
    Ok(())
}

/// Limits of a phase from the points of its baseline with the formulae of `core`, whatever a working says of them.
fn directly(content: &Content, chart: &Row, (phase, name): (&Row, &str), points: &[&Row]) -> Result<(), Refused> {
    let used = used(content, &phase.text("id"));
    let all = |field: &str| -> Result<Vec<f64>, Refused> {
        let read = |point: &&Row| number(point, field).ok_or_else(|| format!("{name}: a point has no {field}"));
        points.iter().filter(|point| used.contains(&point.text("id"))).map(read).collect()
    };
    let quantity = chart.text("quantity");
    let (centre, s) = if quantity == PROPORTION {
        (all("events")?.iter().sum::<f64>() / all("trials")?.iter().sum::<f64>(), None)
    } else {
        let values = all("value")?;
        let made = if quantity == "range" {
            ranges(&values, chart.raw("replicates").and_then(|raw| raw.parse().ok()).unwrap_or_default())
        } else {
            let moving = phase.text("spread") == "moving range";
            individuals(&values, Centre::Mean, if moving { Spread::MovingRange } else { Spread::StandardDeviation })
        };
        let limits = made.map_err(|why| format!("{name}: its baseline gives no limits: {why}"))?.limits;
        (limits.centre, Some(limits.sigma))
    };
    let own = phase.text("origin") == "baseline";
    for (what, field, again) in [("centre line", "centre", own.then_some(centre)), ("standard deviation", "s", s)] {
        if again.is_some_and(|again| !number(phase, field).is_some_and(|stated| close(again, stated))) {
            let (again, stated) = (again.unwrap_or(f64::NAN), phase.raw(field).unwrap_or_default());
            return Err(format!("{name}: the {what} of its points comes to {again}, on record is {stated}"));
        }
    }
    Ok(())
}

/// Points that a baseline uses.
fn used(content: &Content, phase: &str) -> BTreeSet<String> {
    let own = content.of("chart_baseline_points").map(|(_, row)| row);
    let used = own.filter(|row| row.text("phase_id") == phase && row.raw("excluded") == Some("false"));
    used.map(|row| row.text("value_id")).collect()
}

/// Points that a baseline left out, with their causes.
fn left_out(content: &Content, (phase, name): (&str, &str), found: &mut Found) {
    let out = content.of("chart_baseline_points").map(|(_, row)| row);
    for row in out.filter(|row| row.text("phase_id") == phase && row.raw("excluded") == Some("true")) {
        let value = row.text("value_id");
        let point = content.of("control_values").find(|(_, point)| point.text("id") == value);
        found.noted.push(format!(
            "{name}: point {} is left out of its baseline: {}: {}",
            point.and_then(|(_, point)| point.raw("position")).unwrap_or_default(),
            row.text("cause"),
            row.text("reason")
        ));
    }
}

/// Quantity of the result of a figure.
fn result_of(figure: &Value) -> Option<&str> {
    figure["graph"]["nodes"].as_array()?.last()?["quantity"].as_str()
}

/// A limit that was computed again: from the points of the baseline, all and no other, and as on record.
pub(super) fn limit(
    content: &Content,
    (figure, code): (&Value, &str),
    again: &Recomputed,
    found: &mut Found,
) -> Result<(), Refused> {
    let id = figure["id"].as_str().unwrap_or_default();
    let phase = content.of("chart_phases").map(|(_, row)| row).find(|row| row.text("id") == id);
    let phase = phase.ok_or_else(|| format!("{code}: the phase is none of the bundle's events"))?;
    let (field, name) = match result_of(figure) {
        Some("centre") => ("centre", "centre line"),
        Some("chart_deviation") => ("s", "standard deviation"),
        _ => return Err(format!("{code}: what is computed is no limit of a chart")),
    };
    let used = used(content, id);
    let read: BTreeSet<String> = again.recorded.iter().map(|leaf| leaf.id.clone()).collect();
    if used != read {
        return Err(format!("{code}: the {name} is not computed from the points of its baseline"));
    }
    let stated = number(phase, field).filter(|stated| close(again.value, *stated));
    let stated = stated.ok_or_else(|| {
        format!("{code}: the {name} comes to {}, on record is {}", again.value, phase.raw(field).unwrap_or_default())
    })?;
    found.proved.push(format!(
        "{code}: {} of its baseline lead to the {name} on record, {stated}",
        counted(used.len(), "point")
    ));
    lines(phase, code)
}

/// Warning and action lines are two and three standard deviations from the centre line; a line that is not there cannot be passed.
fn lines(phase: &Row, code: &str) -> Result<(), Refused> {
    let (Some(centre), Some(s)) = (number(phase, "centre"), number(phase, "s")) else { return Ok(()) };
    let all = [("lower_action", -3.0), ("lower_warning", -2.0), ("upper_warning", 2.0), ("upper_action", 3.0)];
    for (field, times) in all {
        let line = centre + times * s;
        if number(phase, field).is_some_and(|stated| (line - stated).abs() > LIMIT * (centre.abs() + 3.0 * s)) {
            return Err(format!("{code}: {field} is not {times} standard deviations from the centre line"));
        }
    }
    Ok(())
}
