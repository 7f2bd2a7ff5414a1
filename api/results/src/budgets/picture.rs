//! What control charts saw against what a budget claims, as pictures.

use ferrotitre_base::db::Db;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::pictures::{Axis, Band, Level, Panel, Point, Shade, Shape, Sheet, Stroke, days, render};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_html::show;

use crate::budgets::service;
use crate::budgets::wire::Figures;
use crate::control_charts::statistics::Seen;

const SIZE: (u32, u32) = (1040, 360);
/// Newest points that are drawn.
const MOST_POINTS: usize = 200;

/// Draws each chart with the claim of a method version: code of the chart, drawing.
pub(super) async fn draw(db: &Db, version: MethodId) -> Result<Vec<(String, String)>, Refusal> {
    let mut all = Vec::new();
    for (chart, seen, figures) in service::drawn(db, version).await? {
        let Some(figures) = figures else { continue };
        let sheet = sheet((&chart.code, &chart.unit), &seen, &figures);
        all.push((chart.code, render(&sheet, SIZE).map_err(Refusal::internal)?));
    }
    Ok(all)
}

fn sheet((code, unit): (&str, &str), seen: &Seen, figures: &Figures) -> Sheet {
    let newest = seen.points.get(seen.points.len().saturating_sub(MOST_POINTS)..).unwrap_or_default();
    let times: Vec<f64> = newest.iter().map(|(at, _)| days(*at)).collect();
    let range = (times.first().copied().unwrap_or_default() - 1.0, times.last().copied().unwrap_or_default() + 1.0);
    let mut panel = Panel::new(format!("control values, {unit}"), 1);
    panel.joined = true;
    let claimed = 2.0 * figures.claimed_u;
    let edge = |x| (x, figures.mean - claimed, figures.mean + claimed);
    panel.bands.push(Band { edge: vec![edge(range.0), edge(range.1)], shade: Shade::Light });
    let level = |y: f64, stroke, name: String| Level { y, from: range.0, to: range.1, stroke, name };
    panel.levels.push(level(figures.mean, Stroke::Plain, "mean".to_owned()));
    for sign in [-1.0, 1.0] {
        let at = |half: f64| figures.mean + sign * 2.0 * half;
        panel.levels.push(level(at(figures.claimed_u), Stroke::Warning, "2 u of the budget".to_owned()));
        panel.levels.push(level(at(figures.s_rw), Stroke::Action, "2 s seen".to_owned()));
    }
    panel.points = newest
        .iter()
        .zip(&times)
        .map(|((at, value), x)| Point {
            x: *x,
            y: *value,
            bar: 0.0,
            shape: Shape::of(0),
            hollow: false,
            mark: String::new(),
            title: format!("{}: {} {unit}", show::time(*at), show::figure(*value, 5)),
            link: String::new(),
        })
        .collect();
    let outside = seen.points.iter().filter(|(_, value)| (value - figures.mean).abs() > claimed).count();
    Sheet {
        title: format!("{code} against the budget"),
        description: format!("{outside} of {} control values lie beyond 2 u of the budget.", seen.points.len()),
        axis: Axis::Days,
        range,
        panels: vec![panel],
        legend: Vec::new(),
    }
}
