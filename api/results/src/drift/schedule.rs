//! How often a lot is standardised, and with how many replicates, for the least cost a year.

use ferrotitre_base::pictures::{Axis, Panel, Point, Shape, Sheet, render};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::titrants::wire::StandardisationView;
use ferrotitre_core::control::interval::{Costs, Growth, Schedule, schedule};
use ferrotitre_html::show;

use crate::drift::wire::{DriftQuestion, DriftView, ScheduleView, SchedulesView};

/// Fewer are not approved.
const FEWEST_REPLICATES: u32 = 3;
/// Most replicates that are planned.
const MOST_REPLICATES: u32 = 8;
/// A budget where none was asked for: half more than a fresh standardisation; common practice, no source.
const USUAL_ROOM: f64 = 1.5;

const SIZE: (u32, u32) = (1040, 420);

/// Replicates that count in a standardisation.
fn replicates(of: &StandardisationView) -> Vec<f64> {
    of.titrations.iter().filter_map(|titration| titration.concentration).collect()
}

/// Relative variance of replicates pooled over approved standardisations, its degrees of freedom, and how many the last one had.
fn pooled(standardised: &[StandardisationView]) -> Option<(f64, usize, usize)> {
    let approved = || standardised.iter().filter(|one| one.state == "approved" && !one.discordant);
    let (mut squares, mut freedom) = (0.0, 0);
    for one in approved() {
        let values = replicates(one);
        let n = values.len();
        if n < 2 {
            continue;
        }
        let mean = values.iter().sum::<f64>() / n as f64;
        squares += values.iter().map(|value| (value / mean - 1.0).powi(2)).sum::<f64>();
        freedom += n - 1;
    }
    let last = approved().max_by_key(|one| one.observed_at)?;
    (freedom > 0).then(|| (squares / freedom as f64, freedom, replicates(last).len()))
}

fn shown(of: Schedule) -> ScheduleView {
    ScheduleView {
        replicates: of.replicates,
        days: of.days.is_finite().then_some(of.days),
        at_start_percent: of.at_start,
        share_of_drift: of.share_of_growth,
        cost_a_year: of.cost_a_year,
    }
}

/// Schedules of a lot, from its line and the scatter of its own standardisations.
pub(super) fn schedules(
    view: &DriftView,
    standardised: &[StandardisationView],
    question: &DriftQuestion,
) -> Result<Option<SchedulesView>, Refusal> {
    let (Some(line), Some(point), Some((variance, freedom, n))) =
        (&view.line, view.points.last(), pooled(standardised))
    else {
        return Ok(None);
    };
    let percent = 100.0 / point.factor;
    let u = percent * point.u;
    let repeatability = 100.0 * variance.sqrt();
    let fixed = (u * u - repeatability * repeatability / n as f64).max(0.0).sqrt();
    let drift = (percent * line.slope_per_day).abs();
    let budget = question.u_budget_percent.unwrap_or(USUAL_ROOM * u);
    let growth = Growth { fixed, repeatability, drift_per_day: drift, walk_per_day: 0.0 };
    let costs = Costs { each: question.cost_each.unwrap_or(30.0), replicate: question.cost_replicate.unwrap_or(10.0) };
    let mut found = Vec::new();
    for replicates in FEWEST_REPLICATES..=MOST_REPLICATES {
        found.extend(schedule(growth, costs, replicates, budget)?.map(shown));
    }
    let best = found.iter().min_by(|a, b| a.cost_a_year.total_cmp(&b.cost_a_year)).cloned();
    Ok(Some(SchedulesView {
        u_budget_percent: budget,
        repeatability_percent: repeatability,
        degrees_of_freedom: freedom,
        fixed_percent: fixed,
        drift_percent_per_day: drift,
        cost_each: costs.each,
        cost_replicate: costs.replicate,
        present_replicates: n,
        cheapest: best,
        schedules: found,
    }))
}

/// Draws cost a year and days between standardisations against the number of replicates.
pub(super) fn draw(of: &SchedulesView, code: &str) -> Result<String, Refusal> {
    let best = of.cheapest.as_ref().map(|best| best.replicates);
    let panel = |label: &str, y: &dyn Fn(&ScheduleView) -> Option<f64>| {
        let mut panel = Panel::new(label, 1);
        panel.joined = true;
        panel.include.push(0.0);
        panel.points = of
            .schedules
            .iter()
            .filter_map(|one| {
                let y = y(one)?;
                Some(Point {
                    x: f64::from(one.replicates),
                    y,
                    bar: 0.0,
                    shape: if best == Some(one.replicates) { Shape::Diamond } else { Shape::Circle },
                    hollow: best != Some(one.replicates),
                    mark: String::new(),
                    title: format!("{} replicates: {} {label}", one.replicates, show::figure(y, 3)),
                    link: String::new(),
                })
            })
            .collect();
        panel
    };
    let days = panel("days between", &|one| one.days);
    let cost = panel("cost a year", &|one| Some(one.cost_a_year));
    let words = of.cheapest.as_ref().map_or_else(
        || "no number of replicates keeps the budget".to_owned(),
        |best| format!("{} replicates are cheapest", best.replicates),
    );
    let sheet = Sheet {
        title: format!("Standardisations of {code}"),
        description: format!("For u of the factor within {} %, {words}.", show::figure(of.u_budget_percent, 2)),
        axis: Axis::Number("replicates".to_owned()),
        range: (f64::from(FEWEST_REPLICATES) - 0.5, f64::from(MOST_REPLICATES) + 0.5),
        panels: vec![days, cost],
        legend: Vec::new(),
    };
    render(&sheet, SIZE).map_err(Refusal::internal)
}
