//! Distribution functions and univariate summaries.
#![cfg(test)]
use crate::data;
use ferrotitre_core::statistics::distribution::{Beta, ChiSquared, FisherF, Normal, StudentT, ln_gamma};

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
