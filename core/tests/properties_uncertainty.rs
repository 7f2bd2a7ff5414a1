//! Identities of propagation that hold for any input.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

use ferrotitre_core::uncertainty::conformity::{GuardBand, Specification};
use ferrotitre_core::uncertainty::monte_carlo::{Settings, simulate};
use ferrotitre_core::uncertainty::{Distribution, Input, Inputs, Scalar, propagate_numerically};
use proptest::prelude::*;

/// A model with every operation, smooth on positive inputs.
fn model<S: Scalar>(x: &[S]) -> S {
    let [a, b, c, d] = x else { return S::constant(f64::NAN) };
    let ratio = (a.clone() * b.clone() + 2.0) / (c.clone() - (-d.clone())).sqrt();
    ratio.ln() + (d.clone() * 0.1).exp() - b.clone().powi(2) / 50.0 + (-a.clone() * 0.3).exp().powi(-1)
}

fn list(values: &[f64; 4], us: &[f64; 4]) -> Inputs {
    let mut inputs = Inputs::new();
    for (i, (value, u)) in values.iter().zip(us).enumerate() {
        inputs.add(Input::new(format!("x{i}"), "", "", *value, *u)).unwrap();
    }
    inputs
}

const VALUES: std::ops::Range<f64> = 1.0..8.0;

proptest! {
    #[test]
    fn derivatives_agree_with_finite_differences(
        values in prop::array::uniform4(VALUES),
        us in prop::array::uniform4(1e-5..1e-4_f64),
        r in -0.9..0.9_f64,
    ) {
        let mut inputs = list(&values, &us);
        inputs.correlate("x0", "x2", r).unwrap();
        let analytic = model(&inputs.sourced());
        let numerical = propagate_numerically(&inputs, model::<f64>).unwrap();
        let u = inputs.standard_uncertainty(&analytic);
        prop_assert!((analytic.value() - numerical.value).abs() <= 1e-13 * numerical.value.abs().max(1.0));
        // Third order: u² times third derivatives, and the rounding of a difference over 1e-5.
        prop_assert!((u - numerical.standard_uncertainty).abs() < 1e-6 * u + 1e-13);
        let shares: f64 = inputs.budget(&analytic).iter().map(|line| line.share).sum();
        prop_assert!((shares - 1.0).abs() < 1e-12);
    }

    #[test]
    fn scaling_all_uncertainties_scales_the_result(
        values in prop::array::uniform4(VALUES),
        us in prop::array::uniform4(0.01..1.0_f64),
        factor in 0.1..10.0_f64,
    ) {
        let once = list(&values, &us);
        let scaled = list(&values, &us.map(|u| factor * u));
        let (a, b) = (model(&once.sourced()), model(&scaled.sourced()));
        let (ua, ub) = (once.standard_uncertainty(&a), scaled.standard_uncertainty(&b));
        prop_assert!((ub / ua / factor - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_difference_with_itself_has_no_uncertainty_and_correlation_is_one(values in prop::array::uniform4(VALUES)) {
        let inputs = list(&values, &[0.1; 4]);
        let y = model(&inputs.sourced());
        prop_assert_eq!(inputs.standard_uncertainty(&(&y - &y)), 0.0);
        prop_assert!((inputs.correlation(&y, &(&y * 3.0 + 1.0)).unwrap() - 1.0).abs() < 1e-12);
        prop_assert!((inputs.correlation(&y, &(5.0 - &y)).unwrap() + 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_wider_guard_band_trades_the_consumers_risk_for_the_producers(u in 0.1..2.0_f64, w in 0.1..1.5_f64) {
        let specification = Specification::new(None, Some(10.0)).unwrap();
        let risk = |w: f64| {
            let acceptance = specification.acceptance(GuardBand::Expanded { w, k: 2.0 }, u).unwrap();
            specification.global_risk(8.0, 1.5, u, acceptance).unwrap()
        };
        let (narrow, wide) = (risk(0.0), risk(w));
        prop_assert!(wide.consumer < narrow.consumer);
        prop_assert!(wide.producer > narrow.producer);
    }
}

#[test]
fn a_simulation_is_the_same_to_the_last_bit_for_any_number_of_threads() {
    let mut inputs = list(&[2.0, 3.0, 4.0, 5.0], &[0.1, 0.2, 0.3, 0.4]);
    let shaped = Input::new("t", "", "", 0.0, 0.1).with_dof(Some(3.0)).shaped(Distribution::StudentT);
    inputs.add(shaped).unwrap();
    inputs.correlate("x1", "x3", 0.6).unwrap();
    let run = |threads, seed| {
        let settings = Settings { trials: 123_456, threads, seed, ..Settings::default() };
        let mut samples = Vec::new();
        let result = simulate(&inputs, |x| model(&x[..4]) + x[4], &settings, &mut samples).unwrap();
        samples.sort_by(f64::total_cmp);
        (result, samples)
    };
    let one = run(1, 42);
    for threads in [2, 3, 7, 64] {
        assert!(one == run(threads, 42), "{threads} threads");
    }
    assert!(one != run(1, 43));
}

#[test]
fn a_model_that_leaves_its_domain_is_refused_with_the_number_of_trials() {
    let inputs = list(&[1.0; 4], &[1.0; 4]);
    let settings = Settings { trials: 10_000, ..Settings::default() };
    let error = simulate(&inputs, |x| x[0].sqrt(), &settings, &mut Vec::new()).unwrap_err();
    // P(x < 0) = 0.1587 of 10 000.
    let text = error.to_string();
    let trials: f64 = text.split_whitespace().next().unwrap().parse().unwrap();
    assert!((trials - 1587.0).abs() < 150.0, "{text}");
    let few = Settings { trials: 100, ..Settings::default() };
    assert!(simulate(&inputs, |x| x[0], &few, &mut Vec::new()).is_err());
}
