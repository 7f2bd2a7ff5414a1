//! A result with its uncertainty on a line with the limits it is judged by, drawn on the server; shapes tell apart what
//! colours would.

use askama::Template;

use crate::plots::ticks;
use crate::shell::Shell;

/// What is drawn.
#[derive(Debug, Clone, Copy)]
pub struct NumberLine {
    pub value: f64,
    /// Expanded uncertainty.
    pub expanded: f64,
    /// Tolerance limits.
    pub lower: Option<f64>,
    pub upper: Option<f64>,
    /// Length of the guard band inside them.
    pub guard: f64,
}

struct Tick {
    x: f64,
    label: String,
}

struct Zone {
    x: f64,
    width: f64,
}

struct Limit {
    x: f64,
    label: String,
    /// Text anchor, so that the label stays inside.
    anchor: &'static str,
}

#[derive(Template)]
#[template(path = "number_line.svg")]
struct Drawing {
    title: String,
    /// Where values are accepted.
    accepted: Zone,
    guards: Vec<Zone>,
    limits: Vec<Limit>,
    ticks: Vec<Tick>,
    bar: (f64, f64),
    point: f64,
    value: String,
}

const WIDTH: f64 = 640.0;
const MARGIN: f64 = 30.0;

/// Draws it; none if there is no limit or a figure is not finite.
pub fn draw(shell: &Shell, line: NumberLine, unit: &str) -> Option<String> {
    let limits: Vec<f64> = line.lower.into_iter().chain(line.upper).collect();
    let ends = [line.value - line.expanded, line.value + line.expanded];
    let all = || limits.iter().copied().chain(ends);
    let (lowest, highest) = (all().reduce(f64::min)?, all().reduce(f64::max)?);
    if limits.is_empty() || !(highest - lowest).is_finite() || highest <= lowest {
        return None;
    }
    let spare = (highest - lowest) * 0.15;
    let (low, high) = (lowest - spare, highest + spare);
    let x = |value: f64| MARGIN + (value.clamp(low, high) - low) / (high - low) * (WIDTH - 2.0 * MARGIN);
    let zone = |from: f64, to: f64| Zone { x: x(from), width: (x(to) - x(from)).max(0.0) };
    let accepted =
        (line.lower.map_or(low, |limit| limit + line.guard), line.upper.map_or(high, |limit| limit - line.guard));
    let mut guards = Vec::new();
    if line.guard > 0.0 {
        guards.extend(line.lower.map(|limit| zone(limit, limit + line.guard)));
        guards.extend(line.upper.map(|limit| zone(limit - line.guard, limit)));
    }
    let named = [(line.lower, "lower limit", "start"), (line.upper, "upper limit", "end")];
    let drawing = Drawing {
        title: format!("{} with its uncertainty against its limits, in {unit}", line.value),
        accepted: zone(accepted.0, accepted.1),
        guards,
        limits: named
            .into_iter()
            .filter_map(|(limit, name, anchor)| {
                limit.map(|limit| Limit { x: x(limit), label: format!("{name} {}", shell.n(limit)), anchor })
            })
            .collect(),
        ticks: ticks(low, high).into_iter().map(|(at, label)| Tick { x: x(at), label: shell.n(label) }).collect(),
        bar: (x(ends[0]), x(ends[1])),
        point: x(line.value),
        value: shell.n(crate::show::figure(line.value, 5)),
    };
    drawing.render().ok()
}
