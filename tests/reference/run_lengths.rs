//! Comparisons of run lengths: combined rules, weighted averages and cumulative sums.

use ferrotitre_core::control::cusum::Cusum;
use ferrotitre_core::control::ewma::Ewma;
use ferrotitre_core::control::limits::{false_alarm_rate, sigma_ratio};
use ferrotitre_core::control::rules::{any_side, same_side};
use ferrotitre_core::control::run_length::{Chain, run_length, with_estimated_limits};
use ferrotitre_core::control::{Pattern, Process, Rule, RuleSet};

use crate::control::{Row, close, half_digit, number};
use crate::data::rows;

fn set(patterns: &[Pattern]) -> RuleSet {
    RuleSet::new(patterns.iter().map(|&pattern| Rule::rejecting(pattern)).collect()).unwrap()
}

fn average(patterns: &[Pattern], shift: f64) -> f64 {
    run_length(&set(patterns), Process::shifted(shift)).unwrap().average()
}

#[test]
fn few_baseline_points_cost_false_alarms() {
    // By an independent computation.
    for (n, percent, tolerance) in [(5, 5.2, 0.05), (10, 1.9, 0.05), (20, 0.86, 0.005), (60, 0.42, 0.005)] {
        close(&format!("n {n}"), 100.0 * false_alarm_rate(n, false).unwrap(), percent, tolerance);
    }
    for (n, low, high) in [(10, 0.69, 1.83), (20, 0.76, 1.46), (60, 0.85, 1.22)] {
        let interval = sigma_ratio(n).unwrap();
        close("low", interval.low, low, 0.005);
        close("high", interval.high, high, 0.005);
    }
}

#[test]
fn the_first_point_after_an_estimated_baseline_has_the_exact_false_alarm_rate() {
    // Quadrature over mean and deviation against the closed form with Student's t.
    let rules = RuleSet::action_limits_only();
    for n in [5, 10, 20, 60] {
        for known in [false, true] {
            let run = with_estimated_limits(&rules, n, known, 0.0).unwrap();
            close("rate", run.probability_of_mark(1), false_alarm_rate(n, known).unwrap(), 2e-6);
        }
    }
    assert!(with_estimated_limits(&rules, 10, false, 0.0).unwrap().average().is_err());
}

const C1: Pattern = same_side(1, 1, 3.0);
const C2: Pattern = same_side(2, 3, 2.0);
const C3: Pattern = same_side(4, 5, 1.0);
const C4: Pattern = same_side(8, 8, 0.0);
const C5: Pattern = same_side(2, 2, 2.0);
const C7: Pattern = same_side(1, 1, 3.09);
const C8: Pattern = same_side(2, 3, 1.96);
const C9: Pattern = same_side(8, 8, 0.0);

/// Champ and Woodall's notation: digits after C are the rules of the set.
fn champ_woodall(name: &str) -> Vec<Pattern> {
    name.chars()
        .skip(1)
        .map(|digit| match digit {
            '1' => C1,
            '2' => C2,
            '3' => C3,
            '4' => C4,
            '5' => C5,
            '7' => C7,
            '8' => C8,
            '9' => C9,
            other => panic!("{other}"),
        })
        .collect()
}

fn shifts(row: &Row) -> impl Iterator<Item = (f64, &str)> {
    row.iter().filter_map(|(name, text)| Some((name.strip_prefix("shift_")?.parse().ok()?, text.as_str())))
}

#[test]
fn run_lengths_of_combined_rules_are_those_of_an_independent_chain() {
    let mut checked = 0;
    for row in rows("05_run_rules_arl.csv") {
        let chain = Chain::new(&set(&champ_woodall(&row["set"]))).unwrap();
        for (shift, text) in shifts(&row) {
            let got = chain.run_length(Process::shifted(shift)).unwrap().average();
            close(&format!("{} at {shift}", row["set"]), got, text.parse().unwrap(), half_digit(text) * 1.01);
            checked += 1;
        }
    }
    assert_eq!(checked, 160);
}

#[test]
fn run_lengths_are_those_of_champ_and_woodall() {
    for row in rows("05_champ_woodall_published_vs_computed.csv") {
        let got = average(&champ_woodall(&row["set"]), number(&row, "shift"));
        // One row (C1234 at 0.6) is printed 20.90 and is 20.9051: the publication's own rounding.
        close(&row["set"], got, number(&row, "champ_woodall_1987_FROM_MEMORY"), 0.0052);
    }
}

fn single_rule(name: &str) -> Vec<Pattern> {
    match name {
        "nelson1_1_beyond_3s" => vec![C1],
        "nelson2_9_same_side" => vec![same_side(9, 9, 0.0)],
        "8_same_side" => vec![C4],
        "10_same_side" => vec![same_side(10, 10, 0.0)],
        "nelson5_2of3_beyond_2s_same_side" => vec![C2],
        "nelson7_15_within_1s" => vec![Pattern::Within { count: 15, sigmas: 1.0 }],
        "4_1s_consecutive_beyond_1s_same_side" => vec![same_side(4, 4, 1.0)],
        "1_2s_1_beyond_2s" => vec![same_side(1, 1, 2.0)],
        "nelson8_8_none_within_1s" => vec![any_side(8, 8, 1.0)],
        name if name.starts_with("WE_1_2_3_4") => champ_woodall("C1234"),
        name if name.starts_with("multirule") => vec![C1, C5, same_side(4, 4, 1.0), same_side(10, 10, 0.0)],
        other => panic!("{other}"),
    }
}

#[test]
fn run_lengths_of_single_rules_are_those_of_an_independent_chain() {
    for row in rows("05_single_rules_arl.csv") {
        let chain = Chain::new(&set(&single_rule(&row["rule"]))).unwrap();
        for (shift, text) in shifts(&row) {
            let got = chain.run_length(Process::shifted(shift)).unwrap().average();
            let want: f64 = text.parse().unwrap();
            if row["rule"].starts_with("nelson7") && shift > 0.5 {
                // The table's linear equations lose digits as the length grows and turn negative at 2.6; a run of m has
                // the closed form (1 − pᵐ) / ((1 − p) pᵐ), p = P(|z| ≤ 1), evaluated here by the C library's erfc.
                let p = within_one(shift);
                let exact = (1.0 - p.powi(15)) / ((1.0 - p) * p.powi(15));
                close(&format!("15 within 1 s at {shift}"), got / exact, 1.0, 1e-9);
                if shift < 1.7 {
                    close(&format!("15 within 1 s at {shift}"), got / want, 1.0, 1e-6);
                }
            } else {
                close(&format!("{} at {shift}", row["rule"]), got, want, half_digit(text) * 1.01);
            }
        }
    }
}

/// P(|z + shift| ≤ 1) by Simpson's rule, independent of the distributions of the crate.
fn within_one(shift: f64) -> f64 {
    let density = |x: f64| (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let (steps, a) = (2000, -1.0 - shift);
    let h = 2.0 / f64::from(steps);
    let weight = |i: i32| {
        if i == 0 || i == steps {
            1.0
        } else if i % 2 == 1 {
            4.0
        } else {
            2.0
        }
    };
    (0..=steps).map(|i| weight(i) * density(a + h * f64::from(i))).sum::<f64>() * h / 3.0
}

#[test]
fn run_lengths_of_sets_of_rules_are_those_computed_independently() {
    // Independent computation.
    let ten_of_eleven = same_side(10, 11, 0.0);
    for (what, patterns, want, tolerance) in [
        ("1 beyond 3 s", vec![C1], 370.40, 0.005),
        ("with 2 of 3, same side", vec![C1, C2], 225.44, 0.005),
        ("with 2 of 3, any side", vec![C1, any_side(2, 3, 2.0)], 166.56, 0.005),
        ("10 of 11", vec![ten_of_eleven], 225.57, 0.005),
        // DIFFERENCE: the table prints 2881.6. Counting permutations by the rank of their last element, in plain
        // arithmetic elsewhere, gives 2881.851877 (and 421.598626, which the table rounds to 421.6).
        ("7 points steady", vec![Pattern::Steady { points: 7 }], 2881.851877, 5e-6),
        ("6 points steady", vec![Pattern::Steady { points: 6 }], 421.598626, 5e-7),
        ("8 in a row", vec![C4], 255.0, 1e-8),
        ("9 in a row", vec![same_side(9, 9, 0.0)], 511.0, 1e-8),
        ("with 4 of 5", vec![C1, C3], 166.05, 0.005),
        ("all four", vec![C1, C2, C3, C4], 91.75, 0.005),
        ("with 2 of 3 and 10 of 11", vec![C1, C2, ten_of_eleven], 115.7, 0.05),
    ] {
        close(what, average(&patterns, 0.0), want, tolerance);
    }
    for (shift, want, tolerance) in [(0.5, 31.9, 0.05), (1.0, 11.3, 0.05), (2.0, 3.57, 0.005)] {
        close("default without trend", average(&[C1, C2, ten_of_eleven], shift), want, tolerance);
    }
    // Values of Champ and Woodall (Technometrics 29, 1987, 393), from memory.
    for (name, want) in [("C14", 152.73), ("C123", 132.89), ("C124", 122.05), ("C134", 105.78)] {
        close(name, average(&champ_woodall(name), 0.0), want, 0.005);
    }
}

#[test]
fn rules_that_compare_points_agree_with_an_independent_simulation() {
    for row in rows("05_nelson_simulation.csv") {
        let nelson = RuleSet::nelson();
        let patterns: Vec<Pattern> = nelson.rules().iter().map(|rule| rule.pattern).collect();
        let pick = |numbers: &[usize]| numbers.iter().map(|n| patterns[n - 1]).collect::<Vec<_>>();
        let chosen = match row["set"].as_str() {
            "nelson3_6_trend" => pick(&[3]),
            "nelson4_14_alternating" => pick(&[4]),
            "nelson1..8_all" => pick(&[1, 2, 3, 4, 5, 6, 7, 8]),
            "nelson1_2_3_4" => pick(&[1, 2, 3, 4]),
            "check_nelson1_2_5_6" => pick(&[1, 2, 5, 6]),
            "check_nelson8" => pick(&[8]),
            other => panic!("{other}"),
        };
        let got = average(&chosen, number(&row, "shift"));
        // Nineteen comparisons: 3.5 standard errors are passed by chance in one table of a hundred.
        close(&row["set"], got, number(&row, "arl"), 3.5 * number(&row, "se"));
    }
}

#[test]
fn ewma_run_lengths_are_those_of_an_independent_solution() {
    for row in rows("05_ewma_arl.csv") {
        let chart = Ewma::new(number(&row, "lambda"), number(&row, "L")).unwrap();
        for (shift, text) in shifts(&row) {
            let got = chart.average_run_length(shift).unwrap();
            close(&format!("{chart:?} at {shift}"), got, text.parse().unwrap(), half_digit(text) * 1.01);
        }
    }
    for row in rows("05_ewma_lucas_saccucci_published_vs_computed.csv") {
        let chart = Ewma::new(number(&row, "lambda"), number(&row, "L")).unwrap();
        let got = chart.average_run_length(number(&row, "shift")).unwrap();
        close("independent", got, number(&row, "computed"), 0.000_051);
        let text = &row["lucas_saccucci_1990_FROM_MEMORY"];
        // The publication's chain of states is itself an approximation: up to 2 in its last digit.
        close(&format!("{chart:?}"), got, text.parse().unwrap(), 4.0 * half_digit(text));
    }
}

#[test]
fn cusum_run_lengths_are_those_of_an_independent_solution() {
    let check = |chart: &Cusum, shift: f64, what: &str, text: &str, got: f64| {
        close(&format!("{chart:?} at {shift}, {what}"), got, text.parse().unwrap(), half_digit(text) * 1.01);
    };
    for row in rows("05_cusum_arl.csv") {
        let (h, shift) = (number(&row, "h"), number(&row, "shift"));
        let chart = Cusum::new(number(&row, "k"), h).unwrap();
        let upper = chart.average_run_length_upper(shift, 0.0).unwrap();
        check(&chart, shift, "upper", &row["arl_one_sided_upper_S0=0"], upper);
        check(&chart, shift, "two", &row["arl_two_sided_S0=0"], chart.average_run_length(shift, 0.0).unwrap());
        let fast = chart.average_run_length(shift, 0.5 * h).unwrap();
        check(&chart, shift, "fast", &row["arl_two_sided_FIR_S0=h/2"], fast);
        let siegmund = chart.siegmund(shift).unwrap();
        check(&chart, shift, "Siegmund", &row["siegmund_one_sided"], siegmund.upper);
        check(&chart, shift, "Siegmund, two", &row["siegmund_two_sided"], siegmund.two_sided);
    }
}

#[test]
fn cusum_run_lengths_are_those_of_lucas_and_crosier() {
    for row in rows("05_cusum_lucas_crosier_published_vs_computed.csv") {
        let (h, shift) = (number(&row, "h"), number(&row, "shift"));
        let chart = Cusum::new(number(&row, "k"), h).unwrap();
        for (column, computed, start) in
            [("two_sided_FROM_MEMORY", "computed", 0.0), ("two_sided_FIR_half_h_FROM_MEMORY", "computed_FIR", 0.5 * h)]
        {
            let got = chart.average_run_length(shift, start).unwrap();
            close(column, got, number(&row, computed), 0.000_051);
            let text = &row[column];
            // Printed to three figures: 17.0 stands for 17.05, and the publication's states are an approximation.
            close(&format!("{chart:?} at {shift}"), got, text.parse().unwrap(), half_digit(text) * 1.4);
        }
    }
}
