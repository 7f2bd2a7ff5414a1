//! Consumer's and producer's risk against the length of the guard band.

use ferrotitre_base::pictures::{Axis, Line, Moment, Panel, Sheet, Stroke, render};
use ferrotitre_base::refusal::Refusal;

use crate::conformity::risk::{GuardBandRisk, RiskView};

/// Draws both risks, one below the other, and where the rule itself stands.
pub(super) fn draw(view: &RiskView) -> Result<String, Refusal> {
    let last = view.by_guard_band.last().map_or(0.0, |risk| risk.w);
    let range = (0.0, last.max(0.1));
    let panel = |label: &str, of: fn(&GuardBandRisk) -> f64, stroke| {
        let mut panel = Panel::new(label, 1);
        let points = view.by_guard_band.iter().map(|risk| (risk.w, 100.0 * of(risk))).collect();
        panel.lines.push(Line { points, stroke });
        panel.include = vec![0.0];
        if let Some(rule) = view.of_rule.as_ref().filter(|rule| (range.0..=range.1).contains(&rule.w)) {
            panel.moments.push(Moment { x: rule.w, name: "this rule".to_owned() });
            panel.include.push(100.0 * of(rule));
        }
        panel
    };
    let sheet = Sheet {
        title: format!("{} v{}, {}: risk against guard band", view.code, view.version, view.limits),
        description: view.in_words(),
        axis: Axis::Number("length of the guard band w, in U".to_owned()),
        range,
        legend: Vec::new(),
        panels: vec![
            panel("consumer's risk, %", |risk| risk.consumer, Stroke::Action),
            panel("producer's risk, %", |risk| risk.producer, Stroke::Plain),
        ],
    };
    render(&sheet, (900, 520)).map_err(Refusal::internal)
}

/// The picture of an answer, for a page.
pub(super) fn of(view: &RiskView) -> Option<String> {
    draw(view).ok()
}
