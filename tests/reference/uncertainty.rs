//! Comparisons for uncertainty: propagation, coverage, Monte Carlo, conformity, top-down.

use ferrotitre_core::uncertainty::conformity::{GuardBand, Outcome, Specification};
use ferrotitre_core::uncertainty::monte_carlo::{MonteCarlo, Settings, adaptive, numerical_tolerance, simulate};
use ferrotitre_core::uncertainty::nordtest::{BiasSource, compare, top_down};
use ferrotitre_core::uncertainty::{
    CoverageRule, DegreesOfFreedom, Distribution, Input, Inputs, Scalar, Sourced, expand, propagate_numerically,
};
use serde_json::Value;

use crate::data::json;

fn close(what: &str, got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{what}: got {got}, want {want} within {tolerance}");
}

fn record(id: &str) -> Value {
    json("07_gum_eurachem.json").as_array().unwrap().iter().find(|record| record["id"] == id).unwrap().clone()
}

fn pair(record: &Value, name: &str) -> (f64, f64) {
    let number = |i: usize| record["inputs"][name][i].as_str().unwrap().parse().unwrap();
    (number(0), number(1))
}

fn inputs_of(record: &Value, names: &[&'static str]) -> Inputs {
    let mut inputs = Inputs::new();
    for &name in names {
        let (value, u) = pair(record, name);
        inputs.add(Input::new(name, name, "", value, u)).unwrap();
    }
    inputs
}

/// Analytic, finite-difference and Monte Carlo standard uncertainties of one model.
fn three_ways(inputs: &Inputs, analytic: &Sourced, model: impl Fn(&[f64]) -> f64 + Sync) -> (f64, f64, MonteCarlo) {
    let numerical = propagate_numerically(inputs, &model).unwrap();
    let settings = Settings { trials: 400_000, threads: 2, seed: 11, ..Settings::default() };
    let simulated = simulate(inputs, &model, &settings, &mut Vec::new()).unwrap();
    (inputs.standard_uncertainty(analytic), numerical.standard_uncertainty, simulated)
}

fn calibration_standard<S: Scalar>(x: &[S]) -> S {
    let [p, m, v] = x else { return S::constant(f64::NAN) };
    m.clone() * p.clone() / v.clone() * 1000.0
}

#[test]
fn eurachem_a1_a_calibration_standard() {
    let record = record("EURACHEM_A1");
    let inputs = inputs_of(&record, &["P", "m_mg", "V_mL"]);
    let c = calibration_standard(&inputs.sourced());
    let (u, numerical, simulated) = three_ways(&inputs, &c, calibration_standard::<f64>);
    close("c", c.value(), 1002.69972, 5e-6);
    close("c published", c.value(), 1002.7, 0.05);
    close("u", u, 0.8637, 5e-5);
    close("u published", u, 0.9, 0.05);
    close("numerical", numerical, u, 1e-6);
    // 400 000 trials: the standard deviation has a relative standard error of 0.11 %.
    close("simulated", simulated.standard_uncertainty, u, 0.005 * u);
}

fn sodium_hydroxide<S: Scalar>(x: &[S]) -> S {
    let [rep, m, p, molar, v] = x else { return S::constant(f64::NAN) };
    rep.clone() * m.clone() * p.clone() / (molar.clone() * v.clone()) * 1000.0
}

#[test]
fn eurachem_a2_a_standardised_titrant() {
    let record = record("EURACHEM_A2");
    let inputs = inputs_of(&record, &["rep", "m_KHP_g", "P", "M_KHP", "V_mL"]);
    let c = sodium_hydroxide(&inputs.sourced());
    let (u, numerical, simulated) = three_ways(&inputs, &c, sodium_hydroxide::<f64>);
    close("c", c.value(), 0.102_136_16, 5e-9);
    close("u", u, 9.86366e-5, 5e-11);
    close("u published", u, 0.00010, 5e-6);
    close("relative", u / c.value(), 0.000965736, 5e-10);
    close("relative published", u / c.value(), 0.00097, 5e-6);
    close("numerical", numerical, u, 1e-6 * u);
    close("simulated", simulated.standard_uncertainty, u, 0.005 * u);
}

fn end_gauge<S: Scalar>(x: &[S]) -> S {
    let [ls, d0, d1, d2, alpha, d_alpha, d_theta, theta, cycle] = x else { return S::constant(f64::NAN) };
    let expansion = d_alpha.clone() * (theta.clone() + cycle.clone()) + alpha.clone() * d_theta.clone();
    ls.clone() + d0.clone() + d1.clone() + d2.clone() - ls.clone() * expansion
}

fn finite(df: f64) -> Option<f64> {
    Some(df)
}

/// JCGM 100:2008 H.1; with `simulated` the distributions and rounded repeatabilities of JCGM 101:2008 9.5.
fn end_gauge_inputs(simulated: bool) -> Inputs {
    let t = |id, value, u, df| Input::new(id, id, "nm", value, u).with_dof(Some(df)).shaped(Distribution::StudentT);
    let within = |id: &str, value, a, shape| Input::new(id, id, "", value, 0.0).within(a, shape).unwrap();
    let (u0, u1, u2) = if simulated { (6.0, 4.0, 7.0) } else { (5.8, 3.9, 6.7) };
    let shape = |relative| {
        let curved = Distribution::CurvilinearTrapezoid { relative_limit_width: relative };
        if simulated { curved } else { Distribution::Rectangular }
    };
    let mut inputs = Inputs::new();
    for input in [
        t("ls", 50_000_623.0, 25.0, 18.0),
        t("d0", 215.0, u0, 24.0),
        t("d1", 0.0, u1, 5.0),
        t("d2", 0.0, u2, 8.0),
        within("alpha_s", 11.5e-6, 2e-6, Distribution::Rectangular),
        within("d_alpha", 0.0, 1e-6, shape(0.1)).with_dof(finite(50.0)),
        within("d_theta", 0.0, 0.05, shape(0.5)).with_dof(finite(2.0)),
        Input::new("theta_bar", "mean deviation", "C", -0.1, 0.2),
        within("Delta", 0.0, 0.5, Distribution::Arcsine),
    ] {
        inputs.add(input).unwrap();
    }
    inputs
}

#[test]
fn gum_h1_an_end_gauge() {
    let inputs = end_gauge_inputs(false);
    let l = end_gauge(&inputs.sourced());
    let u = inputs.standard_uncertainty(&l);
    close("l", l.value(), 50_000_838.0, 0.5);
    close("u", u, 31.66388, 5e-6);
    close("u published", u, 32.0, 0.5);
    let DegreesOfFreedom::Finite(df) = inputs.effective_degrees_of_freedom(&l) else { panic!("infinite") };
    close("nu_eff", df, 16.7519, 5e-5);
    // G.4.1 of the source cuts the degrees of freedom to a whole number.
    let coverage = expand(u, DegreesOfFreedom::Finite(df.floor()), CoverageRule::Probability(0.99)).unwrap();
    close("t99", coverage.factor, 2.92, 0.005);
    close("U99", coverage.expanded_uncertainty, 92.4833, 5e-5);
    let part = |id: &str| {
        let budget = inputs.budget(&l);
        budget.iter().find(|line| line.input.id == id).unwrap().contribution.abs()
    };
    close("ls", part("ls"), 25.0, 5e-4);
    close("d", part("d0").hypot(part("d1")).hypot(part("d2")), 9.6819, 5e-5);
    close("d_alpha", part("d_alpha"), 2.88679, 5e-6);
    close("d_theta", part("d_theta"), 16.59903, 5e-6);
}

#[test]
fn jcgm101_9_5_an_end_gauge_by_simulation() {
    let inputs = end_gauge_inputs(true);
    let settings = Settings { probability: 0.99, threads: 2, seed: 3, ..Settings::default() };
    let result = simulate(&inputs, end_gauge::<f64>, &settings, &mut Vec::new()).unwrap();
    // Oracle: 4 million trials elsewhere. Standard errors of 10⁶ trials: mean 0.036, u 0.03, 99.5 % points 0.25 nm.
    close("mean", result.mean - 5e7, 837.99, 0.16);
    close("u", result.standard_uncertainty, 35.81, 0.15);
    close("low", result.shortest.low - 5e7, 744.7, 1.5);
    close("high", result.shortest.high - 5e7, 931.9, 1.5);
    // Published from memory: 838 and 36.
    close("mean published", result.mean - 5e7, 838.0, 0.5);
    close("u published", result.standard_uncertainty, 36.0, 0.5);
}

fn mean_of(values: [f64; 5]) -> f64 {
    values.iter().sum::<f64>() / 5.0
}

fn product_sum(a: [f64; 5], b: [f64; 5]) -> f64 {
    let (ma, mb) = (mean_of(a), mean_of(b));
    a.iter().zip(b).map(|(x, y)| (x - ma) * (y - mb)).sum()
}

#[test]
fn gum_h2_resistance_and_reactance_measured_together() {
    // JCGM 100:2008 tables H.2 to H.4, from memory.
    let series = [
        ("V", [5.007, 4.994, 5.005, 4.990, 4.999]),
        ("I", [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]),
        ("phi", [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]),
    ];
    let mut inputs = Inputs::new();
    let x: Vec<Sourced> = series
        .iter()
        .map(|&(id, values)| {
            let u = (product_sum(values, values) / 20.0).sqrt();
            inputs.add(Input::new(id, id, "", mean_of(values), u)).unwrap()
        })
        .collect();
    for (i, k, published) in [(0, 1, -0.36), (0, 2, 0.86), (1, 2, -0.65)] {
        let (a, b) = (series[i].1, series[k].1);
        let r = product_sum(a, b) / (product_sum(a, a) * product_sum(b, b)).sqrt();
        close("r of the means", r, published, 0.005);
        inputs.correlate(series[i].0, series[k].0, r).unwrap();
    }
    let phi = x[2].value();
    let impedance = &x[0] / &x[1];
    let resistance = &impedance * x[2].clone().map(phi.cos(), -phi.sin());
    let reactance = &impedance * x[2].clone().map(phi.sin(), phi.cos());
    for (what, value, y) in [("R", &resistance, 127.732), ("X", &reactance, 219.847), ("Z", &impedance, 254.260)] {
        close(what, value.value(), y, 0.0005);
    }
    close("u(R)", inputs.standard_uncertainty(&resistance), 0.071, 0.0005);
    // DIFFERENCE: printed 0.295, from rounded inputs; the readings themselves give 0.2956.
    close("u(X)", inputs.standard_uncertainty(&reactance), 0.295, 0.0006);
    close("u(Z)", inputs.standard_uncertainty(&impedance), 0.236, 0.0005);
    close("r(R, X)", inputs.correlation(&resistance, &reactance).unwrap(), -0.588, 0.0005);
    close("r(R, Z)", inputs.correlation(&resistance, &impedance).unwrap(), -0.485, 0.0005);
    close("r(X, Z)", inputs.correlation(&reactance, &impedance).unwrap(), 0.993, 0.0005);
    let simulated = |model: fn(&[f64]) -> f64| {
        let settings = Settings { trials: 400_000, threads: 2, ..Settings::default() };
        simulate(&inputs, model, &settings, &mut Vec::new()).unwrap().standard_uncertainty
    };
    // The joint normal distribution of the three inputs; relative standard error 0.11 %.
    close("R simulated", simulated(|x| x[0] / x[1] * x[2].cos()), 0.0711, 0.0005);
    close("Z simulated", simulated(|x| x[0] / x[1]), 0.2363, 0.0012);
}

fn four(distribution: Distribution) -> Inputs {
    let mut inputs = Inputs::new();
    for id in ["x1", "x2", "x3", "x4"] {
        inputs.add(Input::new(id, id, "", 0.0, 1.0).shaped(distribution)).unwrap();
    }
    inputs
}

#[test]
fn jcgm101_9_2_sums_of_four() {
    let settings = Settings { threads: 2, seed: 5, ..Settings::default() };
    let sum = |x: &[f64]| x.iter().sum();
    let normal = simulate(&four(Distribution::Normal), sum, &settings, &mut Vec::new()).unwrap();
    let rectangular = simulate(&four(Distribution::Rectangular), sum, &settings, &mut Vec::new()).unwrap();
    // Standard errors of 10⁶ trials: u 0.0014, ends 0.005; four of them.
    for (what, result, end) in [("normal", normal, 3.919_928), ("rectangular", rectangular, 3.879_406_7)] {
        close(what, result.mean, 0.0, 0.008);
        close(what, result.standard_uncertainty, 2.0, 0.006);
        close(what, result.symmetric.low, -end, 0.02);
        close(what, result.symmetric.high, end, 0.02);
        close(what, result.shortest.high - result.shortest.low, 2.0 * end, 0.02);
    }
}

#[test]
fn every_distribution_has_its_standard_uncertainty() {
    // Variances by the formulas of JCGM 101:2008 table 1; fourth moments bound the error of a sampled variance.
    for distribution in [
        Distribution::Normal,
        Distribution::Rectangular,
        Distribution::Triangular,
        Distribution::Trapezoidal { top_to_base: 0.4 },
        Distribution::Arcsine,
        Distribution::CurvilinearTrapezoid { relative_limit_width: 0.5 },
    ] {
        let mut inputs = Inputs::new();
        inputs.add(Input::new("x", "x", "", 7.0, 0.3).shaped(distribution)).unwrap();
        let mut samples = Vec::new();
        let result = simulate(&inputs, |x| x[0], &Settings::default(), &mut samples).unwrap();
        close(&format!("{distribution:?}"), result.standard_uncertainty, 0.3, 0.001);
        close(&format!("{distribution:?}"), result.mean, 7.0, 0.0013);
        let reach = distribution.half_width(0.3);
        assert!(samples.iter().all(|x| (x - 7.0).abs() <= reach * (1.0 + 1e-12)));
    }
    let mut inputs = Inputs::new();
    let t = Input::new("x", "x", "", 0.0, 1.0).with_dof(Some(9.0)).shaped(Distribution::StudentT);
    inputs.add(t).unwrap();
    let result = simulate(&inputs, |x| x[0], &Settings::default(), &mut Vec::new()).unwrap();
    close("t, 9 degrees of freedom", result.standard_uncertainty, (9.0_f64 / 7.0).sqrt(), 0.005);
    // Two-sided 5 % point of t with 9 degrees of freedom, 2.262 (any table).
    close("t, 97.5 % point", result.symmetric.high, 2.262, 0.015);
}

/// Mass of a weight in air against a reference, in mg; JCGM 101:2008 9.3 (from memory).
fn mass<S: Scalar>(x: &[S]) -> S {
    let [reference, difference, air, weight, standard] = x else { return S::constant(f64::NAN) };
    let one = || S::constant(1.0);
    let buoyancy = (air.clone() - 1.2) * (one() / weight.clone() - one() / standard.clone());
    (reference.clone() + difference.clone()) * (buoyancy + 1.0) - 100_000.0
}

#[test]
fn jcgm101_9_3_a_weight_whose_buoyancy_has_no_first_order_effect() {
    let within = |id: &str, value, a| Input::new(id, id, "", value, 0.0).within(a, Distribution::Rectangular).unwrap();
    let mut inputs = Inputs::new();
    for input in [
        Input::new("m_rc", "reference", "mg", 100_000.0, 0.050),
        Input::new("dm_rc", "difference", "mg", 1.234, 0.020),
        within("rho_a", 1.2, 0.1),
        within("rho_w", 8000.0, 1000.0),
        within("rho_r", 8000.0, 50.0),
    ] {
        inputs.add(input).unwrap();
    }
    let first_order = mass(&inputs.sourced());
    // Published: first order 0.0539, simulation 0.0754 and the shortest interval 1.0834 to 1.3825.
    close("first order", inputs.standard_uncertainty(&first_order), 0.0539, 0.000_05);
    let settings = Settings { trials: 5_000_000, threads: 2, seed: 1, ..Settings::default() };
    let mut samples = Vec::new();
    let result = adaptive(&inputs, mass::<f64>, 0.0005, &settings, &mut samples).unwrap();
    assert_eq!(result.trials, samples.len());
    close("mean", result.mean, 1.2340, 0.0005);
    close("u", result.standard_uncertainty, 0.0754, 0.0005);
    // The shortest interval of a flat-topped distribution moves more than its length.
    close("low", result.shortest.low, 1.0834, 0.003);
    close("high", result.shortest.high, 1.3825, 0.003);
    close("length", result.shortest.high - result.shortest.low, 1.3825 - 1.0834, 0.001);
}

#[test]
fn numerical_tolerances_are_half_a_unit_of_the_last_digit_kept() {
    // JCGM 101:2008 7.9.2, examples from memory: 0.00035 g to 2 digits 0.000005; 2 K to 1 digit 0.5.
    for (u, digits, want) in [(0.00035, 2, 0.000_005), (2.0, 1, 0.5), (0.0996, 1, 0.05), (0.0754, 2, 0.0005)] {
        close("tolerance", numerical_tolerance(u, digits).unwrap(), want, 1e-9 * want);
    }
}

#[test]
fn iron_iii_by_difference() {
    // Independent computation.
    let mut inputs = Inputs::new();
    for (id, value, u) in [("K", 5.5845, 0.0015 * 5.5845), ("VT", 23.18, 0.02), ("V2", 21.46, 0.02)] {
        inputs.add(Input::new(id, id, "", value, u)).unwrap();
    }
    let x = inputs.sourced();
    let (total, ferrous) = (&x[0] * &x[1], &x[0] * &x[2]);
    let ferric = &total - &ferrous;
    close("u", inputs.standard_uncertainty(&ferric), 0.1586, 0.00005);
    close("r", inputs.correlation(&total, &ferrous).unwrap(), 0.7363, 0.00005);
    let apart = inputs.standard_uncertainty(&total).hypot(inputs.standard_uncertainty(&ferrous));
    close("independent", apart, 0.3082, 0.00005);
    let (_, numerical, simulated) = three_ways(&inputs, &ferric, |x| x[0] * x[1] - x[0] * x[2]);
    close("numerical", numerical, 0.1586, 0.00005);
    close("simulated", simulated.standard_uncertainty, 0.1586, 0.001);
}

#[test]
fn conformity_with_an_upper_limit() {
    // Independent computation.
    let bath = Specification::new(None, Some(120.0)).unwrap();
    let accepted = bath.acceptance(GuardBand::OneSided95, 0.55).unwrap();
    close("A", accepted.high, 119.095, 0.0005);
    assert_eq!(accepted.low, f64::NEG_INFINITY);
    let decision = bath.decide(119.5, 0.55, GuardBand::OneSided95).unwrap();
    assert_eq!(decision.outcome, Outcome::Conditional);
    close("p_c", decision.conformance_probability, 0.818, 0.0005);
    close("sum", decision.specific_consumer_risk + decision.conformance_probability, 1.0, 1e-12);
    let outcome = |y, guard| bath.decide(y, 0.55, guard).unwrap().outcome;
    assert_eq!(outcome(119.5, GuardBand::Simple), Outcome::Conforms);
    assert_eq!(outcome(120.5, GuardBand::Simple), Outcome::DoesNotConform);
    assert_eq!(outcome(118.9, GuardBand::Expanded { w: 1.0, k: 2.0 }), Outcome::Conforms);
}

#[test]
fn global_risks_are_areas_of_the_bivariate_normal_distribution() {
    // Simpson's rule with 40 000 steps and the C library's erfc, elsewhere.
    let bath = Specification::new(None, Some(120.0)).unwrap();
    let resistor = Specification::new(Some(1499.8), Some(1500.2)).unwrap();
    for (specification, process, u, guard, consumer, producer) in [
        (bath, (118.0, 1.2), 0.55, 0.905, 0.000_723_881_346_877_285_9, 0.156_338_174_398_628_88),
        (bath, (118.0, 1.2), 0.55, 0.0, 0.011_619_284_945_726_751, 0.028_701_455_870_770_703),
        (resistor, (1500.0, 0.12), 0.04, 0.0, 0.018_942_206_717_016, 0.037_207_800_178_037_68),
        (resistor, (1500.0, 0.12), 0.04, 0.06, 0.001_575_353_201_140_4, 0.174_376_275_948_006_9),
    ] {
        let acceptance = specification.acceptance(GuardBand::Expanded { w: 1.0, k: guard / u }, u).unwrap();
        let risk = specification.global_risk(process.0, process.1, u, acceptance).unwrap();
        close("consumer", risk.consumer, consumer, 1e-10);
        close("producer", risk.producer, producer, 1e-10);
        // Accepted = conforming − producer's risk + consumer's risk, the first two from closed forms.
        close("accepted", risk.accepted, risk.conforming - risk.producer + risk.consumer, 1e-12);
    }
}

#[test]
fn uncertainty_from_control_and_bias_data() {
    // Independent computation.
    let biases = vec![0.4, -0.3, 0.6, 0.2, -0.5, 0.3];
    let result = top_down(0.35, &BiasSource::Several { biases, u_reference: 0.25 }).unwrap();
    close("RMS", result.rms_bias, 0.4062, 0.00005);
    close("u(bias)", result.u_bias, 0.4770, 0.00005);
    close("u_c", result.combined, 0.5916, 0.00005);
    close("U", result.expanded, 1.18, 0.005);
    // By hand: √(0.4² + 0.6²/9 + 0.25²) = √0.2625.
    let one = BiasSource::OneMaterial { bias: -0.4, s: 0.6, n: 9, u_reference: 0.25 };
    close("one material", top_down(0.35, &one).unwrap().u_bias, 0.512_347_5, 5e-8);
    assert!(compare(0.2, 0.5916).unwrap().query);
    assert!(!compare(0.5, 0.5916).unwrap().query);
    assert_eq!(compare(0.0, 0.5), None);
}
