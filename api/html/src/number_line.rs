//! A result with its uncertainty on a line with the limits it is judged by, drawn on the server; shapes tell apart what
//! colours would.

use askama::Template;
use ferrotitre_base::pictures::text_width;

use crate::plots::{TICK, Tick, readable, ticks};
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

struct Zone {
    x: f64,
    width: f64,
}

struct Limit {
    x: f64,
    label: String,
    /// Where the label begins, so that it stays inside and lies over no other.
    begins: f64,
    /// Its base line.
    line: f64,
}

#[derive(Template)]
#[template(path = "number_line.svg")]
struct Drawing {
    title: String,
    /// Room for a second line of names.
    lower: f64,
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
/// Base lines of the names of limits.
const FIRST: f64 = 16.0;
const SECOND: f64 = 34.0;

/// Names of limits, each beside its line: where the two would lie over each other, the second stands a line lower.
fn placed(named: Vec<(f64, String)>) -> Vec<Limit> {
    let mut all: Vec<Limit> = Vec::new();
    let mut taken: Option<(f64, f64)> = None;
    for (number, (x, label)) in named.into_iter().enumerate() {
        let wide = text_width(&label, TICK);
        // The first goes to the right, the second to the left, towards what is accepted; outward where there is no room.
        let ways = if number == 0 { [x, x - wide] } else { [x - wide, x] };
        let inside = |begins: &f64| *begins >= 2.0 && begins + wide <= WIDTH - 2.0;
        let free = |begins: &f64| taken.is_none_or(|(from, to)| begins + wide + 6.0 <= from || to + 6.0 <= *begins);
        let there = ways.iter().filter(|begins| inside(begins)).find(|begins| free(begins)).copied();
        let begins = there.unwrap_or_else(|| (x - wide / 2.0).clamp(2.0, (WIDTH - 2.0 - wide).max(2.0)));
        let line = if free(&begins) { FIRST } else { SECOND };
        taken = taken.or(Some((begins, begins + wide)));
        all.push(Limit { x, label, begins, line });
    }
    all
}

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
    let named = [(line.lower, "lower limit"), (line.upper, "upper limit")];
    let named = named.into_iter().filter_map(|(limit, name)| Some((x(limit?), format!("{name} {}", shell.n(limit?)))));
    let limits = placed(named.collect());
    let drawing = Drawing {
        lower: if limits.iter().any(|limit| limit.line > FIRST) { SECOND - FIRST } else { 0.0 },
        title: format!("{} with its uncertainty against its limits, in {unit}", line.value),
        accepted: zone(accepted.0, accepted.1),
        guards,
        limits,
        ticks: readable(ticks(low, high).into_iter().map(|(at, label)| (x(at), shell.n(label))), WIDTH),
        bar: (x(ends[0]), x(ends[1])),
        point: x(line.value),
        value: shell.n(crate::show::figure(line.value, 5)),
    };
    drawing.render().ok()
}

#[cfg(test)]
mod tests {
    use ferrotitre_base::pictures::legible::{unreadable, words};

    use super::*;
    use crate::paper::styled;

    fn shell(comma: bool) -> Shell {
        Shell {
            user: None,
            path: String::new(),
            address: String::new(),
            look: "auto",
            comma,
            code: String::new(),
            notice: "",
            receipt: String::new(),
            in_the_clear: false,
        }
    }

    #[test]
    fn limits_of_any_kind_have_names_that_can_be_read() {
        let mut looked_at = 0;
        for (lower, upper) in [
            (Some(110.0), Some(120.0)),
            (None, Some(120.0)),
            (Some(120.0), None),
            (Some(119.9), Some(120.0)),
            (Some(120.0), Some(120.0)),
            (Some(0.00012), Some(0.00013)),
            (Some(1_000_000.5), Some(1_200_000.5)),
        ] {
            for value in [0.0, 0.00012, 100.0, 119.95, 125.0, 5000.0, 1_100_000.0] {
                for expanded in [0.0, 0.5, 40.0] {
                    let line = NumberLine { value, expanded, lower, upper, guard: expanded / 2.0 };
                    let Some(svg) = draw(&shell(expanded > 1.0), line, "g/L") else { continue };
                    let svg = styled(svg);
                    let faults = unreadable(&svg).unwrap();
                    assert!(faults.is_empty(), "{line:?}: {faults:#?}");
                    let named = words(&svg).unwrap().0.iter().filter(|word| word.text.contains("limit")).count();
                    assert_eq!(named, usize::from(lower.is_some()) + usize::from(upper.is_some()), "{line:?}");
                    looked_at += 1;
                }
            }
        }
        assert!(looked_at > 100, "{looked_at}");
    }
}
