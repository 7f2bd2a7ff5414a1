//! Worked examples of guides and standards.

use ferrotitre_tests::TestApp;
use serde_json::{Value, json};

use crate::validation_studies::{Study, datum, most, near, planned};

use super::{calculated, close, digits, document, parsed, record_of, rows, texts};

fn pair_of(record: &Value, name: &str) -> (f64, f64) {
    let pair = texts(&record["inputs"][name]);
    (parsed(pair[0]), parsed(pair[1]))
}

#[tokio::test(flavor = "multi_thread")]
async fn uncertainties_agree_with_the_examples_of_the_guides() {
    let app = TestApp::start().await;
    let all = document("07_gum_eurachem.json");
    for (id, model, names) in [
        ("EURACHEM_A1", "1000*m_mg*P/V_mL", &["P", "m_mg", "V_mL"][..]),
        ("EURACHEM_A2", "1000*rep*m_KHP_g*P/(M_KHP*V_mL)", &["rep", "m_KHP_g", "P", "M_KHP", "V_mL"][..]),
    ] {
        let record = record_of(&all, id);
        let input = |name: &&str| {
            let (value, u) = pair_of(record, name);
            json!({ "id": name, "value": value, "u": u })
        };
        let inputs: Vec<Value> = names.iter().map(input).collect();
        let found = calculated(&app, "uncertainty", &json!({ "model": model, "inputs": inputs })).await;
        let (published, computed) = (&record["published"], &record["recomputed_from_table"]);
        // Published to one figure in u; recomputed from the published table to six.
        let c = published["c"].as_f64().unwrap();
        digits(&found["value"], c, 5e-5, id);
        digits(&found["u"], computed["u"].as_f64().unwrap(), 1e-5, id);
        close(&found["u"], published["u"].as_f64().unwrap(), 0.05 * published["u"].as_f64().unwrap(), id);
    }
    // JCGM 100, H.1: an end gauge, nm. Published l = 50.000838 mm, u = 32 nm, 16 degrees of freedom.
    let gauge = record_of(&all, "GUM_H1");
    let inputs = json!([
        { "id": "ls", "value": 50_000_623, "u": 25, "degrees_of_freedom": 18 },
        { "id": "d0", "value": 215, "u": 5.8, "degrees_of_freedom": 24 },
        { "id": "d1", "value": 0, "u": 3.9, "degrees_of_freedom": 5 },
        { "id": "d2", "value": 0, "u": 6.7, "degrees_of_freedom": 8 },
        { "id": "alpha_s", "value": 1.15e-5, "half_width": 2e-6, "distribution": "rectangular" },
        { "id": "d_alpha", "value": 0, "half_width": 1e-6, "distribution": "rectangular", "degrees_of_freedom": 50 },
        { "id": "d_theta", "value": 0, "half_width": 0.05, "distribution": "rectangular", "degrees_of_freedom": 2 },
        { "id": "theta_bar", "value": -0.1, "u": 0.2 },
        { "id": "Delta", "value": 0, "half_width": 0.5, "distribution": "arcsine" },
    ]);
    let model = "ls+d0+d1+d2-ls*(d_alpha*(theta_bar+Delta)+alpha_s*d_theta)";
    let found = calculated(&app, "uncertainty", &json!({ "model": model, "inputs": inputs })).await;
    let (published, computed) = (&gauge["published"], &gauge["recomputed"]);
    close(&found["value"], published["l_mm"].as_f64().unwrap() * 1e6, 0.5, "l");
    close(&found["u"], published["u_nm"].as_f64().unwrap(), 0.5, "u");
    close(&found["u"], computed["u"].as_f64().unwrap(), 5e-6, "u");
    // Cut to 16 in the guide.
    close(&found["effective_degrees_of_freedom"], computed["nu_eff"].as_f64().unwrap(), 5e-5, "degrees of freedom");
    // JCGM 101, 9.2: four normal, four rectangular inputs of variance 1. With 10^6 trials the ends of the interval have a
    // standard error of about 0.006.
    for (id, input) in [
        ("JCGM101_9.2.2", json!({ "value": 0, "u": 1 })),
        ("JCGM101_9.2.3", json!({ "value": 0, "half_width": 3f64.sqrt(), "distribution": "rectangular" })),
    ] {
        let inputs: Vec<Value> = (1..=4)
            .map(|i| {
                let mut input = input.clone();
                input["id"] = json!(format!("x{i}"));
                input
            })
            .collect();
        let found = calculated(&app, "monte-carlo", &json!({ "model": "x1+x2+x3+x4", "inputs": inputs })).await;
        let computed = &record_of(&all, id)["computed"];
        close(&found["standard_uncertainty"], 2.0, 0.006, id);
        let interval = computed.get("ci95").or(computed.get("ci95_exact")).unwrap();
        close(&found["symmetric"]["low"], interval[0].as_f64().unwrap(), 0.025, id);
        close(&found["symmetric"]["high"], interval[1].as_f64().unwrap(), 0.025, id);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn precision_robust_means_scores_and_predicted_precision_agree_with_theirs() {
    let all = document("08_interlab_anova_robust.json");
    let coal = record_of(&all, "ISO5725_2_sulfur_in_coal_level_1");
    let limits = [most("rsd_i", "5", "%")];
    let study = Study::run(&[planned("intermediate precision", "% m/m", 27, &json!({}), &limits)]).await;
    let mut data = Vec::new();
    for (laboratory, values) in coal["data_by_lab"].as_array().unwrap().iter().enumerate() {
        let label = json!({ "group": format!("laboratory {}", laboratory + 1) });
        data.extend(values.as_array().unwrap().iter().map(|value| datum(value, &label)));
    }
    let answer = study.record(0, &data).await;
    // ISO 5725-2, B.1, level 1: m = 0.690, s_r = 0.015, s_R = 0.026; the laboratories are the groups.
    for (statistic, field) in [("mean", "m"), ("s_r", "s_r"), ("s_i", "s_R")] {
        near(&answer, statistic, coal["published"][field].as_f64().unwrap(), 5e-4);
    }
    for (statistic, field) in [("mean", "grand_mean"), ("s_r", "s_r"), ("s_between", "s_between"), ("s_i", "s_R")] {
        near(&answer, statistic, coal["computed"][field].as_f64().unwrap(), 5.1e-11);
    }
    let app = &study.app;
    // USP 1010: variance of the mean of several formats of reporting.
    let usp = record_of(&all, "USP1010_precision");
    let formats: Vec<(u64, u64)> = [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 3)].into();
    let plans: Vec<Value> =
        formats.iter().map(|(runs, replicates)| json!({ "runs": runs, "replicates": replicates })).collect();
    let found = calculated(app, "anova", &json!({ "groups": usp["data_by_run"], "plans": plans })).await;
    for (plan, (runs, replicates)) in found["plans"].as_array().unwrap().iter().zip(formats) {
        let name = format!("{runs}x{replicates}");
        let of = |of: &str| usp[of][&name].as_f64().unwrap();
        close(&plan["variance_of_mean"], of("computed_variance_of_mean"), 5.1e-7, &name);
        let published = usp["published"]["variance_of_mean"][&name].as_f64().unwrap();
        close(&plan["variance_of_mean"], published, 1.1e-3, &name);
    }
    // Unrounded F is 34.886; the 34.80 printed is of rounded mean squares.
    close(&found["analysis"]["f_test"]["f"], usp["computed"]["F"].as_f64().unwrap(), 5.1e-10, "F");
    // Algorithm A on 24 determinations of copper (Analytical Methods Committee 1989).
    let copper = record_of(&all, "AMC_copper_in_wholemeal_flour");
    let found = calculated(app, "robust-mean", &json!({ "values": copper["data"] })).await;
    let expected = &copper["computed"]["algorithm_A"];
    close(&found["location"], expected["x_star"].as_f64().unwrap(), 1e-9, "x*");
    close(&found["scale"], expected["s_star"].as_f64().unwrap(), 1e-9, "s*");
    let found = calculated(app, "summary", &json!({ "values": copper["data"] })).await;
    close(&found["mean"], copper["computed"]["mean"].as_f64().unwrap(), 5.1e-10, "mean");
    close(&found["sample_sd"], copper["computed"]["sd"].as_f64().unwrap(), 5.1e-9, "sd");
    for id in ["scores_1", "scores_2", "scores_3"] {
        let record = record_of(&all, id);
        let given = &record["inputs"];
        let input = json!({
            "value": given["x"], "u": given["u_x"], "assigned": given["assigned"], "u_assigned": given["u_assigned"],
            "sigma_pt": given["sigma_pt"], "expanded": given["U"][0], "expanded_assigned": given["U"][1],
        });
        let found = calculated(app, "proficiency-scores", &input).await;
        for (name, field) in [("z", "z"), ("z_prime", "z_prime"), ("zeta", "zeta"), ("e_n", "En")] {
            close(&found[name], record[field].as_f64().unwrap(), 1e-12, id);
        }
    }
    for row in rows("08_horwitz_thompson.csv") {
        let found = calculated(app, "horrat", &json!({ "mass_fraction": parsed(&row["mass_fraction"]) })).await;
        for (name, column) in [
            ("predicted_percent_exponent_01505", "RSD_R_percent_2C^-0.1505"),
            ("predicted_percent_logarithmic", "RSD_R_percent_2^(1-0.5logC)"),
            ("thompson_sd", "modified_thompson_sigma"),
        ] {
            digits(&found[name], parsed(&row[column]), 5.1e-6, &row["mass_fraction"]);
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn lines_tests_averages_and_designs_agree_with_theirs() {
    let app = TestApp::start().await;
    let all = document("09_regression_comparison_tests.json");
    for (id, inverse) in [
        ("HPLC_dye_calibration", json!([])),
        ("MILLER_fluorescein", json!([{ "y": 13.5 }, { "y": 13.5, "replicates": 4 }])),
    ] {
        let record = record_of(&all, id);
        let input = json!({ "x": record["x"], "y": record["y"], "inverse": inverse });
        let found = calculated(&app, "line", &input).await;
        let (line, expected) = (&found["line"], &record["computed"]);
        for (found, name) in [
            (&line["slope"]["estimate"], "slope"),
            (&line["intercept"]["estimate"], "intercept"),
            (&line["residual_sd"], "s_yx"),
            (&line["slope"]["standard_error"], "s_slope"),
            (&line["intercept"]["standard_error"], "s_intercept"),
            (&line["correlation"], "r"),
        ] {
            close(
                found,
                expected[name].as_f64().unwrap(),
                5.1e-10 * expected[name].as_f64().unwrap().abs().max(1.0),
                name,
            );
        }
        if id == "MILLER_fluorescein" {
            // Miller and Miller print x0 = 6.21 and s = 0.24.
            for (found, name) in found["inverse"].as_array().unwrap().iter().zip(["13.5", "m4"]) {
                let expected = if name == "m4" { &expected["x0_13_5_m4"] } else { &expected["x0"][name] };
                close(&found["x"], expected[0].as_f64().unwrap(), 1e-12, name);
                close(&found["standard_uncertainty"], expected[1].as_f64().unwrap(), 1e-12, name);
            }
        }
    }
    let pairs = record_of(&all, "BLAND_ALTMAN_1986_PEFR");
    let first =
        |name: &str| pairs["data"].as_array().unwrap().iter().map(|pair| pair[name][0].clone()).collect::<Vec<_>>();
    let (wright, mini) = (first("wright"), first("mini"));
    let found = calculated(&app, "bland-altman", &json!({ "first": wright, "second": mini, "two_sd": true })).await;
    let expected = &pairs["computed"];
    close(&found["mean_difference"], expected["mean_diff"].as_f64().unwrap(), 1e-11, "mean difference");
    close(&found["sd_difference"], expected["sd_diff"].as_f64().unwrap(), 1e-11, "s");
    close(&found["lower_limit"], expected["loa_low_2sd"].as_f64().unwrap(), 1e-11, "lower limit");
    close(&found["upper_limit"], pairs["published"]["limits_2sd"][1].as_f64().unwrap(), 0.1, "upper limit, as printed");
    let found = calculated(&app, "deming", &json!({ "x": wright, "y": mini })).await;
    let expected = &record_of(&all, "DEMING_PEFR_lambda1")["computed"];
    close(&found["slope"]["standard_error"], expected["se_slope_jack"].as_f64().unwrap(), 5.1e-11, "s(b)");
    close(&found["intercept"]["standard_error"], expected["se_intercept_jack"].as_f64().unwrap(), 5.1e-9, "s(a)");
    for margin in [15, 20, 30] {
        let input = json!({ "first": wright, "second": mini, "design": "paired", "lower_margin": -margin, "upper_margin": margin });
        let found = calculated(&app, "equivalence", &input).await;
        let expected = record_of(&all, &format!("TOST_PEFR_paired_margin_{margin}"));
        digits(&found["p"], expected["p"].as_f64().unwrap(), 1e-11, "p of equivalence");
    }
    let found = calculated(&app, "t-test", &json!({ "first": wright, "second": mini, "design": "paired" })).await;
    let expected = record_of(&all, "paired_t_PEFR");
    close(&found["t"], expected["t"].as_f64().unwrap(), 1e-12, "paired t");
    close(&found["p"]["two_sided"], expected["p"].as_f64().unwrap(), 1e-12, "paired p");
    // Vogel's analysts A and B.
    let vogel = &document("08_interlab_anova_robust.json");
    let analysts = &record_of(vogel, "VOGEL_titration_anova")["data_by_analyst_mL"];
    let expected = record_of(&all, "t_test_Vogel_A_vs_B");
    for (design, name) in [("pooled", "pooled"), ("Welch", "welch")] {
        let input = json!({ "first": analysts[0], "second": analysts[1], "design": design });
        let found = calculated(&app, "t-test", &input).await;
        digits(&found["t"], expected[name]["t"].as_f64().unwrap(), 1e-11, design);
        digits(&found["p"]["two_sided"], expected[name]["p"].as_f64().unwrap(), 1e-11, design);
        digits(&found["degrees_of_freedom"], expected[name]["df"].as_f64().unwrap(), 1e-11, design);
    }
    // Miller and Miller print t = -4.56 from rounded steps; computed -4.5499.
    let summary = |mean: f64, sd: f64| json!({ "n": 5, "mean": mean, "sample_sd": sd });
    let input =
        json!({ "design": "pooled", "first_summary": summary(1.48, 0.28), "second_summary": summary(2.33, 0.31) });
    let found = calculated(&app, "t-test", &input).await;
    close(&found["t"], record_of(&all, "MILLER_chromium_ryegrass")["computed"]["t"].as_f64().unwrap(), 5.1e-8, "t");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_outlier_averages_and_a_design_agree_with_theirs() {
    let app = TestApp::start().await;
    let all = document("09_regression_comparison_tests.json");
    // NIST/SEMATECH e-Handbook 1.3.5.17.1 and 6.3.2.4.
    let record = record_of(&all, "NIST_Grubbs");
    let found = calculated(&app, "grubbs", &json!({ "values": record["data"], "end": "high" })).await;
    close(&found["statistic"], record["computed"]["G"].as_f64().unwrap(), 5.1e-9, "G");
    close(&found["critical_5"], record["computed"]["crit_one_sided_0_05"].as_f64().unwrap(), 1e-12, "critical G");
    let record = record_of(&all, "NIST_EWMA");
    let sd = record["sd"].as_f64().unwrap();
    let input = json!({ "points": record["data"], "centre": 50, "sigma": sd, "lambda": 0.3, "limit": 3 });
    let found = calculated(&app, "ewma", &input).await;
    let averages = record["computed"]["ewma_rounded"].as_array().unwrap();
    for (point, expected) in found["points"].as_array().unwrap().iter().zip(averages) {
        let average = 50.0 + sd * point["average"].as_f64().unwrap();
        assert!((average - expected.as_f64().unwrap()).abs() <= 0.0051, "{average} is not {expected}");
    }
    let limit = 50.0 + sd * found["asymptotic_limit"].as_f64().unwrap();
    assert!((limit - record["published"]["UCL"].as_f64().unwrap()).abs() < 1e-4, "{limit}");
    let record = record_of(&all, "YOUDEN_STEINER_7_factors");
    let found = calculated(&app, "ruggedness", &json!({ "results": record["results"] })).await;
    let effects = found["effects"]["effects"].as_array().unwrap();
    for (effect, expected) in effects.iter().zip(record["effects"].as_array().unwrap()) {
        close(&effect["difference"], expected.as_f64().unwrap(), 1e-11, "effect");
    }
    close(&found["effects"]["sd_of_effects"], record["s_effects"].as_f64().unwrap(), 1e-11, "s of the effects");
}
