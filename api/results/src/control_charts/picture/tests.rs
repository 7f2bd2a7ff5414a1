//! Pictures of charts with awkward data: what is written can be read, a ring is where its rule decides.

use chrono::{DateTime, TimeDelta, Utc};
use ferrotitre_base::ids::{ChartPhaseId, ControlChartId, ControlValueId};
use ferrotitre_base::pictures::legible::{unreadable, words};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::json::Json;

use super::*;
use crate::control_charts::rules::Design;
use crate::control_charts::wire::{Hit, PointLimits, Statistic};

fn at(days: f64) -> DateTime<Utc> {
    let begin = "2026-03-01T08:00:00Z".parse::<DateTime<Utc>>().unwrap();
    begin + TimeDelta::milliseconds((days * 86_400_000.0) as i64)
}

fn chart(quantity: &str, design: Option<Design>) -> charts::Row {
    charts::Row {
        id: ControlChartId(Uuid::from_u128(1)),
        code: "X-BATH".to_owned(),
        title: "Total iron in the bath control".to_owned(),
        quantity: quantity.to_owned(),
        material_id: None,
        method_id: None,
        titrant_id: None,
        unit: "g/L".to_owned(),
        resolution: None,
        replicates: None,
        rules: Json(Vec::new()),
        design: design.map(Json),
        baseline_minimum: 20,
        recorded_at: at(0.0),
        recorded_by: AccountId(Uuid::from_u128(2)),
    }
}

fn phase(number: i32, (from, to): (f64, Option<f64>), (centre, s): (f64, f64)) -> PhaseView {
    PhaseView {
        id: ChartPhaseId(Uuid::from_u128(10 + number.unsigned_abs() as u128)),
        chart: ControlChartId(Uuid::from_u128(1)),
        number,
        state: "established".to_owned(),
        label: if number % 2 == 1 { "preliminary" } else { "established" }.to_owned(),
        origin: "baseline".to_owned(),
        spread: None,
        centre,
        s: Some(s),
        lower_action: Some(centre - 3.0 * s),
        lower_warning: Some(centre - 2.0 * s),
        upper_warning: Some(centre + 2.0 * s),
        upper_action: Some(centre + 3.0 * s),
        n: Some(20),
        valid_from: at(from),
        valid_to: to.map(at),
        reason: "baseline".to_owned(),
        exclusions: Vec::new(),
        sign_offs: Vec::new(),
        content_digest: String::new(),
        moves: Vec::new(),
        recorded_at: at(from),
        recorded_by: AccountId(Uuid::from_u128(2)),
    }
}

fn value(position: i32, day: f64, value: f64, hits: &[i32]) -> PointView {
    let hit = |rule: &i32| Hit { rule: *rule, text: format!("{rule} points beyond 2 s on the same side") };
    PointView {
        id: ControlValueId(Uuid::from_u128(1000 + position.unsigned_abs() as u128)),
        chart: ControlChartId(Uuid::from_u128(1)),
        position,
        value: format!("{value:.2}").parse::<Decimal>().unwrap(),
        events: None,
        trials: None,
        source: "entered".to_owned(),
        run: None,
        determination: None,
        second_determination: None,
        factor: None,
        history: None,
        note: None,
        observed_at: at(day),
        phase: None,
        z: None,
        limits: None,
        statistic: None,
        hits: hits.iter().map(hit).collect(),
        verdict: if hits.is_empty() { "in control" } else { "investigate" }.to_owned(),
        state: "valid".to_owned(),
        excluded: false,
        cause: None,
        recorded_at: at(day),
        recorded_by: AccountId(Uuid::from_u128(2 + (position.unsigned_abs() % 3) as u128)),
    }
}

fn legible(sheet: &Sheet) -> String {
    let size = if sheet.panels.len() > 1 { SIZE_WITH_STATISTIC } else { SIZE };
    let svg = render(sheet, size).unwrap();
    let faults = unreadable(&svg).unwrap();
    assert!(faults.is_empty(), "{faults:#?}");
    svg
}

/// Panels with a ring, by number.
fn ringed(sheet: &Sheet) -> Vec<usize> {
    let has = |panel: &Panel| panel.points.iter().any(|point| !point.mark.is_empty());
    sheet.panels.iter().enumerate().filter(|(_, panel)| has(panel)).map(|(number, _)| number).collect()
}

#[test]
fn a_chart_with_hits_close_together_and_short_phases_can_be_read() {
    let phases = [
        phase(1, (0.0, Some(100.0)), (118.0, 0.4)),
        phase(2, (100.0, Some(101.5)), (118.01, 0.41)),
        phase(3, (101.5, Some(103.0)), (118.0, 0.001)),
        phase(4, (103.0, None), (118.02, 0.41)),
    ];
    let points: Vec<PointView> = (1..=120)
        .map(|i| {
            let hits: &[i32] = match i {
                100..=112 if i % 2 == 0 => &[1, 2],
                100..=112 => &[2],
                113..=120 => &[1, 2, 4],
                _ => &[],
            };
            value(i, f64::from(i), 118.0 + f64::from(i % 5) / 4.0, hits)
        })
        .collect();
    let sheet = each(&chart("x", None), &phases, &points, None);
    let svg = legible(&sheet);
    let texts: Vec<String> = words(&svg).unwrap().0.into_iter().map(|word| word.text).collect();
    for rule in [1, 2, 4] {
        let text = format!("Rule {rule}: {rule} points beyond 2 s on the same side.");
        assert!(texts.contains(&text), "in print, too: {texts:?}");
    }
    assert!(!texts.iter().any(|text| text.starts_with("Rule 3")), "no rule that nobody completed");
    assert!(svg.contains("; rule 4: 4 points beyond 2 s on the same side</title>"), "and on hovering");
    // A limit of a phase of a day and a half is drawn.
    let short = sheet.panels[0].levels.iter().filter(|level| level.to - level.from < 2.0).count();
    assert_eq!(short, 10, "five lines of each of the two short phases");
}

#[test]
fn rings_are_on_the_panel_that_decides() {
    let design = |h: bool| Design {
        k: h.then(|| "0.5".parse().unwrap()),
        h: h.then(|| "5".parse().unwrap()),
        head_start: None,
        lambda: (!h).then(|| "0.2".parse().unwrap()),
        limit: (!h).then(|| "2.962".parse().unwrap()),
    };
    let phases = [phase(1, (0.0, None), (118.0, 0.4))];
    let points = |statistic: &dyn Fn(i32) -> Statistic| -> Vec<PointView> {
        (1..=30)
            .map(|i| {
                let hits: &[i32] = if i >= 27 { &[1] } else { &[] };
                PointView { statistic: Some(statistic(i)), ..value(i, f64::from(i), 118.0 + f64::from(i) / 40.0, hits) }
            })
            .collect()
    };
    // A value that was recorded before there were limits has no sum; the others keep theirs.
    let with_first = |mut points: Vec<PointView>| {
        points.insert(0, PointView { verdict: "not judged".to_owned(), ..value(0, 0.0, 118.0, &[]) });
        points
    };
    let sums = |i: i32| Statistic::Cusum {
        upper: f64::from((i - 1).max(0)) / 5.0,
        lower: 0.0,
        since_upper: 1,
        since_lower: 0,
    };
    let sheet = each(&chart("cusum", Some(design(true))), &phases, &with_first(points(&sums)), None);
    assert_eq!(ringed(&sheet), [1], "not on the values");
    let rings: Vec<&Point> = sheet.panels[1].points.iter().filter(|point| !point.mark.is_empty()).collect();
    assert!(rings.len() == 4 && rings.iter().all(|point| point.shape == Shape::Triangle), "on the sum that is beyond");
    assert!(rings.iter().all(|point| point.title.contains("rule 1: ") && !point.link.is_empty()));
    assert_eq!(sheet.panels[0].label, "value, g/L");
    let svg = legible(&sheet);
    assert!(svg.contains("Rule 1: 1 points beyond 2 s on the same side."));

    let average = |i: i32| Statistic::Ewma { average: f64::from(i) / 30.0, limit: 0.987, remaining: 0.0 };
    let sheet = each(&chart("ewma", Some(design(false))), &phases, &points(&average), None);
    assert_eq!(ringed(&sheet), [1]);
    let svg = legible(&sheet);
    assert!(svg.contains("action 0.98700") && svg.contains("EWMA, in s"), "{svg}");
}

#[test]
fn a_caption_names_only_what_is_there() {
    let phases = [phase(1, (0.0, None), (118.0, 0.4))];
    let few: Vec<PointView> = (1..=3)
        .map(|i| PointView { recorded_by: AccountId(Uuid::from_u128(2)), ..value(i, f64::from(i), 118.0, &[]) })
        .collect();
    let sheet = each(&chart("reading", None), &[], &few, None);
    let text = caption(&sheet, "3 points.");
    assert_eq!(text, "3 points.");
    let mut many: Vec<PointView> = (1..=12).map(|i| value(i, f64::from(i), 118.0, &[])).collect();
    many[3].excluded = true;
    many[4].hits = vec![Hit { rule: 1, text: "1 point beyond 3 s".to_owned() }];
    let sheet = each(&chart("x", None), &phases, &many, None);
    let text = caption(&sheet, "12 points.");
    for words in [
        "centre",
        "warning",
        "action",
        "a phase begins",
        "who recorded",
        "Hollow",
        "ring",
        "Bars",
        "ranges of neighbours",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

#[test]
fn limits_of_single_points_are_one_line_where_they_are_equal() {
    let upper = |i: i32| if i < 8 { 0.25 } else { 0.2 };
    let points: Vec<PointView> = (1..=10)
        .map(|i| PointView {
            limits: Some(PointLimits { lower: None, upper: Some(upper(i)) }),
            ..value(i, f64::from(i) * 10.0, 0.1, &[])
        })
        .collect();
    let sheet = each(&chart("discarded reductions", None), &[], &points, None);
    let levels = &sheet.panels[0].levels;
    assert_eq!(levels.len(), 2, "{levels:?}");
    assert!((levels[0].to - levels[0].from - 65.0).abs() < 1e-6 && (levels[1].to - levels[1].from - 25.0).abs() < 1e-6);
    legible(&sheet);
}
