//! Pictures with awkward data: every word can be read, limits can be seen.

use super::legible::{unreadable, words};
use super::*;

fn point(x: f64, y: f64, mark: &str) -> Point {
    Point {
        x,
        y,
        bar: 0.0,
        shape: Shape::Circle,
        hollow: false,
        mark: mark.to_owned(),
        title: format!("{x}: {y}"),
        link: String::new(),
    }
}

fn level(y: f64, (from, to): (f64, f64), stroke: Stroke, name: &str) -> Level {
    Level { y, from, to, stroke, name: name.to_owned() }
}

fn sheet(title: &str, axis: Axis, range: (f64, f64), panels: Vec<Panel>) -> Sheet {
    Sheet { title: title.to_owned(), description: String::new(), axis, range, panels, legend: Vec::new() }
}

fn number(label: &str) -> Axis {
    Axis::Number(label.to_owned())
}

fn read(sheet: &Sheet, size: (u32, u32)) -> String {
    let svg = render(sheet, size).unwrap();
    let faults = unreadable(&svg).unwrap();
    assert!(faults.is_empty(), "{}: {faults:#?}", sheet.title);
    svg
}

fn texts(svg: &str) -> Vec<String> {
    words(svg).unwrap().0.into_iter().map(|word| word.text).collect()
}

#[test]
fn limits_close_to_the_mean_have_names_that_can_be_read() {
    for apart in [0.0, 1e-6, 0.01, 0.1, 1.0] {
        let mut panel = Panel::new("value, g/L", 1);
        panel.points = (0..20).map(|i| point(f64::from(i), 120.0 + f64::from(i % 5), "")).collect();
        for (place, (name, stroke)) in [
            ("reference", Stroke::Plain),
            ("mean", Stroke::Faint),
            ("LOD", Stroke::Warning),
            ("LOQ", Stroke::Warning),
            ("upper limit 120", Stroke::Action),
        ]
        .into_iter()
        .enumerate()
        {
            panel.levels.push(level(120.0 + apart * place as f64, (0.0, 19.0), stroke, name));
        }
        let svg = read(&sheet("names", number("datum"), (0.0, 19.0), vec![panel]), (960, 460));
        let texts = texts(&svg);
        for name in ["reference", "mean", "LOD", "LOQ", "upper limit 120"] {
            assert!(texts.iter().any(|text| text == name), "{name}: {texts:?}");
        }
    }
}

#[test]
fn many_rule_hits_close_together_have_marks_that_can_be_read() {
    for (count, size) in [(3, (1040, 520)), (40, (1040, 520)), (150, (1040, 520)), (900, (1040, 520)), (40, (400, 200))]
    {
        let mut panel = Panel::new("x, g/L", 3);
        panel.joined = true;
        panel.points = (0..count)
            .map(|i| {
                let mark = ["1,2,4", "2", "2", "3", "2,4", "1"][i as usize % 6];
                point(20_000.0 + f64::from(i) / 50.0, 118.0 + f64::from(i * 7 % 11), mark)
            })
            .collect();
        panel.moments.push(Moment { x: 20_000.0, name: "phase 1, n = 20, preliminary".to_owned() });
        let end = 20_000.0 + f64::from(count) / 50.0;
        let mut drawn = sheet("hits", Axis::Days, (20_000.0, end), vec![panel.clone(), panel]);
        drawn.legend = (1..=4).map(|rule| format!("Rule {rule}: {rule} points beyond 3 s on the same side.")).collect();
        let svg = read(&drawn, size);
        assert_eq!(svg.matches("r=\"9\" opacity").count(), 2 * count as usize, "every hit has its ring");
        assert!(
            texts(&svg).iter().any(|text| text.starts_with("Rule 4: 4 points")),
            "the legend has the rules in words"
        );
    }
}

#[test]
fn phases_of_two_points_have_names_and_limits_that_can_be_seen() {
    let mut panel = Panel::new("x, g/L", 3);
    panel.points = (0..150).map(|i| point(f64::from(i), 118.0 + f64::from(i % 7), "")).collect();
    for phase in 0..12_i32 {
        let from = 100.0 + 2.0 * f64::from(phase);
        let name = format!("phase {}, n = 20, preliminary", phase + 1);
        panel.moments.push(Moment { x: from, name });
        panel.levels.push(level(121.0, (from, from + 0.02), Stroke::Action, "action"));
    }
    panel.moments.push(Moment { x: 149.0, name: "phase 13, n = 60".to_owned() });
    panel.bars = vec![Bar { low: 118.0, high: 119.0, count: 12 }, Bar { low: 119.0, high: 119.01, count: 140 }];
    let svg = read(&sheet("phases", Axis::Days, (0.0, 149.0), vec![panel]), (1040, 520));
    // Dashes of the limits, each phase at least 24 px in all.
    let texts = texts(&svg);
    assert!(texts.iter().filter(|text| text.starts_with("phase ")).count() >= 4, "{texts:?}");
}

#[test]
fn a_limit_is_never_a_speck() {
    let mut panel = Panel::new("x", 1);
    panel.points = vec![point(0.0, 1.0, ""), point(150.0, 2.0, "")];
    for (y, from, to) in [(1.2, 70.0, 70.01), (1.4, 150.0, 150.0), (1.6, 0.0, 0.0)] {
        panel.levels.push(level(y, (from, to), Stroke::Action, ""));
    }
    let svg = read(&sheet("specks", Axis::Days, (0.0, 150.0), vec![panel]), (1040, 520));
    let dashes: Vec<f64> = svg
        .split("<polyline ")
        .skip(1)
        .filter(|line| line.contains("#8A1828"))
        .map(|line| {
            let points = line.split("points=\"").nth(1).unwrap().split('"').next().unwrap();
            let xs: Vec<f64> =
                points.split_whitespace().map(|at| at.split(',').next().unwrap().parse().unwrap()).collect();
            xs.iter().copied().fold(f64::MIN, f64::max) - xs.iter().copied().fold(f64::MAX, f64::min)
        })
        .collect();
    let long = dashes.iter().filter(|length| **length >= 13.0).count();
    assert!(long >= 3, "each limit has a whole dash: {dashes:?}");
}

#[test]
fn names_and_figures_of_any_length_stay_inside() {
    for (low, high) in [(0.0, 1e-7), (-1e6, 1e6), (1e5, 1e5 + 1e-3), (0.0, 0.0)] {
        let mut panel = Panel::new(
            "s₀, u and LOQ of iron(III), a unit that somebody made up and that goes on and on and on and on",
            2,
        );
        panel.points = vec![point(0.0, low, "outlier"), point(1.0, high, "straggler")];
        panel.levels.push(level(high, (0.0, 1.0), Stroke::Action, "a limit with a name as long as nobody would think"));
        panel.moments.push(Moment { x: 1.0, name: "band leaves 2026-11-30".to_owned() });
        panel.moments.push(Moment { x: 0.99, name: "now".to_owned() });
        let title = "A title that somebody typed and that is far too long for any picture ".repeat(4);
        read(&sheet(&title, number("taken, g/L"), (0.0, 1.0), vec![panel.clone(), panel]), (960, 460));
    }
}

#[test]
fn times_of_any_length_are_dates_that_can_be_read() {
    for days in [0.0, 0.01, 1.0, 3.1, 5.0, 9.0, 400.0, 9000.0] {
        let mut panel = Panel::new("x", 1);
        panel.points = vec![point(20_000.0, 1.0, ""), point(20_000.0 + days, 2.0, "")];
        let svg = read(&sheet("times", Axis::Days, (20_000.0, 20_000.0 + days), vec![panel]), (700, 300));
        let mut dates: Vec<String> = texts(&svg).into_iter().filter(|text| text.contains('-')).collect();
        let all = dates.len();
        dates.sort();
        dates.dedup();
        assert!(dates.len() == all && all >= 2, "{days} days: {dates:?}");
    }
}

#[test]
fn a_mark_is_named_on_hovering_as_its_ring_is() {
    let mut panel = Panel::new("x", 1);
    panel.points = vec![point(0.0, 1.0, ""), point(1.0, 2.0, "4")];
    let svg = read(&sheet("titles", number("n"), (0.0, 1.0), vec![panel]), (700, 300));
    assert!(svg.contains("<g><title>1: 2</title><circle") && svg.contains("<rect x="), "{svg}");
}
