//! Published and independently computed values, through the API.

use ferrotitre_tests::TestApp;
use serde_json::{Value, json};

use super::{Control, near, number, target};

/// Rows of a table of tests/reference/data by column.
fn rows(file: &str) -> Vec<std::collections::BTreeMap<String, String>> {
    let path: std::path::PathBuf = [env!("CARGO_MANIFEST_DIR"), "reference", "data", file].iter().collect();
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines().filter(|line| !line.starts_with('#') && !line.trim().is_empty());
    let names: Vec<String> = lines.next().unwrap().split(',').map(str::to_owned).collect();
    lines.map(|line| names.iter().cloned().zip(line.split(',').map(str::to_owned)).collect()).collect()
}

fn beyond(count: u8, of: u8, sigmas: &str) -> Value {
    json!({ "pattern": "beyond", "count": count, "of": of, "sigmas": sigmas, "side": "same", "consequence": "reject" })
}

/// Rule sets of the reference table by name, as far as they are made of these four patterns.
fn set(name: &str) -> Option<Vec<Value>> {
    let all = [('1', beyond(1, 1, "3")), ('2', beyond(2, 3, "2")), ('3', beyond(4, 5, "1")), ('4', beyond(8, 8, "0"))];
    let numbers = name.strip_prefix('C')?;
    numbers.chars().map(|n| all.iter().find(|(number, _)| *number == n).map(|(_, rule)| rule.clone())).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn run_lengths_of_rule_sets_are_those_of_champ_and_woodall() {
    let app = TestApp::start().await;
    let mut compared = 0;
    for row in rows("05_champ_woodall_published_vs_computed.csv") {
        let Some(rules) = set(&row["set"]) else { continue };
        let asked = json!({ "rules": rules, "shifts": [row["shift"]] });
        let answer = app.auditor.post("/run-lengths", &asked).await.expect(200);
        let found = number(&answer, "/at_shifts/0/average");
        // The independent Markov computation, four decimals; the published value is rounded to two.
        near(&row["set"], found, row["computed_markov"].parse().unwrap(), 0.00005);
        compared += 1;
    }
    assert!(compared >= 10, "{compared}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_default_set_has_the_run_lengths_of_an_independent_chain() {
    let app = TestApp::start().await;
    // Independent computation: rules 1, 2 of 3 and 10 of 11.
    let rules = json!([beyond(1, 1, "3"), beyond(2, 3, "2"), beyond(10, 11, "0")]);
    let asked = json!({ "rules": rules, "shifts": ["0", "0.5", "1", "2"] });
    let answer = app.auditor.post("/run-lengths", &asked).await.expect(200);
    for (i, expected, half) in [(0, 115.7, 0.05), (1, 31.9, 0.05), (2, 11.3, 0.05), (3, 3.57, 0.005)] {
        near("rules 1, 2 of 3, 10 of 11", number(&answer, &format!("/at_shifts/{i}/average")), expected, half);
    }
    let answer = app.auditor.post("/run-lengths", &json!({})).await.expect(200);
    near("rejecting", number(&answer, "/in_control_rejecting"), 225.44, 0.005);
    // One rule at a time, in the order of the set: 3 s; 2 of 3 without it has no row; 10 of 11; 7 points in a row.
    near("3 s", number(&answer, "/alone/0"), 370.40, 0.005);
    near("10 of 11", number(&answer, "/alone/2"), 225.57, 0.005);
    // By counting permutations (core/NUMERICS.md).
    near("7 points steadily", number(&answer, "/alone/3"), 2_881.851_877, 5e-6);
    // What a finite baseline costs, by an independent computation.
    for (n, percent, half) in [(5, 5.2, 0.05), (10, 1.9, 0.05), (20, 0.86, 0.005), (60, 0.42, 0.005)] {
        let answer = app.auditor.post("/run-lengths", &json!({ "baseline": n })).await.expect(200);
        near("false alarms", 100.0 * number(&answer, "/baseline/false_alarm_rate"), percent, half);
    }
    let ten = app.auditor.post("/run-lengths", &json!({ "baseline": 10 })).await.expect(200);
    near("sigma/s low", number(&ten, "/baseline/sigma_ratio/0"), 0.69, 0.005);
    near("sigma/s high", number(&ten, "/baseline/sigma_ratio/1"), 1.83, 0.005);
}

#[tokio::test(flavor = "multi_thread")]
async fn run_lengths_of_cusum_and_ewma_are_those_of_the_tables() {
    let app = TestApp::start().await;
    for row in rows("05_cusum_arl.csv").iter().take(12) {
        let asked =
            json!({ "quantity": "cusum", "design": { "k": row["k"], "h": row["h"] }, "shifts": [row["shift"]] });
        let answer = app.auditor.post("/run-lengths", &asked).await.expect(200);
        let expected: f64 = row["arl_two_sided_S0=0"].parse().unwrap();
        near("cusum", number(&answer, "/at_shifts/0/average"), expected, 0.00005_f64.max(expected * 1e-6));
    }
    for row in rows("05_ewma_arl.csv") {
        let shifts = ["0", "0.25", "0.5", "0.75", "1", "1.5", "2", "2.5", "3", "4"];
        let design = json!({ "lambda": row["lambda"], "limit": row["L"] });
        let asked = json!({ "quantity": "ewma", "design": design, "shifts": shifts });
        let answer = app.auditor.post("/run-lengths", &asked).await.expect(200);
        for (i, shift) in shifts.iter().enumerate() {
            let expected: f64 = row[&format!("shift_{shift}")].parse().unwrap();
            let found = number(&answer, &format!("/at_shifts/{i}/average"));
            near("ewma", found, expected, 0.00005_f64.max(expected * 1e-6));
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn limits_of_range_charts_are_the_published_factors() {
    let control = Control::open().await;
    for row in rows("04_control_chart_constants.csv") {
        let n: u32 = row["n"].parse().unwrap();
        if n > 10 {
            continue;
        }
        let changes = json!({ "quantity": "range", "material": null, "unit": "mL", "replicates": n });
        let chart = control.chart(&format!("R-{n}"), &changes).await;
        let phase = control.phase(&chart, &target("1", "1", 1.0)).await;
        // d2, D2 = d2 + 3 d3 and D1, for s = 1; the table has seven decimals.
        near("d2", number(&phase, "/centre"), row["d2"].parse().unwrap(), 5.5e-8);
        near("D2", number(&phase, "/upper_action"), row["D2"].parse().unwrap(), 5.5e-8);
        let lower: f64 = row["D1"].parse().unwrap();
        match phase["lower_action"].as_f64() {
            Some(found) => near("D1", found, lower, 5.5e-8),
            None => assert!(lower == 0.0, "{lower}"),
        }
    }
}

/// Thirty observations of a worked example on cumulative sums, mean 10 and s 1 (from memory; D. C. Montgomery, Introduction to
/// Statistical Quality Control). The sums and averages below were computed elsewhere from these numbers.
const SERIES: [&str; 30] = [
    "9.45", "7.99", "9.29", "11.66", "12.16", "10.18", "8.04", "11.46", "9.20", "10.34", "9.03", "11.47", "10.51",
    "9.40", "10.08", "9.37", "10.62", "10.31", "8.52", "10.84", "10.90", "9.33", "12.29", "11.50", "10.60", "11.08",
    "10.38", "11.62", "11.31", "10.52",
];

#[tokio::test(flavor = "multi_thread")]
async fn a_cumulative_sum_and_a_moving_average_judge_the_published_series() {
    let control = Control::open().await;
    let cusum = json!({ "quantity": "cusum", "design": { "k": "0.5", "h": "5" } });
    let ewma = json!({ "quantity": "ewma", "design": { "lambda": "0.1", "limit": "2.7" } });
    let (cusum, ewma) = (control.chart("C-1", &cusum).await, control.chart("E-1", &ewma).await);
    for chart in [&cusum, &ewma] {
        control.phase(chart, &target("10", "1", 60.0)).await;
        for (i, value) in SERIES.iter().enumerate() {
            control.import(chart, value, 50.0 - i as f64).await;
        }
    }
    let points = control.points(&cusum, "").await;
    let marked = |points: &[Value]| -> Vec<usize> {
        (1..=points.len()).filter(|i| points[i - 1]["verdict"] == "investigate").collect()
    };
    assert_eq!(marked(&points), [29, 30]);
    near("C+ 28", number(&points[27], "/statistic/upper"), 4.47, 1e-9);
    near("C+ 29", number(&points[28], "/statistic/upper"), 5.28, 1e-9);
    assert_eq!(points[28]["statistic"]["since_upper"], 7);
    assert_eq!(points[28]["hits"][0]["rule"], 1);
    let points = control.points(&ewma, "").await;
    assert_eq!(marked(&points), [29, 30]);
    // The other computation kept the average about 10, which costs a digit.
    near("E 29", number(&points[28], "/statistic/average"), 0.646_823_454_576_4, 1e-11);
    near("limit", number(&points[28], "/statistic/limit"), 0.619_422_481_450_516_8, 1e-12);
    // Under the same phase another view says the same, though it is computed from the beginning.
    let phase = points[0]["phase"].as_str().unwrap();
    let again = control.points(&ewma, &format!("&as_judged_by={phase}")).await;
    assert_eq!(points, again);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_share_of_discarded_reductions_has_exact_binomial_limits() {
    let control = Control::open().await;
    let changes = json!({ "quantity": "discarded reductions", "material": null, "unit": "1", "resolution": null });
    let chart = control.chart("P-1", &changes).await;
    let phase = json!({
        "origin": "target", "label": "established", "centre": "0.04", "valid_from": days_ago(30),
        "reason": "one discarded reduction in twenty-five is usual",
    });
    control.phase(&chart, &phase).await;
    let path = format!("/control-charts/{chart}/values");
    let events =
        |events: i32| json!({ "events": events, "trials": 50, "history": "bench book 7", "observed_at": days_ago(3) });
    // 8 of 50: P(X >= 8 | 0.04) = 0.00096 (SciPy binom.sf(7, 50, 0.04)), 7 of 50: 0.0036, against 0.00135 at each end.
    let seven = control.app().analyst.post(&path, &events(7)).await.expect(201);
    assert_eq!(seven["verdict"], "in control");
    near("upper limit", number(&seven, "/limits/upper"), 8.0 / 50.0, 1e-12);
    assert!(seven["limits"].get("lower").is_none(), "{seven}");
    let eight = control.app().analyst.post(&path, &events(8)).await.expect(201);
    assert_eq!(eight["verdict"], "investigate");
}

fn days_ago(days: i32) -> String {
    super::days_ago(f64::from(days))
}
