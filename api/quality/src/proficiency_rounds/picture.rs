//! Scores over time.

use ferrotitre_base::pictures::{Axis, Level, Panel, Point, Shape, Sheet, Stroke, days, render};
use ferrotitre_base::refusal::Refusal;

use crate::proficiency_rounds::wire::RoundView;

/// Draws scores with their limits; the score that judges each round.
pub(super) fn draw(rounds: &[RoundView], series: Option<&str>) -> Result<String, Refusal> {
    render(&sheet(rounds, series), (1040, 420)).map_err(Refusal::internal)
}

fn sheet(rounds: &[RoundView], series: Option<&str>) -> Sheet {
    let times = rounds.iter().map(|view| days(view.round.facts.observed_at));
    let ends = times.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)));
    let range = match ends {
        (low, high) if low > high => (0.0, 1.0),
        (low, high) if low == high => (low - 1.0, high + 1.0),
        ends => ends,
    };
    let mut panel = Panel::new("z or z', zeta", 1);
    panel.include = vec![-3.5, 3.5];
    for (y, stroke, name) in [
        (3.0, Stroke::Action, "action +3"),
        (2.0, Stroke::Warning, "warning +2"),
        (0.0, Stroke::Plain, "assigned value"),
        (-2.0, Stroke::Warning, "warning -2"),
        (-3.0, Stroke::Action, "action -3"),
    ] {
        let wide = (range.1 - range.0) * 0.02 + 0.01;
        panel.levels.push(Level { y, from: range.0 - wide, to: range.1 + wide, stroke, name: name.to_owned() });
    }
    for view in rounds {
        let (facts, scores) = (&view.round.facts, &view.scores);
        let link = format!("/proficiency-rounds/{}", view.round.id);
        let mut point = |y: f64, shape, hollow, mark: &str, name: &str| {
            panel.points.push(Point {
                x: days(facts.observed_at),
                y,
                bar: 0.0,
                shape,
                hollow,
                mark: mark.to_owned(),
                title: format!("{} {}: {name} = {y:.2}, {}", facts.code, facts.series, scores.verdict),
                link: link.clone(),
            });
        };
        let mark = match scores.verdict {
            "satisfactory" => "",
            "warning" => "2",
            _ => "3",
        };
        point(scores.score(), Shape::Circle, false, mark, scores.judged_by);
        if let Some(zeta) = scores.zeta {
            point(zeta, Shape::Diamond, true, "", "zeta");
        }
    }
    let beyond = rounds.iter().filter(|view| view.scores.verdict != "satisfactory").count();
    let mut sheet = Sheet {
        title: series.map_or_else(|| "Proficiency rounds".to_owned(), |series| format!("Proficiency rounds: {series}")),
        description: format!("{} rounds, {beyond} of them with a warning or action signal.", rounds.len()),
        axis: Axis::Days,
        range,
        panels: vec![panel],
        legend: Vec::new(),
    };
    for (holds, words) in [
        (true, "Filled circles: z, or z' where the assigned value is uncertain."),
        (sheet.has_hollow(), "Hollow diamonds: zeta."),
        (sheet.has_rings(), "Ring with 2: beyond the warning limit; with 3: beyond the action limit."),
    ] {
        if holds && !rounds.is_empty() {
            sheet.legend.push(words.to_owned());
        }
    }
    sheet
}
