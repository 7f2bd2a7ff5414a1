//! Studentised range, critical range factors, agreement by chance. Files and their sources: `data/README.md`.
use crate::data;
use ferrotitre_core::statistics::agreement::{
    StudentisedRange, chance_agreement, critical_range_factor, critical_range_factors,
};

#[test]
fn critical_range_factors_agree_with_every_row() {
    for row in data::rows("06_critical_range_factors.csv") {
        let number = |name: &str| row[name].parse::<f64>().ok();
        let n: u32 = row["n"].parse().unwrap();
        let exact = critical_range_factors(n, 0.95).unwrap();
        for column in ["q_0.95_inf_quadrature", "q_0.95_scipy"] {
            assert!((exact.exact - number(column).unwrap()).abs() < 5.1e-7, "{row:?}: {}", exact.exact);
        }
        let wide = critical_range_factor(n, 0.99).unwrap();
        assert!((wide - number("q_0.99_inf_quadrature").unwrap()).abs() < 5.1e-7, "{row:?}: {wide}");
        assert!((exact.exact - number("f_rounded_0.1").unwrap()).abs() <= 0.05, "{row:?}");
        assert_eq!(exact.rounded, number("ISO_5725_6_FROM_MEMORY"), "{row:?}");
    }
    // Independent computation, n = 2 to 10.
    let exact = [2.7718, 3.3145, 3.6332, 3.8577, 4.0301, 4.1696, 4.2863, 4.3865, 4.4741];
    let printed = [2.8, 3.3, 3.6, 3.9, 4.0, 4.2, 4.3, 4.4, 4.5];
    for ((n, exact), printed) in (2..).zip(exact).zip(printed) {
        let found = critical_range_factors(n, 0.95).unwrap();
        assert!((found.exact - exact).abs() < 5e-5 && found.rounded == Some(printed), "{found:?}");
    }
}

#[test]
fn studentised_range_quantiles_agree_with_every_row() {
    for row in data::rows("06_studentized_range.csv") {
        let number = |name: &str| row[name].parse::<f64>().unwrap();
        let range = StudentisedRange::new(row["k"].parse().unwrap(), number("df")).unwrap();
        let found = range.upper_quantile(number("alpha")).unwrap();
        assert!((found - number("q_scipy")).abs() < 5.1e-7, "{row:?}: {found}");
    }
}

#[test]
fn agreement_by_chance_is_as_frequent_as_the_requirement_says() {
    // Independent computation: sd 0.10, limit 0.10: 52 %, 90.5 %, 99.3 % and about 100 % for 2, 3, 4 and 6 titres; the second
    // and third are low by 0.1 and 0.07 %. NumPy 2.4.6, 4e6 sets: 0.906187 (se 0.000146), 0.993726 (0.00004), 0.999999.
    let some_pair = |n| chance_agreement(n, 2, 0.10, 0.10).unwrap().probability;
    assert!((some_pair(3) - 0.906187).abs() < 4.0 * 0.000146, "{}", some_pair(3));
    assert!((some_pair(4) - 0.993726).abs() < 4.0 * 0.00004, "{}", some_pair(4));
    assert!(some_pair(6) > 0.99999);
    for (n, stated) in [(2, 0.52), (3, 0.905), (4, 0.993), (6, 1.0)] {
        assert!((some_pair(n) - stated).abs() < 0.0012, "{n}: {}", some_pair(n));
    }
    // 2 Φ(1/√2) − 1 = 0.520499877813 (error function of ½, any table).
    assert!((some_pair(2) - 0.520499877813).abs() < 5e-13);
}
