//! Several determinations together, against iron(III) by difference and sums of squares by hand.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

#[path = "support/bath.rs"]
mod bath;
#[path = "support/baths.rs"]
#[expect(dead_code, reason = "a joint evaluation needs only some of them")]
mod baths;

use ferrotitre_core::chemistry::Expressed;
use ferrotitre_core::determination::{Detail, JointError, Record, Unit, evaluate, iron3, joint};
use ferrotitre_core::uncertainty::{CoverageRule, expand};
use proptest::prelude::*;

use baths::record;

fn near(found: f64, expected: f64) {
    assert!((found / expected - 1.0).abs() < 1e-9, "{found} for {expected}");
}

#[test]
fn a_difference_is_that_of_iron3() {
    let (total, iron2) = (record("t", 2346, &[0, 2]), record("i", 2146, &[0, 4]));
    let derived = iron3(&total, &iron2, Detail::Figures).unwrap();
    let together = joint(&[total, iron2], &[vec![1.0, -1.0]]).unwrap();
    let difference = together.combinations[0];
    near(difference.estimate.value(), derived.value.unwrap());
    near(difference.estimate.u(), derived.u.unwrap());
    near(difference.u_if_independent, derived.u_if_independent.unwrap());
    near(together.correlation[0][1].unwrap(), derived.correlation.unwrap());
    near(
        together.covariance[0][1],
        derived.correlation.unwrap() * together.results[0].estimate.u() * together.results[1].estimate.u(),
    );
}

/// n equal determinations: what they share stays in the mean, 0.03 mL over the root of 2 of each goes with the root of n. By hand.
#[test]
fn the_mean_of_a_batch_keeps_what_its_results_share() {
    let records: Vec<Record> = (0..9).map(|n| record(&format!("d{n}"), 2146, &[0, 0])).collect();
    let together = joint(&records, &[vec![1.0 / 9.0; 9], vec![1.0; 9]]).unwrap();
    let one = together.results[0].estimate.u();
    let own = 0.03 / 2.0_f64.sqrt() * 5.5845;
    let mean = together.combinations[0];
    near(mean.estimate.u(), (one * one - own * own + own * own / 9.0).sqrt());
    near(mean.u_if_independent, one / 3.0);
    near(together.combinations[1].estimate.u(), 9.0 * mean.estimate.u());
    near(together.correlation[3][7].unwrap(), 1.0 - own * own / (one * one));
}

/// Normal deviates by Box and Muller from a multiplicative generator (Park and Miller 1988, from memory): the same every time.
fn normals() -> impl FnMut() -> f64 {
    let mut state: u64 = 16_807;
    let mut uniform = move || {
        state = state * 16_807 % 2_147_483_647;
        state as f64 / 2_147_483_647.0
    };
    move || (-2.0 * uniform().ln()).sqrt() * (std::f64::consts::TAU * uniform()).cos()
}

/// JCGM 101:2008, 7: both results from draws of everything they were made with, what they share drawn once. Written out by hand.
#[test]
fn covariances_are_those_of_a_simulation() {
    const DRAWS: usize = 200_000;
    let records = [record("a", 2146, &[0, 0]), record("b", 3000, &[0, 0])];
    let together = joint(&records, &[]).unwrap();
    let mut normal = normals();
    let (mut sums, mut products) = ([0.0; 2], [0.0; 3]);
    let middle = [21.46, 30.0].map(|titre| 5.5845 * titre);
    for _ in 0..DRAWS {
        let shared_ml = 0.012 * normal() + 0.01 * normal();
        let factor = (1.0 + 0.0015 * normal()) * (1.0 + 0.08 / 250.0 * normal())
            / ((1.0 + 0.001 * normal()) * (1.0 + 0.015 / 25.0 * normal()));
        let mut off = [0.0; 2];
        for (at, titre) in [21.46, 30.0].into_iter().enumerate() {
            let own_ml = 0.03 / 2.0_f64.sqrt() * normal();
            off[at] = 5.5845 * (titre + own_ml + shared_ml) * factor - middle[at];
            sums[at] += off[at];
        }
        for (product, (i, j)) in products.iter_mut().zip([(0, 0), (0, 1), (1, 1)]) {
            *product += off[i] * off[j];
        }
    }
    let n = DRAWS as f64;
    for (product, (i, j)) in products.iter().zip([(0, 0), (0, 1), (1, 1)]) {
        let simulated = product / n - sums[i] / n * (sums[j] / n);
        // Three standard deviations of a variance from so many draws: 3 sqrt(2 / n), 0.95 %.
        let found = together.covariance[i][j];
        assert!((found / simulated - 1.0).abs() < 0.01, "{found} for {simulated} at {i}, {j}");
    }
}

/// U of each is the one it is reported with, also where titres disagree: with a repeatability of two degrees of freedom and one that
/// needs none, Welch and Satterthwaite alone would state the wider scatter more tightly.
#[test]
fn each_result_has_the_expanded_uncertainty_it_is_reported_with() {
    let mut records = [record("a", 2146, &[0, 2]), record("b", 2146, &[0, 0, 0, 11])];
    for record in &mut records {
        record.rules.sigma_r_ml = Some((0.08, Some(2.0)));
        record.rules.reporting.coverage = CoverageRule::Probability(0.95);
    }
    let together = joint(&records, &[]).unwrap();
    let mut shortened = 0;
    for (record, of) in records.iter().zip(&together.results) {
        let alone = evaluate(record, Detail::Figures).unwrap().reported.unwrap().coverage;
        near(of.coverage.expanded_uncertainty, alone.expanded_uncertainty);
        let plain = expand(of.estimate.u(), of.estimate.degrees_of_freedom(), record.rules.reporting.coverage).unwrap();
        shortened += usize::from(plain.expanded_uncertainty < 0.99 * of.coverage.expanded_uncertainty);
    }
    assert_eq!(shortened, 1);
}

#[test]
fn what_cannot_be_taken_together_is_said() {
    let (one, mut other) = (record("a", 2146, &[0, 2]), record("b", 2146, &[0, 2]));
    assert_eq!(
        joint(&[one.clone(), other.clone()], &[vec![1.0]]),
        Err(JointError::Coefficients { found: 1, wanted: 2 })
    );
    other.titrations.truncate(1);
    assert_eq!(joint(&[one.clone(), other.clone()], &[]), Err(JointError::NoResult { at: 2 }));
    other.rules.reporting.unit = Unit::MilligramsPerLitre;
    assert!(matches!(joint(&[one.clone(), other.clone()], &[]), Err(JointError::UnitsDiffer { at: 2, .. })));
    other.rules.reporting.unit = Unit::GramsPerLitre;
    other.rules.reporting.expressed = Expressed::IronIIIOxide;
    assert!(matches!(joint(&[one, other], &[]), Err(JointError::UnitsDiffer { at: 2, .. })));
    assert_eq!(joint(&[], &[]), Err(JointError::NoResult { at: 1 }));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// u² of a combination is the quadratic form of the covariances: JCGM 100:2008, equation (13).
    #[test]
    fn a_combination_has_the_u_of_its_covariances(
        bases in prop::collection::vec(800i64..4500, 2..6), seed in prop::collection::vec(-3.0f64..3.0, 6),
    ) {
        let records: Vec<Record> =
            bases.iter().enumerate().map(|(at, base)| record(&format!("d{at}"), *base, &[0, 4])).collect();
        let a: Vec<f64> = seed.iter().copied().take(records.len()).collect();
        let together = joint(&records, std::slice::from_ref(&a)).unwrap();
        let form: f64 = (0..a.len()).flat_map(|i| (0..a.len()).map(move |j| (i, j)))
            .map(|(i, j)| a[i] * a[j] * together.covariance[i][j]).sum();
        let u = together.combinations[0].estimate.u();
        prop_assert!((u * u - form).abs() <= 1e-9 * together.covariance[0][0].max(u * u));
    }
}
