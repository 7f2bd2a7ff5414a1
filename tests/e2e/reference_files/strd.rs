//! Statistical Reference Datasets of NIST, with certified values.

use ferrotitre_tests::TestApp;
use serde_json::{Value, json};

use crate::validation_studies::{Study, datum, most, near, planned};

use super::{calculated, certified, digits, document, parsed, texts};

/// The values of a univariate set; two are given by a rule.
fn univariate(name: &str, set: &Value) -> Vec<String> {
    let (first, pair) = match name {
        "NumAcc2" => ("1.2", ["1.1", "1.3"]),
        "NumAcc3" => ("1000000.2", ["1000000.1", "1000000.3"]),
        _ => return texts(&set["data"]).into_iter().map(str::to_owned).collect(),
    };
    std::iter::once(first).chain(std::iter::repeat_n(pair, 500).flatten()).map(str::to_owned).collect()
}

/// The groups of a set of the analysis of variance; most are given by a rule.
fn groups(set: &Value) -> Vec<Vec<String>> {
    let owned = |values: &Value| texts(values).into_iter().map(str::to_owned).collect::<Vec<_>>();
    if let Some(data) = set["data"].as_object() {
        return data.values().map(owned).collect();
    }
    let pairs = (set["n_per_group"].as_u64().unwrap() as usize - 1) / 2;
    let patterns = set["pattern"].as_object().unwrap().values().map(owned);
    patterns
        .map(|pattern| {
            std::iter::once(&pattern[0]).chain(std::iter::repeat_n(&pattern[1..], pairs).flatten()).cloned().collect()
        })
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn strd_sets_as_data_of_studies_give_the_certified_figures() {
    let summaries = document("01_strd_univariate.json");
    let analyses = document("01_strd_anova.json");
    let lines = document("01_strd_linear.json");
    let univariates = ["Lew", "Mavro", "Michelso", "NumAcc1", "NumAcc2", "NumAcc3"];
    let analysed = ["SiRstv", "SmLs01", "SmLs02", "SmLs04", "SmLs05"];
    let mut plan: Vec<Value> = univariates
        .iter()
        .map(|_| planned("repeatability", "mL", 3, &json!({}), &[most("s_r", "1000", "mL")]))
        .collect();
    plan.extend(
        analysed.iter().map(|_| planned("intermediate precision", "mL", 25, &json!({}), &[most("s_i", "1000", "mL")])),
    );
    let slope = json!({ "statistic": "slope", "rule": "value", "lower": "1", "unit": "1" });
    plan.push(planned("linearity", "g/L", 36, &json!({}), &[slope]));
    plan.push(planned("intermediate precision", "mL", 25, &json!({}), &[most("s_i", "1000", "mL")]));
    let study = Study::run(&plan).await;
    let record = async |at: usize, data: Vec<Value>| {
        let mut answer = Value::Null;
        for part in data.chunks(1000) {
            answer = study.record(at, part).await;
        }
        answer
    };
    for (at, name) in univariates.iter().enumerate() {
        let set = &summaries["datasets"][name];
        let data = univariate(name, set).iter().map(|value| datum(value, &json!({}))).collect();
        let answer = record(at, data).await;
        let (mean, sd) = (certified(set, "certified_mean"), certified(set, "certified_sd"));
        near(&answer, "mean", mean, 1e-14 * mean.abs());
        // A study computes in doubles: a datum of 1000000.1 is off by up to 6e-11, which is 6e-10 of the deviation 0.1.
        near(&answer, "s_r", sd, if *name == "NumAcc3" { 1e-9 } else { 2e-12 } * sd);
    }
    for (at, name) in analysed.iter().enumerate() {
        let set = &analyses["datasets"][name];
        let mut data = Vec::new();
        for (group, values) in groups(set).iter().enumerate() {
            data.extend(values.iter().map(|value| datum(value, &json!({ "group": format!("group {group}") }))));
        }
        let answer = record(univariates.len() + at, data).await;
        // The same for 1000000.4 beside steps of 0.1.
        let relative = if matches!(*name, "SmLs04" | "SmLs05") { 1e-8 } else { 1e-11 };
        for (statistic, field) in [("ms_between", "ms_between"), ("ms_within", "ms_within"), ("s_r", "residual_sd")] {
            let expected = certified(set, field);
            near(&answer, statistic, expected, relative * expected);
        }
    }
    let norris = &lines["datasets"]["Norris"];
    let points = texts(&norris["x"]).into_iter().zip(texts(&norris["y"]));
    let answer =
        record(univariates.len() + analysed.len(), points.map(|(x, y)| datum(y, &json!({ "taken": x }))).collect())
            .await;
    let b: Vec<f64> = texts(&norris["certified_b"]).into_iter().map(parsed).collect();
    near(&answer, "intercept", b[0], 1e-12);
    near(&answer, "slope", b[1], 1e-13);
    near(&answer, "residual_sd", certified(norris, "residual_sd"), 1e-12);
    near(&answer, "r_squared", certified(norris, "r_squared"), 1e-14);
    // Thirteen digits are more than an instrument gives: no data of a study, but see the next test.
    let long = datum("1000000000000.4", &json!({ "group": "group 0" }));
    let problem = study.send(plan.len() - 1, &[long]).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["rule"], "digits", "{problem}");
}

#[tokio::test(flavor = "multi_thread")]
async fn strd_sets_given_as_decimals_are_calculated_to_every_certified_digit() {
    let app = TestApp::start().await;
    for (name, set) in document("01_strd_univariate.json")["datasets"].as_object().unwrap() {
        // This subject takes numbers; the same loss of digits as in a study.
        let values: Vec<f64> = univariate(name, set).iter().map(|value| parsed(value)).collect();
        let found = calculated(&app, "summary", &json!({ "values": values })).await;
        digits(&found["mean"], certified(set, "certified_mean"), 1e-14, name);
        let relative = if name == "NumAcc3" { 1e-9 } else { 2e-12 };
        digits(&found["sample_sd"], certified(set, "certified_sd"), relative, name);
    }
    for (name, set) in document("01_strd_anova.json")["datasets"].as_object().unwrap() {
        let found = calculated(&app, "anova", &json!({ "groups": groups(set) })).await["analysis"].clone();
        for field in ["ss_between", "ms_between", "ss_within", "ms_within", "r_squared"] {
            digits(&found[field], certified(set, field), 2e-14, &format!("{name} {field}"));
        }
        digits(&found["f_test"]["f"], certified(set, "F"), 2e-14, name);
        digits(&found["repeatability"]["sd"], certified(set, "residual_sd"), 2e-14, name);
    }
    for (name, set) in document("01_strd_linear.json")["datasets"].as_object().unwrap() {
        let degree = texts(&set["certified_b"]).len() - usize::from(name != "NoInt1");
        let input =
            json!({ "x": texts(&set["x"]), "y": texts(&set["y"]), "degree": degree, "intercept": name != "NoInt1" });
        let found = calculated(&app, "polynomial", &input).await["model"].clone();
        let certified_of = |field: &str| texts(&set[field]).into_iter().map(parsed).collect::<Vec<_>>();
        let (b, sd) = (certified_of("certified_b"), certified_of("certified_sd"));
        for (coefficient, (b, sd)) in found["coefficients"].as_array().unwrap().iter().zip(b.iter().zip(&sd)) {
            digits(&coefficient["estimate"], *b, 5e-14, name);
            digits(&coefficient["standard_error"], *sd, 5e-14, name);
        }
    }
}
