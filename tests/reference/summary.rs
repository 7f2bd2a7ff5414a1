//! Distribution functions and univariate summaries.
use crate::data;
use bigdecimal::BigDecimal;
use ferrotitre_core::rounding::{FourthDecimal, text, two_steps};
use ferrotitre_core::statistics::distribution::{Beta, ChiSquared, FisherF, Normal, StudentT, ln_gamma};
use ferrotitre_core::statistics::summary::{Summary, lag1_autocorrelation};

/// Relative error left by rounding: an exponential of `ln p` cannot keep more than a few `ε |ln p|`, see `core/NUMERICS.md`.
fn tail_tolerance(p: f64) -> f64 {
    1e-14 + 8e-16 * p.abs().ln().abs()
}

fn number(row: &std::collections::BTreeMap<String, String>, name: &str) -> f64 {
    row[name].parse().unwrap_or_else(|_| panic!("{name}: {row:?}"))
}

/// Density, and the quantile that should give `x` back, for the quantile half of the check.
fn evaluate(function: &str, a: f64, b: f64, x: f64) -> (f64, Option<(f64, f64)>) {
    let inside = |p: f64| p > 0.0 && p < 1.0;
    match function {
        "normal_sf" => {
            let p = Normal.sf(x);
            (p, Some((Normal.pdf(x), Normal.upper_quantile(p).unwrap())))
        }
        "t_sf" => {
            let t = StudentT::new(a).unwrap();
            let p = t.sf(x);
            (p, inside(p).then(|| (t.pdf(x), t.upper_quantile(p).unwrap())))
        }
        "chi2_sf" => {
            let chi = ChiSquared::new(a).unwrap();
            let p = chi.sf(x);
            (p, inside(p).then(|| (chi.pdf(x), chi.upper_quantile(p).unwrap())))
        }
        "chi2_cdf" => {
            let chi = ChiSquared::new(a).unwrap();
            let p = chi.cdf(x);
            (p, inside(p).then(|| (chi.pdf(x), chi.quantile(p).unwrap())))
        }
        "f_sf" => {
            let f = FisherF::new(a, b).unwrap();
            let p = f.sf(x);
            (p, inside(p).then(|| (f.pdf(x), f.upper_quantile(p).unwrap())))
        }
        "f_cdf" => {
            let f = FisherF::new(a, b).unwrap();
            let p = f.cdf(x);
            (p, inside(p).then(|| (f.pdf(x), f.quantile(p).unwrap())))
        }
        "beta_cdf" => {
            let beta = Beta::new(a, b).unwrap();
            let p = beta.cdf(x);
            (p, inside(p).then(|| (beta.pdf(x), beta.quantile(p).unwrap())))
        }
        "ln_gamma" => (ln_gamma(x).unwrap(), None),
        other => panic!("unknown function {other}"),
    }
}

#[test]
fn distribution_functions_and_quantiles_agree_with_60_digit_values() {
    for row in data::rows("12_distributions.csv") {
        let (a, b, x, expected) = (number(&row, "a"), number(&row, "b"), number(&row, "x"), number(&row, "value"));
        let (value, back) = evaluate(&row["function"], a, b, x);
        let error = ((value - expected) / expected).abs();
        assert!(error < tail_tolerance(expected), "{row:?}: {value:e}, relative error {error:e}");
        if let Some((density, quantile)) = back {
            // A probability is given to one rounding, so a quantile cannot be better than that times its condition.
            let condition = expected / (density * x.abs());
            let error = ((quantile - x) / x).abs() / (1.0 + condition);
            assert!(error < 2e-14, "{row:?}: quantile {quantile}, relative error {error:e}");
        }
    }
}

/// Data of a set: listed, or made by the rule "first then (low,high) x times".
fn strd_values(set: &serde_json::Value) -> Vec<f64> {
    if let Some(listed) = set["data"].as_array() {
        return listed.iter().map(parse).collect();
    }
    let rule = set["rule"].as_str().unwrap();
    let numbers: Vec<f64> =
        rule.split(|c: char| !(c.is_ascii_digit() || c == '.')).filter_map(|part| part.parse().ok()).collect();
    let [first, low, high, times] = numbers[..] else { panic!("rule not understood: {rule}") };
    let pairs = std::iter::repeat_n([low, high], times as usize).flatten();
    std::iter::once(first).chain(pairs).collect()
}

fn parse(value: &serde_json::Value) -> f64 {
    value.as_str().map_or_else(|| value.as_f64().unwrap(), |text| text.parse().unwrap())
}

/// Sample deviation of the doubles themselves, in exact decimal arithmetic: `(n Σx² − (Σx)²) / (n (n − 1))`.
fn exact_sd(values: &[f64]) -> f64 {
    let decimals: Vec<BigDecimal> = values.iter().map(|x| BigDecimal::try_from(*x).unwrap()).collect();
    let sum: BigDecimal = decimals.iter().sum();
    let squares: BigDecimal = decimals.iter().map(|x| x * x).sum();
    let n = BigDecimal::from(values.len() as u64);
    let variance = (&n * squares - &sum * &sum) / (&n * (&n - BigDecimal::from(1)));
    variance.to_string().parse::<f64>().unwrap().sqrt()
}

fn check_strd(name: &str, values: &[f64], expected: [f64; 3]) {
    let summary = Summary::of(values).unwrap();
    let found = [summary.mean().unwrap(), summary.sample_sd().unwrap(), lag1_autocorrelation(values).unwrap()];
    // The data are decimals stored as doubles: half a unit in the last place of each, relative to the deviation, is
    // what even exact arithmetic on the doubles differs by from the certified value (NumAcc4: 1e-8).
    let largest = values.iter().fold(0.0, |most: f64, x| most.max(x.abs()));
    let storage = 2e-15 + f64::EPSILON * largest / expected[1];
    for ((found, expected), allowed) in found.iter().zip(expected).zip([4e-16, storage, storage]) {
        let relative = ((found - expected) / expected).abs();
        assert!(relative <= allowed, "{name}: {found}, not {expected}, relative {relative:e}, allowed {allowed:e}");
    }
    let exact = exact_sd(values);
    let third = values.len() / 3;
    let merged = Summary::of(&values[..third]).unwrap().merged(&Summary::of(&values[third..]).unwrap());
    let mut one_by_one = Summary::new();
    values.iter().for_each(|x| one_by_one.add(*x).unwrap());
    for (how, summary) in [("whole", summary), ("merged", merged), ("one by one", one_by_one)] {
        let relative = (summary.sample_sd().unwrap() / exact - 1.0).abs();
        assert!(relative < 1e-15, "{name} {how}: relative {relative:e}");
    }
}

#[test]
fn strd_means_deviations_and_autocorrelations_agree_to_the_digits_the_doubles_allow() {
    let file = data::json("01_strd_univariate.json");
    let sets = file["datasets"].as_object().unwrap();
    assert_eq!(sets.len(), 6);
    for (name, set) in sets {
        let values = strd_values(set);
        assert_eq!(values.len() as u64, set["n"].as_u64().unwrap(), "{name}");
        let certified = ["certified_mean", "certified_sd", "certified_lag1"].map(|key| parse(&set[key]));
        check_strd(name, &values, certified);
        let recomputed = ["mean", "sd", "lag1"].map(|key| parse(&set["recomputed_60digit"][key]));
        check_strd(name, &values, recomputed);
    }
    // NumAcc4 of the same source, from memory: the rule of NumAcc3 on an offset of 1e7; lag-1 is the same for all.
    let values: Vec<f64> =
        std::iter::once(10_000_000.2).chain(std::iter::repeat_n([10_000_000.1, 10_000_000.3], 500).flatten()).collect();
    check_strd("NumAcc4", &values, [10_000_000.2, 0.1, -0.999]);
}

#[test]
fn the_two_step_rounding_of_the_iron_ore_standard_gives_its_examples() {
    let file = data::json("10_stoichiometry.json");
    let rule = file.as_array().unwrap().iter().find(|record| record["id"] == "S11").unwrap();
    let examples = rule["examples"].as_array().unwrap();
    assert_eq!(examples.len(), 6);
    for example in examples {
        let value: BigDecimal = example[0].as_str().unwrap().parse().unwrap();
        // Four decimals are given, so both readings of the first step must agree.
        for first in [FourthDecimal::Cut, FourthDecimal::Rounded] {
            assert_eq!(text(&two_steps(&value, first)), example[1].as_str().unwrap());
        }
    }
}
