//! What many determinations show of a budget, against sums by hand.
#![expect(clippy::unwrap_used, clippy::panic, reason = "a test stops at what it did not expect")]

#[path = "support/bath.rs"]
mod bath;
#[path = "support/baths.rs"]
#[expect(dead_code, reason = "evidence needs only some of them")]
mod baths;

use ferrotitre_core::control::drift::FactorPoint;
use ferrotitre_core::determination::{
    Detail, Evidence, Record, Seen, Standing, blanks_seen, duplicates_seen, factors_seen, iron3, titres_seen,
};

use baths::{blank, record};

fn near(found: f64, expected: f64) {
    assert!((found / expected - 1.0).abs() < 1e-9, "{found} for {expected}");
}

fn seen(evidence: Evidence) -> Seen {
    match evidence {
        Evidence::Seen(seen) => seen,
        other => panic!("{other:?}"),
    }
}

/// Determinations of two titres 0.02, 0.04 and 0.06 mL apart, three of each: half of the squares of the differences is
/// 3 (0.0004 + 0.0016 + 0.0036) / 2 = 0.0084 mL2 with 9 degrees of freedom; over 0.03^2 that is 9.3333.
#[test]
fn scatter_of_titres_is_pooled_within_determinations() {
    let records: Vec<Record> =
        (0..9).map(|n| record(&format!("d{n}"), 2000 + 100 * n, &[0, 2 + 2 * (n % 3)])).collect();
    let of = seen(titres_seen(&records).unwrap());
    assert_eq!((of.values, of.degrees_of_freedom), (18, 9));
    near(of.seen, (0.0084_f64 / 9.0).sqrt());
    near(of.claimed, 0.03);
    near(of.test.statistic, 0.0084 / 0.0009);
    // Chi-squared, 9 degrees of freedom, upper 1 %: 21.666 (NIST/SEMATECH e-Handbook, 1.3.6.7.4; from memory).
    assert!((of.test.critical - 21.666).abs() < 5e-4 && !of.test.refuted, "{of:?}");
    // One that is discordant has a u of its own.
    let mut with_discordant = records.clone();
    with_discordant.push(record("discordant", 2146, &[0, 0, 900, 1900]));
    assert_eq!(seen(titres_seen(&with_discordant).unwrap()), of);
    // A repeatability of a third is refuted by the same titres; a rejected one has no say.
    let mut tighter = records.clone();
    tighter.iter_mut().for_each(|record| record.rules.sigma_r_ml = Some((0.01, None)));
    assert!(seen(titres_seen(&tighter).unwrap()).test.refuted);
    let rejected = |record: &mut Record| {
        record.titrations[1].standing = Standing::Rejected { cause: "spill".into(), reason: "spilt".into() };
    };
    tighter.iter_mut().take(2).for_each(rejected);
    assert_eq!(titres_seen(&tighter).unwrap(), Evidence::TooLittle { degrees_of_freedom: 7 });
    tighter.iter_mut().for_each(|record| record.rules.sigma_r_ml = None);
    assert_eq!(titres_seen(&tighter).unwrap(), Evidence::NoClaim);
}

/// A reading step of 0.2 mL claims 0.2 / sqrt 6 = 0.0816 mL for each titre, more than the method's 0.03 mL.
#[test]
fn a_coarse_scale_claims_what_its_steps_allow() {
    let mut records: Vec<Record> = (0..9).map(|n| record(&format!("d{n}"), 2000, &[0, 0])).collect();
    for record in &mut records {
        record.titrations.iter_mut().for_each(|titration| titration.burette.resolution_ml = 0.2);
    }
    let of = seen(titres_seen(&records).unwrap());
    near(of.claimed, 0.2 / 6.0_f64.sqrt());
    assert_eq!((of.seen, of.test.statistic), (0.0, 0.0));
}

/// Three blanks of 0.02, 0.04 and 0.06 mL in each of five runs: squares 5 x 0.0008 = 0.004 mL2 with 10 degrees of freedom. Two
/// determinations of one run share theirs.
#[test]
fn scatter_of_blanks_is_pooled_within_runs() {
    let with = |run: usize, n: usize| {
        let mut record = record(&format!("d{run}-{n}"), 2146, &[0, 2]);
        record.rules.subtract_blank = true;
        record.blanks = ["2.02", "2.04", "2.06"]
            .iter()
            .zip(1..)
            .map(|(last, at)| {
                let mut blank = blank(Some(2.0), last);
                blank.id = format!("blank {at} of {run}");
                blank
            })
            .collect();
        record
    };
    let records: Vec<Record> = (0..5).flat_map(|run| [with(run, 1), with(run, 2)]).collect();
    let of = seen(blanks_seen(&records).unwrap());
    assert_eq!((of.values, of.degrees_of_freedom), (15, 10));
    near(of.seen, 0.02);
    near(of.test.statistic, 0.004 / 0.0009);
    let single: Vec<Record> = (0..20).map(|n| record(&format!("d{n}"), 2146, &[0, 2])).collect();
    assert_eq!(blanks_seen(&single).unwrap(), Evidence::TooLittle { degrees_of_freedom: 0 });
}

/// What two results share cancels in their difference, as it does in iron(III) by difference.
#[test]
fn duplicates_are_held_against_what_they_do_not_share() {
    let pairs: Vec<(Record, Record)> = (0..8)
        .map(|n| (record(&format!("a{n}"), 2146, &[0, 2]), record(&format!("b{n}"), 2146 + 2 * n, &[0, 2])))
        .collect();
    let of = seen(duplicates_seen(&pairs).unwrap());
    assert_eq!((of.values, of.degrees_of_freedom), (16, 8));
    let differences = pairs.iter().map(|(a, b)| iron3(b, a, Detail::Figures).unwrap());
    let differences: Vec<(f64, f64)> = differences.map(|of| (of.value.unwrap(), of.u.unwrap())).collect();
    near(of.test.statistic, differences.iter().map(|(d, u)| (d / u).powi(2)).sum());
    near(of.seen, (differences.iter().map(|(d, _)| d * d).sum::<f64>() / 16.0).sqrt());
    // By hand, for equal titres: 0.03 mL over the root of 2, times the root of 2, at 5.5845 g/L per mL.
    near(differences[0].1, 0.03 * 5.5845);
}

/// Ten weekly factors alternately 0.0002 above and below a line, u 0.0002 each: the weighted line is the plain one, and its squares
/// over u² are those of the plain line, computed with the sums of x and y by hand.
#[test]
fn factors_scatter_about_the_line_they_drift_along() {
    let point = |week: i32, u: f64| {
        let off = if week % 2 == 0 { 2e-4 } else { -2e-4 };
        FactorPoint { day: 7.0 * f64::from(week), factor: 1.0 - 7e-5 * 7.0 * f64::from(week) + off, u }
    };
    let points: Vec<FactorPoint> = (0..10).map(|week| point(week, 2e-4)).collect();
    let of = seen(factors_seen(&points));
    assert_eq!((of.values, of.degrees_of_freedom), (10, 8));
    // Of +1, -1, ... about 0, ..., 9: mean 0, sum of products with x - 4.5 is -5, sum of squares 82.5: 10 - 25 / 82.5.
    let squares = 10.0 - 25.0 / 82.5;
    assert!((of.test.statistic / squares - 1.0).abs() < 1e-6, "{of:?}");
    assert!((of.seen / (2e-4 * (squares / 8.0_f64).sqrt()) - 1.0).abs() < 1e-6, "{of:?}");
    assert!(!of.test.refuted);
    let tighter: Vec<FactorPoint> = (0..10).map(|week| point(week, 1e-4)).collect();
    // Four times as much, of 8 degrees of freedom: 20.090 at 1 % (NIST/SEMATECH e-Handbook, 1.3.6.7.4; from memory).
    let tighter = seen(factors_seen(&tighter)).test;
    assert!(tighter.refuted && (tighter.critical - 20.090).abs() < 5e-4, "{tighter:?}");
    assert_eq!(factors_seen(&points[..9]), Evidence::TooLittle { degrees_of_freedom: 7 });
    assert_eq!(factors_seen(&[]), Evidence::TooLittle { degrees_of_freedom: 0 });
}
