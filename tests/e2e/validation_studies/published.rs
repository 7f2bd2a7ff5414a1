//! Answers against published figures and independent computations, through the API.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::{Study, datum, most, near, planned, statistic};

fn reference(name: &str) -> Value {
    let path: PathBuf = [env!("CARGO_MANIFEST_DIR"), "reference", "data", name].iter().collect();
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn record_of<'a>(all: &'a Value, id: &str) -> &'a Value {
    all.as_array().unwrap().iter().find(|one| one["id"] == id).unwrap()
}

fn numbers(values: &Value) -> Vec<f64> {
    let number = |value: &Value| value.as_f64().or_else(|| value.as_str().and_then(|text| text.parse().ok())).unwrap();
    values.as_array().unwrap().iter().map(number).collect()
}

fn grouped(groups: &[Vec<f64>]) -> Vec<Value> {
    let mut data = Vec::new();
    for (group, values) in groups.iter().enumerate() {
        data.extend(values.iter().map(|value| datum(value, &json!({ "group": format!("group {}", group + 1) }))));
    }
    data
}

fn groups_of(value: &Value) -> Vec<Vec<f64>> {
    value.as_array().unwrap().iter().map(numbers).collect()
}

/// Independent computation.
const SIX_DAYS: [[f64; 3]; 6] = [
    [52.41, 52.33, 52.38],
    [52.22, 52.29, 52.25],
    [52.47, 52.40, 52.44],
    [52.30, 52.36, 52.28],
    [52.51, 52.43, 52.46],
    [52.27, 52.35, 52.33],
];

#[tokio::test(flavor = "multi_thread")]
async fn precision_agrees_with_published_analyses_of_variance() {
    let limits = [most("rsd_i", "0.2", "%")];
    let of = |unit: &str, n: i32, design: Value| planned("intermediate precision", unit, n, &design, &limits);
    let study = Study::run(&[
        of("% m/m", 18, json!({ "groups": 6, "replicates": 3 })),
        of("mL", 12, json!({})),
        of("% m/m", 15, json!({})),
        of("mL", 25, json!({})),
    ])
    .await;
    let six: Vec<Vec<f64>> = SIX_DAYS.iter().map(|day| day.to_vec()).collect();
    let answer = study.record(0, &grouped(&six)).await;
    near(&answer, "mean", 52.360, 5e-4);
    near(&answer, "ms_between", 0.019_720, 5e-7);
    near(&answer, "ms_within", 0.001_533_3, 5e-8);
    near(&answer, "s_r", 0.039_16, 5e-6);
    near(&answer, "s_between", 0.077_86, 5e-6);
    near(&answer, "s_i", 0.087_15, 5e-6);
    near(&answer, "df_i", 6.61, 5e-3);
    assert_eq!((&answer["verdict"], &answer["n"]), (&json!("meets"), &json!(18)), "{answer}");
    let interval = &statistic(&answer, "s_i", None)["interval"];
    assert!(interval["low"].as_f64() < Some(0.08715) && interval["high"].as_f64() > Some(0.08715), "{interval}");

    let all = reference("08_interlab_anova_robust.json");
    // Vogel prints SSB 0.0593 and SSW 0.0138 with 2 and 9 degrees of freedom; its mean squares are of the rounded sums.
    let vogel = record_of(&all, "VOGEL_titration_anova");
    let answer = study.record(1, &grouped(&groups_of(&vogel["data_by_analyst_mL"]))).await;
    near(&answer, "ms_between", 0.0593 / 2.0, 2.5e-5);
    near(&answer, "ms_within", 0.0138 / 9.0, 5e-5 / 9.0);
    // USP 29 general chapter 1010: MSB 3.55, MSW 0.102, grand mean 100.96.
    let usp = record_of(&all, "USP1010_precision");
    let answer = study.record(2, &grouped(&groups_of(&usp["data_by_run"]))).await;
    near(&answer, "mean", 100.96, 5e-3);
    near(&answer, "ms_between", 3.55, 5e-3);
    near(&answer, "ms_within", 0.102, 5e-4);
    assert_eq!(answer["verdict"], "does not meet", "RSD_I of 1.1 % is above 0.2 %");
    // NIST StRD SiRstv, certified; data of six decimals.
    let strd = &reference("01_strd_anova.json")["datasets"]["SiRstv"];
    let certified = |name: &str| strd[name].as_str().unwrap().parse::<f64>().unwrap();
    let data = ["data", "groups"].iter().find_map(|name| strd.get(name)).unwrap();
    let groups: Vec<Vec<f64>> = match data {
        Value::Object(by_name) => by_name.values().map(numbers).collect(),
        list => groups_of(list),
    };
    let answer = study.record(3, &grouped(&groups)).await;
    near(&answer, "ms_between", certified("ms_between"), 1e-12);
    near(&answer, "ms_within", certified("ms_within"), 1e-12);
    near(&answer, "s_r", certified("residual_sd"), 1e-12);
}

#[tokio::test(flavor = "multi_thread")]
async fn lines_agree_with_published_fits() {
    let limits = |name: &str| vec![json!({ "statistic": name, "rule": "value", "lower": "0.05", "unit": "1" })];
    let study = Study::run(&[
        planned("linearity", "g/L", 15, &json!({}), &limits("slope")),
        planned("linearity", "g/L", 40, &json!({}), &limits("lack_of_fit_p")),
    ])
    .await;
    let line = |x: &[f64], y: &[f64]| -> Vec<Value> {
        x.iter().zip(y).map(|(x, y)| datum(y, &json!({ "taken": x.to_string() }))).collect()
    };
    // Berthouex and Brown, table 34.2: slope 139.759, intercept 0.566 (0.5665 computed), MS_residual 1.194.
    let all = reference("09_regression_comparison_tests.json");
    let dye = record_of(&all, "HPLC_dye_calibration");
    let answer = study.record(0, &line(&numbers(&dye["x"]), &numbers(&dye["y"]))).await;
    near(&answer, "slope", 139.759, 5e-4);
    near(&answer, "intercept", 0.5665, 5e-5);
    let s = statistic(&answer, "residual_sd", None)["value"].as_f64().unwrap();
    assert!((s * s - 1.194).abs() < 5e-4, "{s}");
    // Pontius: NIST/SEMATECH e-Handbook prints F = 214.75 for the lack of fit of the straight line.
    let pontius = &reference("01_strd_linear.json")["datasets"]["Pontius"];
    let answer = study.record(1, &line(&numbers(&pontius["x"]), &numbers(&pontius["y"]))).await;
    near(&answer, "lack_of_fit_f", 214.75, 5e-3);
    assert_eq!(answer["verdict"], "does not meet");
    assert!(answer["statistics"].to_string().contains("r_squared"), "r² near 1 is shown and does not decide");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_comparison_agrees_with_the_published_one_and_equivalence_with_two_one_sided_tests() {
    let within = |margin: &str| json!({ "statistic": "mean_difference", "rule": "interval", "lower": format!("-{margin}"), "upper": margin, "unit": "mL" });
    let of = |margin: &str| planned("method comparison", "mL", 34, &json!({}), &[within(margin)]);
    let study = Study::run(&[of("15"), of("20")]).await;
    let all = reference("09_regression_comparison_tests.json");
    let pairs = record_of(&all, "BLAND_ALTMAN_1986_PEFR")["data"].as_array().unwrap();
    let mut data = Vec::new();
    for pair in pairs {
        let subject = pair["subject"].to_string();
        data.push(datum(&pair["wright"][0], &json!({ "pair": subject, "arm": "reference" })));
        data.push(datum(&pair["mini"][0], &json!({ "pair": subject, "arm": "new" })));
    }
    let answer = study.record(0, &data).await;
    // Deming with ratio 1 and the jackknife, statsmodels/Python: slope 0.9708808198, intercept 15.2315555223.
    near(&answer, "deming_slope", 0.970_880_819_8, 5e-10);
    near(&answer, "deming_intercept", 15.231_555_522_3, 5e-9);
    // Bland and Altman 1986: mean difference 2.1 (the other way round), limits of 1.96 s computed in R.
    near(&answer, "mean_difference", 2.117_647_058_8, 5e-10);
    near(&answer, "lower_agreement", -73.862_007_493_4, 5e-9);
    near(&answer, "upper_agreement", 78.097_301_611_1, 5e-9);
    // statsmodels: p = 0.0947752 at margins of 15, 0.0376662 at 20; 90 % interval -14.297 to 18.532.
    near(&answer, "equivalence_p", 0.094_775_237_27, 5e-10);
    let interval = &statistic(&answer, "mean_difference", None)["interval"];
    assert!((interval["low"].as_f64().unwrap() + 14.297_020_33).abs() < 1e-6, "{interval}");
    assert!((interval["high"].as_f64().unwrap() - 18.532_314_448).abs() < 1e-6, "{interval}");
    assert_eq!(answer["verdict"], "does not meet", "18.5 lies beyond 15");
    let answer = study.record(1, &data).await;
    near(&answer, "equivalence_p", 0.037_666_245_2, 5e-10);
    assert_eq!(answer["verdict"], "meets");
}

#[tokio::test(flavor = "multi_thread")]
async fn ruggedness_recovery_uncertainty_and_detection_agree_with_worked_figures() {
    let factors: Vec<Value> =
        (1..=7).map(|i| json!({ "name": format!("factor {i}"), "low": "low", "high": "high" })).collect();
    let recovery =
        json!({ "statistic": "recovery_at_level", "rule": "value", "lower": "98", "upper": "102", "unit": "%" });
    let study = Study::run(&[
        planned(
            "ruggedness",
            "% m/m",
            8,
            &json!({ "factors": factors, "known_sd": "0.04", "known_sd_df": "12" }),
            &[most("effect_ratio", "1", "1")],
        ),
        planned("recovery", "g/L", 8, &json!({}), &[recovery]),
        planned(
            "uncertainty",
            "%",
            9,
            &json!({}),
            &[json!({ "statistic": "u_ratio", "rule": "value", "lower": "0.5", "upper": "2", "unit": "1" })],
        ),
        planned("repeatability", "% m/m", 3, &json!({}), &[most("rsd_r", "1", "%")]),
        planned(
            "detection",
            "g/L",
            3,
            &json!({ "routine_replicates": 1, "routine_blanks": 1 }),
            &[most("loq", "0.3", "g/L")],
        ),
        planned(
            "trueness",
            "% m/m",
            6,
            &json!({ "reference": "65.10", "reference_u": "0.03" }),
            &[most("bias_ratio", "1", "1")],
        ),
    ])
    .await;
    // Youden and Steiner; effects computed with NumPy, 0.16 and s = 0.0914955.
    let results = [35.21, 35.26, 35.19, 35.24, 35.02, 35.08, 35.05, 35.11];
    let data: Vec<Value> = results.iter().zip(1..).map(|(y, run)| datum(y, &json!({ "run": run }))).collect();
    let answer = study.record(0, &data).await;
    near(&answer, "s_effects", 0.091_495_511_2, 5e-10);
    let first = statistic(&answer, "effect", Some("factor 1"))["value"].as_f64().unwrap();
    assert!((first - 0.16).abs() < 1e-9, "{first}");
    assert_eq!(answer["verdict"], "does not meet", "0.16 is beyond t s_D = 2.1788 × 0.04/√2 = 0.0616");

    // By hand: (9.95 - 5.02)/5.00 = 0.986, (10.04 - 5.02)/5.00 = 1.004; the mean is 0.995 and u = 0.018/2 = 0.009.
    let mut data = Vec::new();
    for (level, added, spiked) in [(1, "5.00", ["9.95", "10.04"]), (2, "10.00", ["15.02", "15.02"])] {
        for (i, found) in spiked.iter().enumerate() {
            let pair = format!("{level}.{i}");
            data.push(datum("5.02", &json!({ "pair": pair, "arm": "unspiked" })));
            data.push(datum(found, &json!({ "pair": pair, "arm": "spiked", "added": added })));
        }
    }
    let answer = study.record(1, &data).await;
    let low = statistic(&answer, "recovery_at_level", Some("5.00"))["value"].as_f64().unwrap();
    assert!((low - 99.5).abs() < 1e-9, "{low}");
    assert_eq!(answer["verdict"], "meets", "{answer}");

    // Independent computation (Nordtest TR 537): RMS 0.4062, u(bias) 0.4770, u_c 0.5916, U 1.18 %.
    let arm = |value: &str, arm: &str| datum(value, &json!({ "arm": arm }));
    let mut data = vec![arm("0.35", "within-laboratory"), arm("0.25", "reference"), arm("0.30", "bottom-up")];
    data.extend(["0.4", "-0.3", "0.6", "0.2", "-0.5", "0.3"].map(|bias| arm(bias, "bias")));
    let answer = study.record(2, &data).await;
    near(&answer, "rms_bias", 0.4062, 5e-5);
    near(&answer, "u_bias_part", 0.4770, 5e-5);
    near(&answer, "u_top_down", 0.5916, 5e-5);
    near(&answer, "expanded", 1.18, 5e-3);
    near(&answer, "u_ratio", 0.30 / 0.5916, 1e-4);

    // Independent computation: PRSD_R at C = 0.1 is 2.825 %; an RSD_r of 1 % is HorRat_r 1/2.825.
    let answer = study.record(3, &["9.9", "10", "10.1"].map(|value| datum(value, &json!({})))).await;
    near(&answer, "rsd_r", 1.0, 1e-9);
    near(&answer, "horrat_r", 1.0 / 2.825, 7e-5);
    // s0 = 0.02 by hand; s0' = 0.02 √2 = 0.02828, LOD 0.08485, LOQ 0.2828.
    let answer = study.record(4, &["0.01", "0.03", "0.05"].map(|value| datum(value, &json!({})))).await;
    near(&answer, "s0_adjusted", 0.028_28, 5e-6);
    near(&answer, "lod", 0.084_85, 5e-6);
    near(&answer, "loq", 0.2828, 5e-5);
    // |d| = 0.0033 against 2 √(s²/6 + 0.03²), s = 0.03266 by hand: no significant bias.
    let results = ["65.12", "65.08", "65.15", "65.10", "65.06", "65.11"];
    let answer = study.record(5, &results.map(|value| datum(value, &json!({})))).await;
    near(&answer, "bias", 65.103_333_333 - 65.10, 1e-8);
    assert_eq!(answer["verdict"], "meets");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_outlier_is_flagged_and_still_counts() {
    let study = Study::run(&[planned("repeatability", "g/L", 8, &json!({}), &[most("rsd_r", "1", "%")])]).await;
    // NIST/SEMATECH e-Handbook 1.3.5.17.1: G = 2.4687 for 245.57; mean 206.43375 with it.
    let values = ["199.31", "199.53", "200.19", "200.82", "201.92", "201.95", "202.18", "245.57"];
    let answer = study.record(0, &values.map(|value| datum(value, &json!({})))).await;
    assert_eq!(answer["flags"][0]["finding"], "outlier", "{answer}");
    assert_eq!(answer["flags"][0]["data"][0], answer["inputs"]["rows"][7]["datum"]);
    near(&answer, "mean", 206.433_75, 1e-9);
    near(&answer, "s_r", 15.852_564, 5e-6);
    assert_eq!((&answer["n"], &answer["verdict"]), (&json!(8), &json!("does not meet")));
    assert!(answer["excluded_too"].is_null(), "nothing was left out");
}
