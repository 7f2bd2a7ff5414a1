//! Last digits as bars beside what equal frequency would give.

use ferrotitre_base::pictures::{Axis, Level, Line, Panel, Sheet, Stroke, render};
use ferrotitre_base::refusal::Refusal;

use crate::reading_habits::wire::SignView;

/// Draws how often each last digit was read; none where there is nothing to count.
pub(super) fn digits(name: &str, sign: &SignView) -> Result<Option<String>, Refusal> {
    let Some(last) = sign.digits.last() else { return Ok(None) };
    let range = (-0.5, f64::from(last.digit) + 0.5);
    let mut panel = Panel::new("final readings, number", 1);
    panel.include.push(0.0);
    for of in &sign.digits {
        let (x, y) = (f64::from(of.digit), of.count as f64);
        // An outline: bars of any colour would look alike in greyscale.
        let points = vec![(x - 0.3, 0.0), (x - 0.3, y), (x + 0.3, y), (x + 0.3, 0.0)];
        panel.lines.push(Line { points, stroke: Stroke::Plain });
    }
    let y = sign.cases as f64 / sign.digits.len() as f64;
    panel.levels.push(Level { y, from: range.0, to: range.1, stroke: Stroke::Warning, name: "equal".to_owned() });
    let sheet = Sheet {
        title: format!("{name}: last digits of {}", sign.basis),
        description: format!("{} {}; {} if all were read equally often.", sign.cases, sign.observed, sign.expected),
        axis: Axis::Number("last digit".to_owned()),
        range,
        panels: vec![panel],
        legend: Vec::new(),
    };
    render(&sheet, (700, 300)).map(Some).map_err(Refusal::internal)
}
