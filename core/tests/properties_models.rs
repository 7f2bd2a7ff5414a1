//! Identities of tests, models and intervals that hold for any input.

use ferrotitre_core::statistics::anova::{nested, one_way};
use ferrotitre_core::statistics::comparison::{LimitMultiplier, bland_altman, deming, passing_bablok};
use ferrotitre_core::statistics::hypothesis::{
    equivalent_mean, one_sample_t, paired_t, pooled_t, variance_ratio_f, welch_t,
};
use ferrotitre_core::statistics::noncentral_t::NoncentralT;
use ferrotitre_core::statistics::normality::{anderson_darling, shapiro_wilk};
use ferrotitre_core::statistics::power::{Alternative, Design, DifferenceQuestion, difference_power};
use ferrotitre_core::statistics::regression::{LinearModel, StraightLine, Terms, lack_of_fit};
use ferrotitre_core::statistics::ruggedness::youden_steiner;
use ferrotitre_core::statistics::tolerance::{Promise, SampleInformation, Side, tolerance_interval};
use ferrotitre_core::statistics::trend::{inversion_probabilities, mann_kendall, theil_sen};
use proptest::prelude::*;

/// Readings with two decimals that do not all agree.
fn readings(least: usize, most: usize) -> impl Strategy<Value = Vec<f64>> {
    proptest::collection::vec(0_u32..20_000, least..most)
        .prop_filter("values must differ", |v| v.iter().any(|x| *x != v[0]))
        .prop_map(|v| v.into_iter().map(|x| f64::from(x) / 64.0).collect())
}

/// Points with distinct x.
fn points(least: usize, most: usize) -> impl Strategy<Value = (Vec<f64>, Vec<f64>)> {
    readings(least, most).prop_map(|y| ((0_u32..).map(f64::from).take(y.len()).collect(), y))
}

fn groups() -> impl Strategy<Value = Vec<Vec<f64>>> {
    proptest::collection::vec(proptest::collection::vec(0_u32..5000, 1..6), 2..8)
        .prop_filter("replicates are needed", |g| g.iter().any(|v| v.len() > 1))
        .prop_map(|g| g.into_iter().map(|v| v.into_iter().map(|x| f64::from(x) / 64.0).collect()).collect())
}

fn near(a: f64, b: f64, scale: f64) -> bool {
    (a - b).abs() <= 1e-11 * scale.abs().max(a.abs()).max(b.abs())
}

/// `a x + b` with powers of two, which is exact on these readings.
fn moved(values: &[f64]) -> Vec<f64> {
    values.iter().map(|x| 4.0 * x + 4_194_304.0).collect()
}

fn reversed(values: &[f64]) -> Vec<f64> {
    values.iter().rev().copied().collect()
}

proptest! {
    #[test]
    fn t_does_not_depend_on_unit_or_zero(a in readings(2, 12), b in readings(2, 12)) {
        let (plain, other) = (welch_t(&a, &b, 0.0, 0.95).unwrap(), welch_t(&moved(&a), &moved(&b), 0.0, 0.95).unwrap());
        prop_assert!(near(plain.t, other.t, 1.0) && near(plain.p.two_sided, other.p.two_sided, 0.0));
        prop_assert!(near(4.0 * plain.interval.low, other.interval.low, plain.standard_error * 100.0));
        let swapped = welch_t(&b, &a, 0.0, 0.95).unwrap();
        prop_assert!(near(plain.t, -swapped.t, 1.0) && near(plain.p.less, swapped.p.greater, 0.0));
        let pooled = pooled_t(&reversed(&a), &b, 0.0, 0.95).unwrap();
        prop_assert!(near(pooled.t, pooled_t(&a, &b, 0.0, 0.95).unwrap().t, 1.0));
        let f = variance_ratio_f(&a, &b, 1.0, 0.95).unwrap();
        prop_assert!(near(f.statistic, variance_ratio_f(&moved(&a), &moved(&b), 1.0, 0.95).unwrap().statistic, 0.0));
        prop_assert!(near(f.p.less + f.p.greater, 1.0, 1.0));
    }

    #[test]
    fn a_paired_test_is_a_one_sample_test_of_the_differences(a in readings(3, 12), shift in -50_i32..50) {
        let b = reversed(&a);
        let differences: Vec<f64> = a.iter().zip(&b).map(|(x, y)| x - y).collect();
        prop_assume!(differences.iter().any(|d| *d != differences[0]));
        let hypothesised = f64::from(shift) / 8.0;
        let (paired, single) = (paired_t(&a, &b, hypothesised, 0.9).unwrap(), one_sample_t(&differences, hypothesised, 0.9).unwrap());
        prop_assert_eq!((paired.t, paired.p), (single.t, single.p));
        // The interval holds the hypothesis exactly when the two-sided p-value is above the level.
        prop_assert!(single.interval.contains(hypothesised) == (single.p.two_sided >= 0.1) || near(single.p.two_sided, 0.1, 0.1));
    }

    #[test]
    fn equivalence_and_its_interval_agree(a in readings(3, 12), low in 0_u32..200, width in 1_u32..200) {
        let margins = (f64::from(low), f64::from(low + width));
        let result = equivalent_mean(&a, margins, 0.05).unwrap();
        let inside = margins.0 < result.interval.low && result.interval.high < margins.1;
        prop_assert!(result.equivalent == inside || near(result.p, 0.05, 0.05));
    }

    #[test]
    fn sums_of_squares_add_up_and_do_not_depend_on_order(g in groups()) {
        let study = one_way(&g, 0.95).unwrap();
        let all: Vec<f64> = g.concat();
        let mean = all.iter().sum::<f64>() / all.len() as f64;
        let total: f64 = all.iter().map(|x| (x - mean).powi(2)).sum();
        prop_assert!((study.ss_total - total).abs() <= 1e-10 * total.max(1e-9));
        prop_assert!(near(study.ss_between + study.ss_within, study.ss_total, 0.0));
        let shuffled: Vec<Vec<f64>> = g.iter().rev().map(|v| reversed(v)).collect();
        let other = one_way(&shuffled, 0.95).unwrap();
        prop_assert!(near(study.ss_between, other.ss_between, total) && near(study.ss_within, other.ss_within, total));
        let scaled: Vec<Vec<f64>> = g.iter().map(|v| moved(v)).collect();
        let scaled = one_way(&scaled, 0.95).unwrap();
        prop_assert!(near(16.0 * study.ss_within, scaled.ss_within, 16.0 * total));
        prop_assert!(near(4.0 * study.intermediate.sd, scaled.intermediate.sd, total.sqrt()));
        let sum = study.repeatability.variance + study.between.variance;
        prop_assert!(near(study.intermediate.variance, sum, 0.0));
        prop_assert!(study.intermediate.degrees_of_freedom > 0.0);
    }

    #[test]
    fn two_groups_give_f_equal_to_t_squared(a in readings(2, 9), b in readings(2, 9)) {
        let f = one_way(&[a.clone(), b.clone()], 0.95).unwrap().f_test.unwrap();
        let t = pooled_t(&a, &b, 0.0, 0.95).unwrap();
        prop_assert!(near(f.f, t.t * t.t, 1e-6) && near(f.p, t.p.two_sided, 1e-9));
    }

    #[test]
    fn nested_sums_of_squares_add_up(data in proptest::collection::vec(proptest::collection::vec(
        proptest::collection::vec(0_u32..5000, 2..4), 2..4), 2..5)) {
        let data: Vec<Vec<Vec<f64>>> = data
            .into_iter()
            .map(|day| day.into_iter().map(|cell| cell.into_iter().map(f64::from).collect()).collect())
            .collect();
        let study = nested(&data, 0.95).unwrap();
        let all: Vec<f64> = data.iter().flatten().flatten().copied().collect();
        let mean = all.iter().sum::<f64>() / all.len() as f64;
        let total: f64 = all.iter().map(|x| (x - mean).powi(2)).sum();
        let sum = study.upper.sum_of_squares + study.lower.sum_of_squares + study.replicates.sum_of_squares;
        prop_assert!(near(sum, total, 1.0));
        let df = study.upper.degrees_of_freedom + study.lower.degrees_of_freedom + study.replicates.degrees_of_freedom;
        prop_assert!(near(df, all.len() as f64 - 1.0, 0.0));
        // Days as groups: the upper sum of squares is that of a one-way analysis, whatever lies below.
        let days: Vec<Vec<f64>> = data.iter().map(|day| day.concat()).collect();
        prop_assert!(near(one_way(&days, 0.95).unwrap().ss_between, study.upper.sum_of_squares, total));
    }

    #[test]
    fn residuals_sum_to_zero_and_are_orthogonal_to_every_term((x, y) in points(5, 15), degree in 1_usize..4) {
        let model = LinearModel::polynomial(&x, &y, degree, Terms::WithIntercept, None).unwrap();
        let size: f64 = y.iter().map(|y| y.abs()).sum();
        for power in 0..=degree {
            let power = i32::try_from(power).unwrap();
            let product: f64 = x.iter().zip(&model.residuals).map(|(x, r)| x.powi(power) * r).sum();
            prop_assert!(product.abs() <= 1e-12 * size * 15f64.powi(power), "{power}: {product}");
        }
        prop_assert!(model.r_squared.is_none_or(|r2| (0.0..=1.0).contains(&r2)));
    }

    #[test]
    fn a_line_follows_its_data((x, y) in points(3, 15)) {
        let line = StraightLine::fit(&x, &y, None).unwrap();
        let other = StraightLine::fit(&moved(&x), &moved(&y), None).unwrap();
        let scale = line.slope.standard_error + line.slope.estimate.abs();
        prop_assert!(near(line.slope.estimate, other.slope.estimate, scale));
        prop_assert!(near(4.0 * line.residual_sd, other.residual_sd, 1e-6));
        let back = StraightLine::fit(&reversed(&x), &reversed(&y), None).unwrap();
        prop_assert!(near(line.intercept.estimate, back.intercept.estimate, scale * 15.0));
        // The line passes through the centre, where the confidence band is narrowest.
        let (at_centre, beside) = (line.predict(line.x_mean, 1, 0.95).unwrap(), line.predict(line.x_mean + 1.0, 1, 0.95).unwrap());
        prop_assert!(near(at_centre.fitted, line.y_mean, 1.0));
        let width = |p: ferrotitre_core::statistics::regression::Prediction| p.confidence_band.high - p.confidence_band.low;
        prop_assert!(width(at_centre) <= width(beside));
        prop_assert!(beside.prediction_band.high >= beside.confidence_band.high);
        // Reading back a fitted value gives its x.
        if line.slope.estimate.abs() > 1e-9 {
            prop_assert!((line.inverse(line.at(3.25), 2, 0.95).unwrap().x - 3.25).abs() < 1e-9);
        }
    }

    #[test]
    fn a_joint_test_is_no_less_strict_than_the_line_itself((x, y) in points(4, 15)) {
        let line = StraightLine::fit(&x, &y, None).unwrap();
        prop_assume!(line.residual_sd > 1e-9);
        let own = line.joint_test(line.slope.estimate, line.intercept.estimate).unwrap().test;
        prop_assert!(own.f < 1e-15 && own.p > 1.0 - 1e-14);
        // About zero: F = (Σy² - SS_res)/2/s².
        let sum: f64 = y.iter().map(|y| y * y).sum();
        let expected = (sum - line.residual_ss) / 2.0 / line.residual_sd.powi(2);
        prop_assert!(near(line.joint_test(0.0, 0.0).unwrap().test.f, expected, 1.0));
    }

    #[test]
    fn lack_of_fit_and_pure_error_are_the_residuals(y in readings(8, 9)) {
        let x = [1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0];
        let test = lack_of_fit(&x, &y, 1).unwrap();
        prop_assert!(near(test.lack_of_fit_ss + test.pure_error_ss, test.residual_ss, 1e-9));
        let pure: f64 = y.chunks(2).map(|pair| (pair[0] - pair[1]).powi(2) / 2.0).sum();
        prop_assert!(near(test.pure_error_ss, pure, 1e-9));
    }

    #[test]
    fn the_exact_distribution_of_s_sums_to_one_and_is_symmetric(n in 1_usize..60) {
        let probabilities = inversion_probabilities(n);
        prop_assert!((probabilities.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        for (a, b) in probabilities.iter().zip(probabilities.iter().rev()) {
            prop_assert!(near(*a, *b, 0.0));
        }
    }

    #[test]
    fn s_is_counted_as_by_definition_and_turns_with_the_series(y in readings(3, 30)) {
        let mut s = 0_i64;
        for (i, a) in y.iter().enumerate() {
            for b in &y[i + 1..] {
                s += i64::from(b > a) - i64::from(b < a);
            }
        }
        let test = mann_kendall(&y).unwrap();
        prop_assert_eq!(test.s, s);
        let back = mann_kendall(&reversed(&y)).unwrap();
        prop_assert!(back.s == -s && near(back.p.less, test.p.greater, 0.0));
        prop_assert!(test.tau.abs() <= 1.0 + 1e-12);
        prop_assert_eq!(mann_kendall(&moved(&y)).unwrap().p, test.p);
    }

    #[test]
    fn rank_based_lines_scale_with_their_data((x, y) in points(4, 15)) {
        let (sen, moved_sen) = (theil_sen(&x, &y, 0.9).unwrap(), theil_sen(&moved(&x), &moved(&y), 0.9).unwrap());
        prop_assert!(near(sen.slope, moved_sen.slope, 1e-6));
        if let Some(interval) = sen.slope_interval {
            prop_assert!(interval.low <= sen.slope && sen.slope <= interval.high);
        }
        if let Ok(line) = passing_bablok(&x, &y, 0.9) {
            let other = passing_bablok(&moved(&x), &moved(&y), 0.9).unwrap();
            prop_assert!(near(line.slope, other.slope, 1e-6));
            if let Some(interval) = line.slope_interval {
                prop_assert!(interval.low <= line.slope && line.slope <= interval.high);
            }
        }
    }

    #[test]
    fn deming_lies_between_both_least_squares_lines((x, y) in points(5, 15), ratio in 0.1_f64..10.0) {
        let (yx, xy) = (StraightLine::fit(&x, &y, None).unwrap(), StraightLine::fit(&y, &x, None).unwrap());
        prop_assume!(yx.slope.estimate.abs() > 1e-6);
        let Ok(line) = deming(&x, &y, ratio, 0.95) else { return Ok(()) };
        let (flat, steep) = (yx.slope.estimate.abs(), 1.0 / xy.slope.estimate.abs());
        prop_assert!(line.slope.estimate.abs() >= flat * (1.0 - 1e-10) && line.slope.estimate.abs() <= steep * (1.0 + 1e-10));
        prop_assert_eq!(line.slope.estimate > 0.0, yx.slope.estimate > 0.0);
    }

    #[test]
    fn limits_of_agreement_turn_with_the_methods(a in readings(3, 15)) {
        let b = moved(&reversed(&a));
        let Ok(forth) = bland_altman(&a, &b, LimitMultiplier::Two, 0.95) else { return Ok(()) };
        let back = bland_altman(&b, &a, LimitMultiplier::Two, 0.95).unwrap();
        prop_assert_eq!((forth.mean_difference, forth.lower_limit), (-back.mean_difference, -back.upper_limit));
    }

    #[test]
    fn normality_does_not_depend_on_unit_zero_or_order(y in readings(8, 40)) {
        let (w, other) = (shapiro_wilk(&y).unwrap(), shapiro_wilk(&moved(&reversed(&y))).unwrap());
        prop_assert!(near(w.w, other.w, 0.0) && w.w > 0.0 && w.w <= 1.0 && (0.0..=1.0).contains(&w.p));
        let (a, other) = (anderson_darling(&y).unwrap(), anderson_darling(&moved(&reversed(&y))).unwrap());
        prop_assert!(near(a.a_squared, other.a_squared, 1.0) && (0.0..=1.0).contains(&a.p));
    }

    #[test]
    fn effects_of_a_ruggedness_design_hold_the_sum_of_squares(results in proptest::array::uniform8(0_u32..20_000)) {
        let results = results.map(|x| f64::from(x) / 64.0);
        let study = youden_steiner(&results, None).unwrap();
        let mean = results.iter().sum::<f64>() / 8.0;
        let total: f64 = results.iter().map(|y| (y - mean).powi(2)).sum();
        // Seven orthogonal contrasts take all seven degrees of freedom: Σ(y - ȳ)² = 2ΣD².
        let effects: f64 = study.effects.iter().map(|e| 2.0 * e.difference.powi(2)).sum();
        prop_assert!(near(total, effects, 1e-6));
    }
}

// Each case integrates hundreds of times: fewer cases keep the run short.
proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn both_tails_of_noncentral_t_make_one(nu in 0.6_f64..200.0, delta in -8.0_f64..8.0, t in -15.0_f64..15.0) {
        let distribution = NoncentralT::new(nu, delta).unwrap();
        prop_assert!((distribution.cdf(t) + distribution.sf(t) - 1.0).abs() < 1e-12);
        let mirrored = NoncentralT::new(nu, -delta).unwrap();
        prop_assert!(near(distribution.sf(t), mirrored.cdf(-t), 0.0));
        prop_assert!(distribution.cdf(t) <= distribution.cdf(t + 0.1) + 1e-14);
    }

    #[test]
    fn power_rises_with_n(n in 2_usize..60, difference in 0.05_f64..2.0) {
        let question = DifferenceQuestion { difference, sd: 1.0, alpha: 0.05, alternative: Alternative::TwoSided };
        let power = |n| difference_power(Design::OneSample { n }, question).unwrap();
        // Near 1 only the rounding of the sum is left.
        prop_assert!(0.05 < power(n) && power(n) <= power(n + 1) + 1e-13 && power(n + 1) <= 1.0);
    }

    #[test]
    fn tolerance_intervals_widen_with_content_and_confidence(y in readings(3, 20), content in 0.5_f64..0.98, confidence in 0.5_f64..0.98) {
        let sample = SampleInformation::of_series(y.len()).unwrap();
        let k = sample.two_sided_factor(content, confidence).unwrap();
        prop_assert!(k < sample.two_sided_factor(content + 0.01, confidence).unwrap());
        prop_assert!(k < sample.two_sided_factor(content, confidence + 0.01).unwrap());
        let promise = Promise::Content { content, confidence };
        let interval = tolerance_interval(&y, promise, Side::TwoSided).unwrap();
        let mean = y.iter().sum::<f64>() / y.len() as f64;
        prop_assert!(near(interval.low.unwrap() + interval.high.unwrap(), 2.0 * mean, k * 300.0));
    }
}
