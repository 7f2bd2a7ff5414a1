//! Uncertainty against cost as a picture.

use ferrotitre_base::pictures::{Axis, Level, Line, Panel, Point, Shape, Sheet, Stroke, render};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_html::show;

use super::wire::{PlanView, PlannedView};

const SIZE: (u32, u32) = (1040, 380);

fn point(of: &PlannedView, (shape, hollow): (Shape, bool), unit: &str) -> Point {
    let changes = if of.changes.is_empty() { "as it was made".to_owned() } else { of.changes.join("; ") };
    Point {
        x: of.cost,
        y: of.expanded_uncertainty,
        bar: 0.0,
        shape,
        hollow,
        mark: String::new(),
        title: format!(
            "U {} {unit} at a cost of {}: {changes}",
            show::figure(of.expanded_uncertainty, 3),
            (100.0 * of.cost).round() / 100.0
        ),
        link: String::new(),
    }
}

/// Draws the ways that no other beats, as steps from one to the next, with the target and the present way.
pub(in crate::determinations) fn draw(view: &PlanView) -> Result<String, Refusal> {
    let costs = || view.frontier.iter().chain([&view.present]).map(|plan| plan.cost);
    let (low, high) = (costs().fold(f64::INFINITY, f64::min), costs().fold(0.0, f64::max));
    let range = (low - 0.05 * (high - low) - 1.0, high + 0.05 * (high - low) + 1.0);
    let mut panel = Panel::new(format!("U, {}", view.unit), 1);
    // What costs less than the next better way is as good as the one before it.
    let mut steps: Vec<(f64, f64)> = Vec::new();
    for plan in &view.frontier {
        if let Some((_, before)) = steps.last() {
            steps.push((plan.cost, *before));
        }
        steps.push((plan.cost, plan.expanded_uncertainty));
    }
    panel.lines.push(Line { points: steps, stroke: Stroke::Plain });
    let target =
        Level { y: view.target, from: range.0, to: range.1, stroke: Stroke::Action, name: "target".to_owned() };
    panel.levels.push(target);
    panel.points = view.frontier.iter().map(|plan| point(plan, (Shape::Circle, false), view.unit)).collect();
    panel.points.push(point(&view.present, (Shape::Diamond, true), view.unit));
    panel.include.push(0.0);
    let best = show::figure(view.best.expanded_uncertainty, 3);
    let sheet = Sheet {
        title: format!("U of {} against cost", view.code),
        description: format!(
            "U is {} {} as it was made and {best} {} at best.",
            show::figure(view.present.expanded_uncertainty, 3),
            view.unit,
            view.unit
        ),
        axis: Axis::Number("cost".to_owned()),
        range,
        panels: vec![panel],
        legend: Vec::new(),
    };
    render(&sheet, SIZE).map_err(Refusal::internal)
}
