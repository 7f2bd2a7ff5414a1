//! Laws that hold for any data: shift, scale, permutation, merging, round trips.

use bigdecimal::BigDecimal;
use ferrotitre_core::rounding::{Ties, decimal_of, report, text, to_figures, to_places};
use ferrotitre_core::statistics::agreement::{
    ConcordanceMode, FollowUp, StudentisedRange, chance_agreement, concordance, follow_up,
};
use ferrotitre_core::statistics::discovery::benjamini_hochberg;
use ferrotitre_core::statistics::distribution::{Beta, Binomial, ChiSquared, FisherF, Normal, StudentT};
use ferrotitre_core::statistics::integrity::terminal_digits;
use ferrotitre_core::statistics::outliers::grubbs::pair::{self, PairStatistic};
use ferrotitre_core::statistics::outliers::{Sidedness, cochran, dixon, grubbs};
use ferrotitre_core::statistics::robust::{StopRule, algorithm_a};
use ferrotitre_core::statistics::summary::{
    QuantileMethod, Summary, lag1_autocorrelation, median, quantile, weighted_mean,
};
use proptest::prelude::*;

/// Titres as hundredths of a millilitre.
fn titres(least: usize, most: usize) -> impl Strategy<Value = Vec<f64>> {
    prop::collection::vec(2000_u32..2400, least..=most)
        .prop_map(|hundredths| hundredths.into_iter().map(|h| f64::from(h) / 100.0).collect())
}

fn close(a: f64, b: f64, relative: f64) -> bool {
    (a - b).abs() <= relative * a.abs().max(b.abs()).max(1e-300)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn a_quantile_returns_its_probability(p in 1e-12_f64..0.999_999, nu in 0.5_f64..500.0, nu2 in 0.5_f64..500.0) {
        let t = StudentT::new(nu).unwrap();
        prop_assert!(close(t.cdf(t.quantile(p).unwrap()), p, 1e-12));
        prop_assert!(close(t.sf(t.upper_quantile(p).unwrap()), p, 1e-12));
        prop_assert!(close(Normal.sf(Normal.upper_quantile(p).unwrap()), p, 1e-13));
        let chi = ChiSquared::new(nu).unwrap();
        prop_assert!(close(chi.sf(chi.upper_quantile(p).unwrap()), p, 1e-12));
        let f = FisherF::new(nu, nu2).unwrap();
        prop_assert!(close(f.sf(f.upper_quantile(p).unwrap()), p, 1e-11));
        let beta = Beta::new(nu, nu2).unwrap();
        prop_assert!(close(beta.cdf(beta.quantile(p).unwrap()), p, 1e-11));
    }

    #[test]
    fn related_distributions_agree(x in 0.01_f64..20.0, nu in 1.0_f64..300.0) {
        let t = StudentT::new(nu).unwrap();
        prop_assert!(close(FisherF::new(1.0, nu).unwrap().sf(x * x), t.two_sided(x), 1e-12));
        prop_assert!(close(ChiSquared::new(2.0).unwrap().sf(x), (-0.5 * x).exp(), 1e-13));
    }

    #[test]
    fn binomial_probabilities_add_up(n in 1_u64..200, p in 0.001_f64..0.999, part in 0.0_f64..1.0) {
        let binomial = Binomial::new(n, p).unwrap();
        let k = (part * n as f64) as u64;
        let sum: f64 = (0..=k).map(|i| binomial.pmf(i)).sum();
        prop_assert!((binomial.cdf(k) - sum).abs() < 1e-13);
        prop_assert!((binomial.cdf(k) + binomial.sf(k) - 1.0).abs() < 1e-15);
        prop_assert!((binomial.at_least(k) - binomial.sf(k) - binomial.pmf(k)).abs() < 1e-13);
    }

    #[test]
    fn merged_parts_equal_the_whole(
        values in prop::collection::vec(-1e6_f64..1e6, 4..900),
        offset in prop::sample::select(vec![0.0, 1e9, -3e12]),
        cut in 0.0_f64..1.0,
    ) {
        let values: Vec<f64> = values.iter().map(|x| x + offset).collect();
        let at = (cut * values.len() as f64) as usize;
        let whole = Summary::of(&values).unwrap();
        let merged = Summary::of(&values[..at]).unwrap().merged(&Summary::of(&values[at..]).unwrap());
        let mut single = Summary::new();
        values.iter().for_each(|x| single.add(*x).unwrap());
        for other in [merged, single] {
            prop_assert_eq!((other.n(), other.min(), other.max()), (whole.n(), whole.min(), whole.max()));
            prop_assert!(close(other.mean().unwrap() - offset, whole.mean().unwrap() - offset, 1e-12)
                || (other.mean().unwrap() - whole.mean().unwrap()).abs() < 1e-15 * offset.abs() + 1e-9);
            prop_assert!(close(other.sample_sd().unwrap(), whole.sample_sd().unwrap(), 1e-13));
            let (a, b) = (other.sample_skewness().unwrap(), whole.sample_skewness().unwrap());
            prop_assert!((a - b).abs() < 1e-10);
            let (a, b) = (other.sample_excess_kurtosis().unwrap(), whole.sample_excess_kurtosis().unwrap());
            prop_assert!((a - b).abs() < 1e-10);
        }
    }

    #[test]
    fn summaries_follow_shift_and_scale(values in titres(4, 40), shift in -50.0_f64..50.0, scale in 0.1_f64..10.0) {
        let moved: Vec<f64> = values.iter().map(|x| scale * x + shift).collect();
        let (a, b) = (Summary::of(&values).unwrap(), Summary::of(&moved).unwrap());
        prop_assert!((b.mean().unwrap() - (scale * a.mean().unwrap() + shift)).abs() < 1e-11);
        prop_assert!((b.sample_sd().unwrap() - scale * a.sample_sd().unwrap()).abs() < 1e-11);
        prop_assert!((median(&moved).unwrap() - (scale * median(&values).unwrap() + shift)).abs() < 1e-11);
        for method in [QuantileMethod::Type1, QuantileMethod::Type6, QuantileMethod::Type7, QuantileMethod::Type8] {
            let (before, after) = (quantile(&values, 0.3, method).unwrap(), quantile(&moved, 0.3, method).unwrap());
            prop_assert!((after - (scale * before + shift)).abs() < 1e-11);
        }
        if a.sample_sd().unwrap() > 0.0 {
            let (before, after) = (lag1_autocorrelation(&values).unwrap(), lag1_autocorrelation(&moved).unwrap());
            prop_assert!((before - after).abs() < 1e-9);
        }
        let weights = vec![2.5; values.len()];
        prop_assert!((weighted_mean(&values, &weights).unwrap().mean - a.mean().unwrap()).abs() < 1e-12);
    }

    #[test]
    fn outlier_tests_ignore_order_unit_and_sign(values in titres(4, 12), scale in 0.1_f64..10.0) {
        let mut turned: Vec<f64> = values.iter().map(|x| -scale * x + 3.0).collect();
        turned.reverse();
        let (a, b) = (dixon::test(&values, 0.02), dixon::test(&turned, 0.02 * scale));
        prop_assert_eq!(a.is_ok(), b.is_ok());
        if let (Ok(a), Ok(b)) = (a, b) {
            prop_assert!((a.statistic - b.statistic).abs() < 1e-9);
            prop_assert!((a.p - b.p).abs() < 1e-7);
            prop_assert!(a.critical_1.value > a.critical_5.value);
        }
        let (a, b) = (grubbs::test(&values, 0.02), grubbs::test(&turned, 0.02 * scale));
        if let (Ok(a), Ok(b)) = (a, b) {
            prop_assert!((a.statistic - b.statistic).abs() < 1e-9);
            // Near the largest possible statistic p falls to 0 like a root.
            prop_assert!((a.p - b.p).abs() < 1e-4);
        }
        let (a, b) = (algorithm_a(&values, StopRule::ThirdFigure), algorithm_a(&values.iter().rev().copied()
            .collect::<Vec<_>>(), StopRule::ThirdFigure));
        if let (Ok(a), Ok(b)) = (a, b) {
            prop_assert!(close(a.location, b.location, 1e-12) && close(a.scale, b.scale, 1e-10));
        }
    }

    #[test]
    fn concordance_never_picks_and_the_flow_always_ends(values in titres(2, 8), limit in 1_u32..40) {
        let limit = f64::from(limit) / 100.0;
        let all = concordance(&values, limit, 2, ConcordanceMode::AllAccurate);
        prop_assert!(all.used.is_empty() || all.used.len() == values.len());
        let latest = concordance(&values, limit, 2, ConcordanceMode::Consecutive);
        prop_assert!(latest.used.iter().all(|at| *at >= values.len() - 2));
        if all.agrees {
            prop_assert!(latest.agrees);
        }
        for kind in [FollowUp::Cheap, FollowUp::Expensive] {
            let next = follow_up(&values, 0.03, kind).unwrap();
            prop_assert_eq!(next.more == 0, next.result.is_some());
            if values.len() >= 4 {
                prop_assert!(next.result.is_some());
            }
        }
    }

    #[test]
    fn rounding_is_that_of_integers(units in -10_000_000_i64..10_000_000, places in 0_i64..5) {
        // Value = units / 10^5; rounded in integers by hand.
        let value = BigDecimal::new(units.into(), 5);
        let step = 10_i64.pow(u32::try_from(5 - places).unwrap());
        let (whole, rest) = (units.div_euclid(step), units.rem_euclid(step));
        let even = whole + i64::from(2 * rest > step || (2 * rest == step && whole % 2 != 0));
        let away = whole + i64::from(2 * rest > step || (2 * rest == step && units > 0));
        prop_assert_eq!(to_places(&value, places, Ties::HalfEven), BigDecimal::new(even.into(), places));
        prop_assert_eq!(to_places(&value, places, Ties::HalfUp), BigDecimal::new(away.into(), places));
        let shown = text(&to_places(&value, places, Ties::HalfEven));
        let decimals = shown.split_once('.').map_or(0, |(_, decimals)| decimals.len());
        prop_assert_eq!(i64::try_from(decimals).unwrap(), places);
        prop_assert_eq!(shown.starts_with('-'), even < 0);
    }

    #[test]
    fn a_reported_pair_shows_the_same_decimals(value in -1e4_f64..1e4, uncertainty in 1e-4_f64..9.0) {
        let reported = report(value, uncertainty, Ties::HalfEven).unwrap();
        let decimals = |shown: &str| shown.split_once('.').map_or(0, |(_, decimals)| decimals.len());
        prop_assert_eq!(decimals(&reported.value), decimals(&reported.expanded_uncertainty));
        let shown: f64 = reported.expanded_uncertainty.parse().unwrap();
        prop_assert!((shown / uncertainty - 1.0).abs() <= 0.0501);
        let digits: String = reported.expanded_uncertainty.chars().filter(char::is_ascii_digit).collect();
        prop_assert_eq!(digits.trim_start_matches('0').len(), 2);
        let rounded = to_figures(&decimal_of(uncertainty).unwrap(), 2, Ties::HalfEven);
        prop_assert_eq!(rounded, reported.expanded_uncertainty.parse::<BigDecimal>().unwrap());
    }

    #[test]
    fn adjusted_p_values_keep_the_order_and_never_shrink(p in prop::collection::vec(0.0_f64..1.0, 1..40)) {
        let tests = benjamini_hochberg(&p, 0.1).unwrap();
        for a in &tests {
            prop_assert!(a.adjusted >= a.p && a.adjusted <= 1.0);
            for b in &tests {
                prop_assert!(a.p > b.p || a.adjusted <= b.adjusted);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn critical_values_have_their_level(n in 4_usize..16, alpha in 0.002_f64..0.3) {
        for ratio in dixon::Ratio::ALL {
            if n >= ratio.fewest() {
                let critical = dixon::critical(ratio, n, alpha, Sidedness::OneSided).unwrap();
                let p = dixon::p_value(ratio, n, critical.value, Sidedness::OneSided).unwrap();
                prop_assert!(close(p.value, alpha, 1e-9), "{ratio:?} {n}: {}", p.value);
            }
        }
        let two = pair::critical(PairStatistic::SameEnd, n, alpha, Sidedness::OneSided).unwrap();
        let p = pair::p_value(PairStatistic::SameEnd, n, two.value, Sidedness::OneSided).unwrap();
        prop_assert!(close(p.value, alpha, 1e-7), "same end {n}: {}", p.value);
        let exact = cochran::critical(n, 2.0, alpha, cochran::Form::Exact).unwrap();
        let p = cochran::p_value(n, 2.0, exact.value, cochran::Form::Exact).unwrap();
        prop_assert!(close(p.value, alpha, 1e-9), "share {n}: {}", p.value);
    }

    #[test]
    fn a_studentised_range_of_two_is_student_t(q in 0.1_f64..12.0, nu in 1.0_f64..200.0) {
        let range = StudentisedRange::new(2, nu).unwrap();
        let t = StudentT::new(nu).unwrap();
        prop_assert!(close(range.sf(q), t.two_sided(q / std::f64::consts::SQRT_2), 1e-10));
    }

    #[test]
    fn more_titres_agree_by_chance_more_often_in_pairs_and_less_often_in_whole(n in 3_u32..9, w in 0.2_f64..3.0) {
        let chance = |n, chosen| chance_agreement(n, chosen, w, 1.0).unwrap().probability;
        prop_assert!(chance(n, 2) >= chance(n - 1, 2) - 1e-12);
        prop_assert!(chance(n, n) <= chance(n - 1, n - 1) + 1e-12);
        prop_assert!(chance(n, n) <= chance(n, n - 1) + 1e-12);
    }

    #[test]
    fn digit_tests_ignore_which_digit_is_preferred(counts in prop::collection::vec(0_u64..6, 5)) {
        prop_assume!(counts.iter().sum::<u64>() > 0);
        let mut other = counts.clone();
        other.rotate_left(2);
        let (a, b) = (terminal_digits(&counts).unwrap(), terminal_digits(&other).unwrap());
        prop_assert!(close(a.chi_square, b.chi_square, 1e-12) || a.chi_square.abs() < 1e-12);
        prop_assert!(close(a.p_exact.unwrap(), b.p_exact.unwrap(), 1e-12));
    }
}
