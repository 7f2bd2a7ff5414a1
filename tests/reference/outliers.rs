//! Outlier tests: Dixon, Grubbs, Cochran. Files and their sources: `data/README.md`.
use crate::data;
use ferrotitre_core::statistics::outliers::dixon::{self, Ratio};
use ferrotitre_core::statistics::outliers::{Obtained, Sidedness};
use std::collections::BTreeMap;

type Row = BTreeMap<String, String>;

fn number(row: &Row, name: &str) -> f64 {
    row[name].parse().unwrap_or_else(|error| panic!("{name} of {row:?}: {error}"))
}

fn count(row: &Row, name: &str) -> usize {
    row[name].parse().unwrap_or_else(|error| panic!("{name} of {row:?}: {error}"))
}

fn ratio(row: &Row) -> Ratio {
    *Ratio::ALL.iter().find(|ratio| ratio.name() == row["stat"]).unwrap()
}

#[test]
fn dixon_critical_values_agree_with_every_row_of_an_independent_quadrature() {
    let rows = data::rows("02_dixon_critical_exact.csv");
    assert!(rows.len() > 600);
    for row in rows {
        let (n, alpha) = (count(&row, "n"), number(&row, "alpha_one_sided"));
        let found = dixon::critical(ratio(&row), n, alpha, Sidedness::OneSided).unwrap();
        // The file's own error is stated as below 1e-6; it prints six decimals.
        assert!((found.value - number(&row, "crit")).abs() < 1.1e-6, "{row:?}: {}", found.value);
        assert_eq!(found.obtained, Obtained::Exact);
        let doubled = dixon::critical_bonferroni(ratio(&row), n, number(&row, "alpha_two_sided_bonferroni")).unwrap();
        assert!((doubled.value - found.value).abs() < 1e-10);
        assert_eq!(doubled.obtained, Obtained::Bonferroni);
    }
}

#[test]
fn dixon_two_sided_critical_values_of_r10_are_those_of_the_larger_end() {
    for row in data::rows("02_dixon_r10_two_sided_exact.csv") {
        let (n, alpha) = (count(&row, "n"), number(&row, "alpha_two_sided"));
        let exact = dixon::critical(Ratio::R10, n, alpha, Sidedness::TwoSided).unwrap();
        let bonferroni = dixon::critical_bonferroni(Ratio::R10, n, alpha).unwrap();
        assert!((exact.value - number(&row, "crit_exact_max")).abs() < 1.1e-6, "{row:?}: {}", exact.value);
        assert!((bonferroni.value - number(&row, "crit_bonferroni")).abs() < 1.1e-6, "{row:?}: {}", bonferroni.value);
        assert_eq!((exact.obtained, bonferroni.obtained), (Obtained::Exact, Obtained::Bonferroni));
    }
}

#[test]
fn dixon_critical_values_agree_with_every_row_of_a_simulation() {
    let mut sum = 0.0;
    let mut compared = 0;
    for row in data::rows("02_dixon_monte_carlo.csv") {
        let (n, alpha) = (count(&row, "n"), number(&row, "alpha"));
        let (crit, error) = (number(&row, "crit"), number(&row, "mc_standard_error"));
        let sidedness = if row["sided"] == "one" { Sidedness::OneSided } else { Sidedness::TwoSided };
        let found = dixon::critical(ratio(&row), n, alpha, sidedness).unwrap();
        // Six printed decimals add half a unit of the last.
        let z = (found.value - crit) / error.hypot(3e-7);
        if found.obtained == Obtained::Exact {
            assert!(z.abs() < 4.0, "{row:?}: {} is {z} standard errors off", found.value);
            sum += z * z;
            compared += 1;
        } else {
            // Twice the tail of one end bounds the probability from above, so the value may only be larger: by at most
            // 0.036 at 20 %, n = 4 (0.005 at 5 %, n = 10, by data/README.md).
            assert!(z > -4.0 && found.value - crit < 0.05, "{row:?}: {} against {crit}", found.value);
        }
    }
    let mean_square = sum / f64::from(compared);
    assert!(compared > 900 && (0.7..1.3).contains(&mean_square), "{compared} rows, mean z² {mean_square}");
}

#[test]
fn printed_dixon_values_are_shown_as_printed_and_their_errors_are_the_known_ones() {
    let one = data::rows("02_dixon_published_one_sided_vs_exact.csv");
    let two = data::rows("02_dixon_published_two_sided_r10_vs_exact.csv");
    let one = one.iter().map(|row| (row, ratio(row), "alpha_one_sided", Sidedness::OneSided));
    let two = two.iter().map(|row| (row, Ratio::R10, "alpha_two_sided", Sidedness::TwoSided));
    for (row, ratio, column, sidedness) in one.chain(two) {
        let (n, alpha) = (count(row, "n"), number(row, column));
        let printed = dixon::published(ratio, n, alpha, sidedness).unwrap();
        assert!((printed.value - number(row, "published")).abs() < 1e-12, "{row:?}");
        assert!(matches!(printed.obtained, Obtained::Published { .. }));
        let exact = match sidedness {
            Sidedness::OneSided => dixon::critical(ratio, n, alpha, sidedness),
            Sidedness::TwoSided => dixon::critical_bonferroni(ratio, n, alpha),
        };
        let exact = exact.unwrap().value;
        assert!((exact - number(row, "computed_exact")).abs() < 6e-6, "{row:?}: {exact}");
        assert!((printed.value - exact - number(row, "published_minus_computed")).abs() < 5.1e-5, "{row:?}");
    }
}

#[test]
fn dixon_values_of_the_requirements_are_met() {
    // Requirement 3.5: r10, n = 4 to 7, 5 %.
    let expected = [(4, 0.8298, 0.7655), (5, 0.7102, 0.6424), (6, 0.6275, 0.5624), (7, 0.5690, 0.5073)];
    for (n, two, one) in expected {
        let found = |sidedness| dixon::critical(Ratio::R10, n, 0.05, sidedness).unwrap().value;
        assert!((found(Sidedness::TwoSided) - two).abs() < 5e-5);
        assert!((found(Sidedness::OneSided) - one).abs() < 5e-5);
    }
    // The same place: older tables print 0.625 and 0.568 for n = 6 and 7, true levels 5.13 % and 5.07 %, by simulation of
    // 4e6 sets, whose standard error is 0.011 %; four of them are allowed.
    let level = |n, r| dixon::p_value(Ratio::R10, n, r, Sidedness::TwoSided).unwrap().value;
    assert!((level(6, 0.625) - 0.0513).abs() < 4.4e-4 && (level(7, 0.568) - 0.0507).abs() < 4.4e-4);
}
