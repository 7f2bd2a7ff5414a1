//! Identities an evaluation keeps for any record.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

#[path = "support/bath.rs"]
mod bath;
#[path = "support/baths.rs"]
mod baths;

use ferrotitre_core::chemistry::Expressed;
use ferrotitre_core::determination::{
    Acceptance, BetweenRuns, Central, Density, Detail, Fate, Figure, PortionAmount, Record, Standing, TitrationKind,
    Unit, brief, evaluate, iron3,
};
use ferrotitre_core::statistics::agreement::ConcordanceMode;
use ferrotitre_core::uncertainty::CoverageRule;
use proptest::prelude::*;

use bath::{ACCURATE, segment};
use baths::{blank, figure, ml, record, run, value};

fn relative(a: f64, b: f64) -> f64 {
    (a - b).abs() / b.abs()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn doubling_the_concentration_doubles_the_content(base in 500i64..4500, a in 0i64..10, b in 0i64..10) {
        let plain = record("d", base, &[a, b]);
        let mut doubled = plain.clone();
        for titration in &mut doubled.titrations {
            titration.factor.concentration *= 2.0;
        }
        prop_assert!(relative(value(&doubled), 2.0 * value(&plain)) < 1e-14);
    }

    #[test]
    fn doubling_the_dilution_doubles_the_content(base in 500i64..4500, a in 0i64..10) {
        let plain = record("d", base, &[a, 0]);
        let mut doubled = plain.clone();
        doubled.portion.dilution[0].flask.volume_ml *= 2.0;
        prop_assert!(relative(value(&doubled), 2.0 * value(&plain)) < 1e-14);
    }

    #[test]
    fn a_shift_of_both_readings_changes_nothing_but_the_burette_correction(
        base in 500i64..3000, a in 0i64..10, shift in 0i64..1500,
    ) {
        let plain = record("d", base, &[a, 0]);
        let mut shifted = plain.clone();
        for (titration, offset) in shifted.titrations.iter_mut().zip([a, 0]) {
            titration.segments = vec![segment(&ml(shift), &ml(base + offset + shift))];
        }
        prop_assert_eq!(run(&plain).result, run(&shifted).result);
        // With corrections on, the difference is that of the corrections and no more: here d(R) = 0.001 R.
        for one in [&plain, &shifted].map(Clone::clone).iter_mut() {
            one.rules.correct_burette = true;
            for titration in &mut one.titrations {
                titration.burette.corrections = (0..=5).map(|i| (10.0 * f64::from(i), 0.01 * f64::from(i))).collect();
            }
            prop_assert!(relative(value(one), 1.001 * value(&plain)) < 1e-12);
        }
    }

    #[test]
    fn the_order_of_replicates_does_not_matter(base in 500i64..4500, offsets in prop::collection::vec(0i64..10, 2..6)) {
        let plain = record("d", base, &offsets);
        let mut turned = plain.clone();
        turned.titrations.reverse();
        let (plain, turned) = (run(&plain), run(&turned));
        prop_assert!(relative(plain.result.unwrap().value(), turned.result.unwrap().value()) < 1e-14);
        let (plain, turned) = (plain.reported.unwrap(), turned.reported.unwrap());
        prop_assert_eq!(plain.text, turned.text);
        prop_assert_eq!(plain.expanded_uncertainty, turned.expanded_uncertainty);
    }

    #[test]
    fn rough_and_rejected_titrations_change_nothing_but_the_record(
        base in 500i64..4000, a in 0i64..10, stray in 0i64..4990, at in 0usize..3,
    ) {
        let plain = record("d", base, &[a, 0]);
        for (kind, standing) in [
            (TitrationKind::Rough, Standing::Counted),
            (ACCURATE, Standing::Rejected { cause: "leak".into(), reason: "the tap dripped".into() }),
            (ACCURATE, Standing::Superseded),
        ] {
            let mut more = plain.clone();
            let mut added = more.titrations[0].clone();
            added.id = "added".into();
            added.kind = kind;
            added.standing = standing;
            added.segments = vec![segment("0.00", &ml(stray))];
            more.titrations.insert(at, added);
            let (before, after) = (run(&plain), run(&more));
            prop_assert_eq!(&before.result, &after.result);
            prop_assert_eq!(&before.reported, &after.reported);
            prop_assert_eq!(before.titre_ml, after.titre_ml);
            prop_assert_eq!(after.titres.len(), before.titres.len() + 1);
            prop_assert_eq!(after.titres.iter().filter(|titre| titre.fate == Fate::Used).count(), 2);
            prop_assert_ne!(before.input_digest, after.input_digest);
        }
    }

    #[test]
    fn the_result_alone_is_the_result_of_the_whole_evaluation_bit_for_bit(
        base in 500i64..4000, a in -40i64..40, b in -40i64..40, by_mass in any::<bool>(), median in any::<bool>(),
    ) {
        let mut of = record("d", base, &[0, a, b, 2]);
        of.rules.reporting.coverage = CoverageRule::Probability(0.95);
        of.rules.sigma_r_ml = Some((0.03, Some(11.5)));
        of.rules.acceptance = if median { Acceptance::CriticalRange } else { Acceptance::Concordance };
        of.rules.reporting.unit = if by_mass { Unit::PercentByMass } else { Unit::GramsPerLitre };
        of.rules.between_runs = [None, Some(BetweenRuns::AtLeast(0.002)), Some(BetweenRuns::Component(0.002, None))][usize::try_from(a.rem_euclid(3)).unwrap()];
        let (whole, alone) = (run(&of), brief(&of).unwrap());
        // A sheet that keeps all it needs to print gives the same bits as one that keeps nothing but what is uncertain.
        let printed = evaluate(&of, Detail::Working).unwrap();
        prop_assert_eq!((&whole.result, &whole.figures), (&printed.result, &printed.figures));
        prop_assert_eq!(whole.progress, alone.progress);
        prop_assert_eq!(&whole.reported, &alone.reported);
        let in_unit = |of: &&Figure| of.unit == alone.figure.as_ref().unwrap().unit && of.expressed == Expressed::Iron;
        if alone.figure.is_some() {
            prop_assert_eq!(whole.figures.iter().find(in_unit), alone.figure.as_ref());
        }
        prop_assert_eq!(whole.result.is_some(), alone.figure.is_some());
        for (one, other) in whole.titres.iter().zip(&alone.titres) {
            prop_assert_eq!((&one.fate, one.net_ml), (&other.fate, other.net_ml));
        }
    }

    /// However the method judges agreement, chooses the coverage factor and knows its repeatability.
    #[test]
    fn adding_disagreement_never_lowers_the_expanded_uncertainty(
        base in 1500i64..3500, pattern in prop::collection::vec(-20i64..=20, 4..8), (less, more) in (0i64..12, 1i64..40),
        limit in prop::sample::select(vec![0.05, 0.10, 0.50]), minimum in 2usize..4, consecutive in any::<bool>(),
        sigma in prop::sample::select(vec![None, Some((0.03, None)), Some((0.03, Some(4.0))), Some((0.01, Some(40.0)))]),
        coverage in prop::sample::select(vec![CoverageRule::Fixed(2.0), CoverageRule::Probability(0.95)]),
        (flow, median, factor_dof) in (any::<bool>(), any::<bool>(), prop::sample::select(vec![None, Some(2.0)])),
        between in prop::sample::select(vec![
            None, Some(BetweenRuns::Component(0.002, Some(9.0))), Some(BetweenRuns::AtLeast(0.002)), Some(BetweenRuns::AtLeast(0.02)),
        ]),
    ) {
        // Deviations with a sum of zero and symmetric about the middle, so that neither mean nor median moves.
        let mirrored: Vec<i64> = pattern.iter().flat_map(|offset| [*offset, -*offset]).collect();
        let expanded = |times: i64| {
            let offsets: Vec<i64> = mirrored.iter().map(|offset| offset * times / 4).collect();
            let symmetric: Vec<i64> = offsets.chunks(2).flat_map(|pair| [pair[0], -pair[0]]).collect();
            let mut of = record("d", base, &symmetric);
            of.rules.concordance_limit_ml = limit;
            of.rules.minimum_titres = minimum;
            of.rules.concordance_mode = if consecutive { ConcordanceMode::Consecutive } else { ConcordanceMode::AllAccurate };
            of.rules.sigma_r_ml = sigma;
            of.rules.acceptance = if flow { Acceptance::CriticalRange } else { Acceptance::Concordance };
            of.rules.central = if median { Central::Median } else { Central::Mean };
            of.rules.reporting.coverage = coverage;
            of.rules.between_runs = between;
            for titration in &mut of.titrations {
                titration.factor.dof = factor_dof;
            }
            let evaluation = run(&of);
            let used = evaluation.titres.iter().filter(|titre| titre.fate == Fate::Used).count();
            let expanded = evaluation.reported.map(|reported| reported.coverage.expanded_uncertainty);
            (evaluation.titre_ml, used, expanded)
        };
        let (titre, used, before) = expanded(less);
        let (other, used_then, after) = expanded(less + more);
        // Of the latest titres that agree others are left out, and a flow that wants more has no result.
        if let (Some(before), Some(after), true) = (before, after, used == used_then) {
            let scale = (other.unwrap() / titre.unwrap()).min(1.0);
            prop_assert!(after >= before * scale * (1.0 - 1e-12), "{before} became {after}");
        }
    }

    #[test]
    fn a_blank_equal_to_the_titre_gives_nothing(base in 500i64..4500) {
        let mut record = record("d", base, &[0, 0]);
        record.rules.subtract_blank = true;
        record.blanks = vec![blank(Some(0.0), &ml(base))];
        prop_assert!(value(&record).abs() < 1e-12);
    }

    #[test]
    fn swapping_total_and_iron_two_flips_the_sign_and_keeps_u(total in 500i64..4500, iron2 in 500i64..4500) {
        let (a, b) = (record("a", total, &[0, 2]), record("b", iron2, &[0, 4]));
        let one = iron3(&a, &b, Detail::Figures).unwrap();
        let other = iron3(&b, &a, Detail::Figures).unwrap();
        prop_assert!((one.value.unwrap() + other.value.unwrap()).abs() < 1e-12);
        prop_assert!(relative(one.u.unwrap(), other.u.unwrap()) < 1e-12);
    }

    #[test]
    fn scaling_every_uncertainty_scales_that_of_the_result(base in 500i64..4500, scale in 0.5f64..3.0) {
        // The molar mass of iron is not an input of the record, so the amount concentration is looked at, without it.
        let plain = record("d", base, &[0, 2]);
        let mut scaled = plain.clone();
        scaled.rules.sigma_r_ml = Some((0.03 * scale, None));
        scaled.rules.end_point_u_ml *= scale;
        for titration in &mut scaled.titrations {
            titration.factor.u *= scale;
            titration.burette.u_ml *= scale;
        }
        if let PortionAmount::Volume(pipette) = &mut scaled.portion.amount {
            pipette.u_ml *= scale;
        }
        scaled.portion.dilution[0].flask.u_ml *= scale;
        scaled.portion.aliquot.as_mut().unwrap().u_ml *= scale;
        let u = |record: &Record| figure(record, Unit::MolesPerLitre, Expressed::Iron).u;
        prop_assert!(relative(u(&scaled), scale * u(&plain)) < 1e-12);
    }

    #[test]
    fn units_convert_there_and_back(base in 500i64..4500, density in 0.8f64..1.9) {
        let mut record = record("d", base, &[0, 0]);
        record.portion.density = Some(Density { id: "density".into(), value: density, u: 0.0 });
        let of = |unit, expressed| figure(&record, unit, expressed).value;
        let grams = of(Unit::GramsPerLitre, Expressed::Iron);
        let fe = ferrotitre_core::chemistry::iron().value;
        prop_assert!(relative(of(Unit::MilligramsPerLitre, Expressed::Iron) / 1000.0, grams) < 1e-12);
        prop_assert!(relative(of(Unit::MolesPerLitre, Expressed::Iron) * fe, grams) < 1e-12);
        prop_assert!(relative(of(Unit::PercentByMass, Expressed::Iron) * 10.0 * density, grams) < 1e-12);
        for expressed in [Expressed::IronIIOxide, Expressed::IronIIIOxide] {
            let factor = ferrotitre_core::chemistry::iron_oxide_factor(expressed);
            prop_assert!(relative(of(Unit::GramsPerLitre, expressed) / factor, grams) < 1e-12);
        }
    }
}
