//! Comparisons for control charts: constants, limits, charts with a memory.

use std::collections::BTreeMap;

use ferrotitre_core::control::Centre;
use ferrotitre_core::control::budget::{Claim, hold};
use ferrotitre_core::control::constants::Constants;
use ferrotitre_core::control::cusum::{Cusum, CusumMemory};
use ferrotitre_core::control::ewma::{Ewma, EwmaLimits, EwmaMemory};
use ferrotitre_core::control::limits::{
    Limits, Spread, SubgroupSpread, false_alarm_rate, individuals, proportion_limits, ranges, subgroups,
};
use ferrotitre_core::control::process::{LongTerm, Review, duplicates, long_term, periodic_review, resolution};

use crate::data::rows;

pub(crate) type Row = BTreeMap<String, String>;

pub(crate) fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column}: {}", row[column]))
}

/// Half a unit of the last digit written.
pub(crate) fn half_digit(text: &str) -> f64 {
    0.5 * 10_f64.powi(-i32::try_from(text.split_once('.').map_or(0, |(_, digits)| digits.len())).unwrap())
}

pub(crate) fn close(what: &str, got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{what}: got {got}, want {want} within {tolerance}");
}

fn constant(c: &Constants, name: &str) -> f64 {
    match name {
        "d2" => c.d2,
        "d3" => c.d3,
        "c4" => c.c4,
        "A" => c.a(),
        "A2" => c.a2(),
        "A3" => c.a3(),
        "B3" => c.b3(),
        "B4" => c.b4(),
        "B5" => c.b5(),
        "B6" => c.b6(),
        "D1" => c.d1(),
        "D2" => c.range_upper_action(),
        "D3" => c.range_lower_over_mean(),
        "D4" => c.range_upper_over_mean(),
        "E2" => c.e2(),
        other => panic!("{other}"),
    }
}

#[test]
fn chart_constants_are_those_of_independent_quadrature() {
    for row in rows("04_control_chart_constants.csv") {
        let c = Constants::new(row["n"].parse().unwrap()).unwrap();
        for (name, text) in row.iter().filter(|(name, _)| *name != "n") {
            // Half a unit of the 7th decimal and the rounding of the table's own quadrature.
            close(&format!("{name}({})", c.n), constant(&c, name), text.parse().unwrap(), 5.5e-8);
        }
    }
}

#[test]
fn chart_constants_are_those_of_the_textbook_but_for_two_known_misprints() {
    let mut apart = Vec::new();
    for row in rows("04_control_chart_constants_published_vs_computed.csv") {
        let c = Constants::new(row["n"].parse().unwrap()).unwrap();
        let (name, text) = (&row["constant"], &row["published"]);
        // The independent column shows which digits a correct rounding gives.
        close(name, constant(&c, name), number(&row, "computed"), 5.5e-8);
        if (constant(&c, name) - text.parse::<f64>().unwrap()).abs() > half_digit(text) * 1.001 {
            apart.push(format!("{name}({})", c.n));
        }
    }
    // Old rounding of d2 and d3, see data/README.md.
    assert_eq!(apart, ["D4(3)", "D4(18)"]);
}

#[test]
fn range_charts_of_two_and_three_have_the_bench_factors() {
    // From memory of ISO 7870-2.
    let (two, three) = (Limits::of_ranges(1.0, 2).unwrap(), Limits::of_ranges(1.0, 3).unwrap());
    for (what, got, want) in [
        ("centre 2", two.centre, 1.128),
        ("warning 2", two.upper_warning, 2.833),
        ("action 2", two.upper_action, 3.686),
        ("centre 3", three.centre, 1.693),
        ("action 3", three.upper_action, 4.358),
    ] {
        close(what, got, want, 0.0005);
    }
    // DIFFERENCE: 3.470 is 1.693 + 2 × 0.8884 rounded up on the way; exactly it is 3.4693.
    close("warning 3", three.upper_warning, 3.470, 0.0008);
    assert_eq!((two.lower_action, two.lower_warning), (None, None));
}

/// Control values in % m/m for the tests of limits; invented.
const VALUES: [f64; 8] = [52.31, 52.40, 52.36, 52.29, 52.44, 52.35, 52.38, 52.30];

#[test]
fn limits_of_single_values_follow_deviation_or_moving_range() {
    // Mean, deviation and mean moving range over 1.128379 by NumPy.
    let by_s = individuals(&VALUES, Centre::Mean, Spread::StandardDeviation).unwrap();
    close("mean", by_s.limits.centre, 52.35375, 5e-12);
    close("s", by_s.limits.sigma, 0.052_355_242_608_275, 5e-13);
    close("rate", by_s.false_alarm_rate.unwrap(), false_alarm_rate(8, false).unwrap(), 0.0);
    let by_range = individuals(&VALUES, Centre::Reference(52.36), Spread::MovingRange).unwrap();
    close("sigma", by_range.limits.sigma, 0.069_632_115_571_288, 5e-13);
    let mean_range = VALUES.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum::<f64>() / 7.0;
    close("2.66 mean ranges", by_range.limits.upper_action - 52.36, 2.66 * mean_range, 0.005 * mean_range);
    assert!(by_s.preliminary && by_range.false_alarm_rate.is_none());
    assert!(individuals(&[52.3; 5], Centre::Mean, Spread::StandardDeviation).is_err());
    assert!(individuals(&[52.3], Centre::Mean, Spread::StandardDeviation).is_err());
}

#[test]
fn limits_of_subgroups_follow_range_or_deviation() {
    // Grand mean, R̄/d2 and s̄/c4 by NumPy.
    let groups = [vec![10.1, 10.3, 9.9], vec![10.0, 10.4, 10.2], vec![9.8, 10.1, 10.0], vec![10.2, 10.2, 10.5]];
    for (spread, sigma) in
        [(SubgroupSpread::Range, 0.206_786_282_605_643), (SubgroupSpread::StandardDeviation, 0.204_788_859_115_063)]
    {
        let charts = subgroups(&groups, Centre::Mean, spread).unwrap();
        close("sigma", charts.sigma_within, sigma, 1e-10);
        close("centre", charts.means.centre, 10.141_666_666_667, 1e-12);
        close("action", charts.means.upper_action - charts.means.centre, 3.0 * sigma / 3.0_f64.sqrt(), 1e-9);
    }
    assert!(subgroups(&[vec![1.0, 2.0], vec![1.0]], Centre::Mean, SubgroupSpread::Range).is_err());
}

#[test]
fn limits_of_proportions_are_exact_binomial_tails() {
    // SciPy binom.sf and binom.cdf, first counts with a tail of at most 0.00135.
    for (trials, p, upper, lower, above, below) in [
        (50, 0.04, 8, None, 0.000_781_405_278_347_157, 0.0),
        (200, 0.10, 35, Some(7), 0.000_784_346_654_067_166, 0.000_484_996_716_453_553),
        (1000, 0.03, 48, Some(14), 0.001_254_701_038_208_97, 0.000_802_714_115_872_2),
    ] {
        let limits = proportion_limits(trials, p, 0.0027).unwrap();
        assert_eq!((limits.upper, limits.lower), (Some(upper), lower));
        close("above", limits.upper_false_alarm, above, 1e-11);
        close("below", limits.lower_false_alarm, below, 1e-11);
    }
}

#[test]
fn charts_with_a_memory_follow_their_recursions() {
    // The recursions in plain Python.
    let points = [0.5, 1.2, -0.3, 2.0, 1.8, 2.2];
    let ewma = Ewma::new(0.2, 2.962).unwrap().chart(&points, EwmaLimits::Exact).unwrap();
    let averages = [0.1, 0.32, 0.196, 0.5568, 0.80544, 1.084352];
    let limits = [0.5924, 0.758_642_16, 0.848_104_97, 0.900_709_87, 0.932_821_44, 0.952_805_07];
    for ((point, average), limit) in ewma.iter().zip(averages).zip(limits) {
        close("average", point.average, average, 1e-14);
        close("limit", point.limit, limit, 5e-9);
    }
    assert_eq!(ewma.iter().position(|point| point.beyond), Some(5));
    let cusum = Cusum::new(0.5, 4.0).unwrap().chart(&points, 0.0).unwrap();
    for (point, upper) in cusum.iter().zip([0.0, 0.7, 0.0, 1.5, 2.8, 4.5]) {
        close("upper", point.upper, upper, 1e-14);
        close("lower", point.lower, 0.0, 0.0);
    }
    assert!(cusum[5].beyond && !cusum[4].beyond);
    assert_eq!(cusum[5].points_since_zero, 3);
}

#[test]
fn the_periodic_review_counts_the_last_sixty_and_averages_the_last_twenty() {
    // Independent computation: about 3 of 60 expected outside warning; more than 6 or fewer than 1, or a mean of 20 beyond
    // 0.35 s, is a change.
    let limits = Limits::new(100.0, 2.0).unwrap();
    let series = |outside: usize, last: f64| -> Vec<f64> {
        (0..60)
            .map(|i| {
                if i < outside {
                    104.5
                } else if i >= 40 {
                    last
                } else {
                    100.0
                }
            })
            .collect()
    };
    let review = |outside, last| periodic_review(&series(outside, last), &limits).unwrap();
    assert_eq!(review(3, 100.0).outside_warning, Review::Unchanged(3));
    assert_eq!(review(6, 100.0).outside_warning, Review::Unchanged(6));
    assert_eq!(review(7, 100.0).outside_warning, Review::Changed(7));
    assert_eq!(review(0, 100.0).outside_warning, Review::Changed(0));
    assert_eq!(review(3, 100.5).centre_shift, Review::Unchanged(0.25));
    assert_eq!(review(3, 101.0).centre_shift, Review::Changed(0.5));
    let long = long_term(&VALUES, 52.36, 0.02).unwrap();
    close("bias", long.bias, -0.00625, 5e-12);
    // √(0.0523552²/8 + 0.02²) in plain Python.
    close("u(bias)", long.u_bias, 0.027_251_3, 5e-8);
}

// NIST/SEMATECH e-Handbook, 6.3.2.4 (data and limits from memory): 09_regression_comparison_tests.json, NIST_EWMA. The averages
// are printed to two decimals. The limits are those of a long series.
#[test]
fn the_weighted_averages_of_the_handbook_come_out() {
    let table = crate::data::json("09_regression_comparison_tests.json");
    let set = table.as_array().unwrap().iter().find(|entry| entry["id"] == "NIST_EWMA").unwrap();
    let value = |name: &str| set[name].as_f64().unwrap();
    let (target, sd) = (value("target"), value("sd"));
    let points: Vec<f64> =
        set["data"].as_array().unwrap().iter().map(|x| (x.as_f64().unwrap() - target) / sd).collect();
    let chart = Ewma::new(value("lambda_"), 3.0).unwrap();
    let drawn = chart.chart(&points, EwmaLimits::Asymptotic).unwrap();
    let printed = set["computed"]["ewma_rounded"].as_array().unwrap();
    assert_eq!((drawn.len(), printed.len()), (20, 20));
    for (point, printed) in drawn.iter().zip(printed) {
        close("average", target + sd * point.average, printed.as_f64().unwrap(), 0.005 * (1.0 + 1e-6));
        assert!(!point.beyond);
    }
    let half = sd * chart.asymptotic_limit();
    for (column, tolerance) in [("computed", 5e-8), ("published", 5.1e-5)] {
        close("upper limit", target + half, set[column]["UCL"].as_f64().unwrap(), tolerance);
        // The handbook prints 47.4115 for 47.41157: cut off.
        let cut = if column == "published" { 1e-4 } else { tolerance };
        close("lower limit", target - half, set[column]["LCL"].as_f64().unwrap(), cut);
    }
}

#[test]
fn limits_from_action_limits_and_from_ranges_are_those_of_the_definitions() {
    // Independent computation: 118.0 and a third of the distance to 119.2.
    let limits = Limits::between_action(116.8, 119.2).unwrap();
    close("centre", limits.centre, 118.0, 1e-12);
    close("sigma", limits.sigma, 0.4, 1e-12);
    assert!(Limits::between_action(119.2, 116.8).is_err());
    assert!(Limits::between_action(f64::NAN, 116.8).is_err());
    // D4 of two values is 3.2665319 (04_control_chart_constants.csv): upper action limit D4 times the mean range.
    let found = ranges(&[0.10, 0.30, 0.20, 0.20], 2).unwrap();
    close("mean range", found.limits.centre, 0.20, 1e-12);
    close("D4 R", found.limits.upper_action, 3.266_531_9 * 0.20, 1e-8);
    assert!(found.preliminary && found.false_alarm_rate.is_none());
    assert!(ranges(&[0.0, 0.0], 2).is_err() && ranges(&[0.1, -0.1], 2).is_err() && ranges(&[0.1], 2).is_err());
}

#[test]
fn duplicates_and_resolution_are_plain_arithmetic() {
    let pair = duplicates(100.2, 99.8).unwrap();
    close("difference", pair.difference, 0.4, 1e-12);
    close("relative", pair.relative_difference_percent.unwrap(), 0.4, 1e-12);
    assert_eq!(duplicates(1.0, -1.0).unwrap().relative_range_percent, None);
    assert!(duplicates(f64::NAN, 1.0).is_err());
    // Common practice, no source: three steps.
    assert!(resolution(0.3, 0.1).unwrap().suffices && !resolution(0.29, 0.1).unwrap().suffices);
    assert!(resolution(0.3, 0.0).is_err());
}

#[test]
fn a_chart_with_a_memory_goes_on_from_it_as_if_never_stopped() {
    let points: Vec<f64> = (0..40).map(|i| (f64::from(i) * 1.3).sin() * 2.0 + 0.2).collect();
    let (cusum, ewma) = (Cusum::new(0.5, 5.0).unwrap(), Ewma::new(0.2, 2.962).unwrap());
    let mut sums = CusumMemory::starting_at(2.5);
    let mut average = EwmaMemory::default();
    for (i, whole) in cusum.chart(&points, 2.5).unwrap().iter().enumerate() {
        assert_eq!(cusum.step(&mut sums, points[i]).unwrap(), *whole);
    }
    for (i, whole) in ewma.chart(&points, EwmaLimits::Exact).unwrap().iter().enumerate() {
        assert_eq!(ewma.step(&mut average, points[i], EwmaLimits::Exact).unwrap(), *whole);
    }
    let before = (sums, average);
    assert!(cusum.step(&mut sums, f64::NAN).is_err() && ewma.step(&mut average, f64::NAN, EwmaLimits::Exact).is_err());
    assert_eq!((sums, average), before);
}

/// NIST/SEMATECH e-Handbook, 7.2.3: ten wafers, s = 13.97 ohm cm, claimed 10: chi-squared 17.56 with 9 degrees of freedom, beyond
/// 16.92 (5 %) and short of 19.02 (2.5 %) and 21.67 (1 %) of its table of critical values (1.3.6.7.4). Numbers from memory.
/// Normal distribution, two-sided 1 %: 2.576 (1.3.6.7.1).
#[test]
fn a_budget_is_held_against_its_chart_as_the_handbook_tests_a_standard_deviation() {
    let wafers = |n, s_rw, bias| LongTerm {
        n,
        mean: 100.0,
        s_rw,
        bias,
        u_bias: 0.0,
        relative_s_rw_percent: None,
        relative_bias_percent: None,
    };
    let claim = Claim { u: 10.0, u_assigned: Some(0.0) };
    let held = hold(&wafers(10, 13.97, 25.7), claim).unwrap();
    close("chi-squared", held.scatter.statistic, 17.56, 0.005);
    close("critical", held.scatter.critical, 21.67, 0.005);
    assert!((0.025..0.05).contains(&held.scatter.p) && !held.scatter.refuted, "{held:?}");
    // s^2 - u^2 = 195.16 - 100, by hand.
    close("lacking", held.lacking, 9.755, 0.0005);
    let bias = held.bias.unwrap();
    close("bias", bias.statistic, 2.57, 1e-12);
    close("critical", bias.critical, 2.576, 0.0005);
    assert!(!bias.refuted && !held.is_refuted());
    assert!(hold(&wafers(10, 13.97, -25.8), claim).unwrap().is_refuted());
    // 9 * (15.6 / 10)^2 = 21.90, by hand.
    assert!(hold(&wafers(10, 15.6, 0.0), claim).unwrap().scatter.refuted);
    assert!(hold(&wafers(7, 13.97, 0.0), claim).is_err(), "fewer than eight values");
    assert!(hold(&wafers(10, 0.0, 0.0), claim).is_ok_and(|held| held.lacking == 0.0 && held.scatter.p == 1.0));
    for u in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(hold(&wafers(10, 1.0, 0.0), Claim { u, u_assigned: None }).is_err(), "{u}");
    }
}
