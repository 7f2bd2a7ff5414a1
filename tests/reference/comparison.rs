//! Method comparison: limits of agreement, Deming and Passing-Bablok on the peak flow meters of Bland and Altman.

use crate::data;
use crate::printed::{agrees_json, close, numbers, record};
use ferrotitre_core::statistics::anova::one_way;
use ferrotitre_core::statistics::comparison::{LimitMultiplier, bland_altman, deming, passing_bablok};
use serde_json::Value;

/// Both meters, both readings, by subject.
fn meters(table: &Value, meter: &str) -> Vec<Vec<f64>> {
    let set = record(table, "BLAND_ALTMAN_1986_PEFR");
    set["data"].as_array().unwrap().iter().map(|subject| numbers(&subject[meter])).collect()
}

/// First readings of both meters.
pub fn peak_flow(table: &Value) -> (Vec<f64>, Vec<f64>) {
    let first = |meter| meters(table, meter).iter().map(|pair| pair[0]).collect();
    (first("wright"), first("mini"))
}

#[test]
fn limits_of_agreement_of_two_peak_flow_meters() {
    let table = data::json("09_regression_comparison_tests.json");
    let set = record(&table, "BLAND_ALTMAN_1986_PEFR");
    let (wright, mini) = peak_flow(&table);
    let (computed, published) = (&set["computed"], &set["published"]);
    let later = bland_altman(&wright, &mini, LimitMultiplier::OnePointNineSix, 0.95).unwrap();
    let paper = bland_altman(&wright, &mini, LimitMultiplier::Two, 0.95).unwrap();
    for (figure, found) in [
        ("mean_diff", later.mean_difference),
        ("sd_diff", later.sd_difference),
        ("loa_low_1_96", later.lower_limit),
        ("loa_high_1_96", later.upper_limit),
        ("loa_low_2sd", paper.lower_limit),
        ("loa_high_2sd", paper.upper_limit),
        ("se_mean", later.standard_error_mean),
        ("t975", (later.mean_interval.high - later.mean_difference) / later.standard_error_mean),
        ("se_loa_approx", later.standard_error_limit_1986),
    ] {
        agrees_json(figure, found, &computed[figure]);
    }
    agrees_json("ci low", later.mean_interval.low, &computed["ci_mean"][0]);
    agrees_json("ci high", later.mean_interval.high, &computed["ci_mean"][1]);
    agrees_json("mean", paper.mean_difference, &published["mean_diff"]);
    agrees_json("sd", paper.sd_difference, &published["sd_diff"]);
    // DIFFERENCE: the paper's limits -79.7 and 75.5 are -2.1 ± 2·38.8 of rounded figures; the data give -79.65 and 75.41.
    close("published low", paper.lower_limit, published["limits_2sd"][0].as_f64().unwrap(), 1e-3);
    close("published high", paper.upper_limit, published["limits_2sd"][1].as_f64().unwrap(), 1.5e-3);
    // NumPy 2.4.6: standard error of a limit after 1999, correlation of difference and sum.
    close("se of a limit", later.standard_error_limit, 16.39510798471452, 1e-13);
    close("proportional", later.proportional_correlation.unwrap(), 0.08367972168056985, 1e-12);
    // Repeatability of each meter is the within part of an analysis of variance of its duplicates.
    for meter in ["wright", "mini"] {
        let s = one_way(&meters(&table, meter), 0.95).unwrap().repeatability.sd;
        agrees_json(meter, s, &computed[format!("repeat_sd_{meter}")]);
        close(meter, 2.0 * 2f64.sqrt() * s, computed[format!("repeat_coef_{meter}_2sd")].as_f64().unwrap(), 1e-12);
    }
}

#[test]
fn deming_regression_of_two_peak_flow_meters() {
    let table = data::json("09_regression_comparison_tests.json");
    let computed = &record(&table, "DEMING_PEFR_lambda1")["computed"];
    let (wright, mini) = peak_flow(&table);
    let line = deming(&wright, &mini, 1.0, 0.95).unwrap();
    agrees_json("slope", line.slope.estimate, &computed["slope"]);
    agrees_json("intercept", line.intercept.estimate, &computed["intercept"]);
    agrees_json("se slope", line.slope.standard_error, &computed["se_slope_jack"]);
    agrees_json("se intercept", line.intercept.standard_error, &computed["se_intercept_jack"]);
    let r = &record(&table, "BLAND_ALTMAN_1986_PEFR");
    agrees_json("r", line.correlation.unwrap(), &r["computed"]["r"]);
    agrees_json("published r", line.correlation.unwrap(), &r["published"]["r"]);
}

/// Independent Python program (NumPy 2.4.6) written from the formulae of the paper.
#[test]
fn passing_bablok_regression_of_two_peak_flow_meters() {
    let (wright, mini) = peak_flow(&data::json("09_regression_comparison_tests.json"));
    let line = passing_bablok(&wright, &mini, 0.95).unwrap();
    close("slope", line.slope, 1.0648148148148149, 1e-14);
    close("intercept", line.intercept, -24.3055555555556, 1e-12);
    let (slope, intercept) = (line.slope_interval.unwrap(), line.intercept_interval.unwrap());
    close("slope low", slope.low, 0.8370786516853933, 1e-14);
    close("slope high", slope.high, 1.3968253968253967, 1e-14);
    close("intercept low", intercept.low, -178.03174603174602, 1e-13);
    close("intercept high", intercept.high, 82.93820224719099, 1e-13);
    assert_eq!(line.shift, 13);
    assert!(line.linearity.linear_at_5_percent);
}
