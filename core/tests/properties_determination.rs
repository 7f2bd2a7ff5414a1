//! Identities an evaluation keeps for any record (the metamorphic statements of the requirements, section 12).
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

use ferrotitre_core::chemistry::Expressed;
use ferrotitre_core::determination::{
    Acceptance, Blank, Burette, Central, Density, Detail, DilutionStep, Evaluation, EvaluationError, Factor, Fate,
    Figure, Outcome, Portion, PortionAmount, Progress, Record, Reporting, Rules, Segment, Standing, Titration,
    TitrationKind, Unit, Vessel, brief, evaluate, iron3,
};
use ferrotitre_core::rounding::Ties;
use ferrotitre_core::statistics::agreement::{ConcordanceMode, FollowUp};
use ferrotitre_core::uncertainty::CoverageRule;
use proptest::prelude::*;

fn vessel(id: &str, volume_ml: f64) -> Vessel {
    Vessel { id: id.into(), code: id.into(), volume_ml, u_ml: 0.0, dof: None }
}

fn burette() -> Burette {
    Burette {
        id: "B-01".into(),
        code: "B-01".into(),
        corrections: Vec::new(),
        resolution_ml: 0.01,
        u_ml: 0.0,
        dof: None,
    }
}

fn segment(initial: &str, last: &str) -> Segment {
    Segment { initial: initial.parse().unwrap(), last: last.parse().unwrap() }
}

/// 10 -> 250 mL, 25 mL aliquot, 1/60 mol/L dichromate: 5.5845 g/L per mL (requirements, section 10).
fn bath(id: &str, titres: &[(TitrationKind, &str)], sigma: f64, relative_u: f64) -> Record {
    let concentration = 1.0 / 60.0;
    Record {
        id: id.into(),
        rules: Rules {
            chemistry: "dichromate".into(),
            indicator: "diphenylamine sulfonate".into(),
            acceptance: Acceptance::Concordance,
            concordance_limit_ml: 0.10,
            concordance_mode: ConcordanceMode::AllAccurate,
            minimum_titres: 2,
            give_up_after: 4,
            central: Central::Mean,
            sigma_r_ml: Some((sigma, None)),
            follow_up: FollowUp::Cheap,
            correct_burette: false,
            correct_temperature: false,
            subtract_blank: false,
            interpolate_factor: false,
            end_point_u_ml: 0.0,
            longest_standing_minutes: 5.0,
            reporting: Reporting {
                unit: Unit::GramsPerLitre,
                expressed: Expressed::Iron,
                ties: Ties::HalfEven,
                places: None,
                coverage: CoverageRule::Fixed(2.0),
            },
            loq: None,
        },
        portion: Portion {
            id: "portion".into(),
            amount: PortionAmount::Volume(vessel("P10", 10.0)),
            dilution: vec![DilutionStep { pipette: None, flask: vessel("F250", 250.0) }],
            aliquot: Some(vessel("P25", 25.0)),
            density: None,
        },
        titrations: titres
            .iter()
            .zip(1..)
            .map(|((kind, last), position)| Titration {
                id: format!("{id}-{position}"),
                position,
                kind: *kind,
                standing: Standing::Counted,
                segments: vec![segment("0.00", last)],
                temperature: None,
                factor: Factor {
                    id: "factor".into(),
                    lot: "D-1".into(),
                    electrons: 6,
                    concentration,
                    u: concentration * relative_u,
                    dof: None,
                    following: None,
                },
                burette: burette(),
                reduction: None,
                excess: None,
            })
            .collect(),
        blanks: Vec::new(),
    }
}

const ACCURATE: TitrationKind = TitrationKind::Accurate;

/// Hundredths of a millilitre as a reading.
fn ml(hundredths: i64) -> String {
    format!("{}.{:02}", hundredths / 100, hundredths % 100)
}

/// Uncertainty on every source, and titres within the limit of each other.
fn record(id: &str, base: i64, offsets: &[i64]) -> Record {
    let titres: Vec<String> = offsets.iter().map(|offset| ml(base + offset)).collect();
    let titres: Vec<(TitrationKind, &str)> = titres.iter().map(|titre| (ACCURATE, titre.as_str())).collect();
    let mut record = bath(id, &titres, 0.03, 0.0015);
    record.rules.end_point_u_ml = 0.01;
    for titration in &mut record.titrations {
        titration.burette.u_ml = 0.012;
    }
    if let PortionAmount::Volume(pipette) = &mut record.portion.amount {
        pipette.u_ml = 0.01;
    }
    record.portion.dilution[0].flask.u_ml = 0.08;
    record.portion.aliquot.as_mut().unwrap().u_ml = 0.015;
    record
}

fn run(record: &Record) -> Evaluation {
    evaluate(record, Detail::Figures).unwrap()
}

fn value(record: &Record) -> f64 {
    run(record).result.unwrap().value()
}

fn figure(record: &Record, unit: Unit, expressed: Expressed) -> Figure {
    run(record).figures.into_iter().find(|f| f.unit == unit && f.expressed == expressed).unwrap()
}

/// u of the result in g/L.
fn u(record: &Record) -> f64 {
    figure(record, Unit::GramsPerLitre, Expressed::Iron).u
}

fn relative(a: f64, b: f64) -> f64 {
    (a - b).abs() / b.abs()
}

fn blank(equivalent: Option<f64>, last: &str) -> Blank {
    Blank {
        id: "blank".into(),
        standing: Standing::Counted,
        segments: vec![segment("0.00", last)],
        temperature: None,
        burette: burette(),
        iron_equivalent_ml: equivalent,
    }
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

#[test]
fn iron_three_of_results_in_different_units_is_refused() {
    let total = record("a", 2318, &[0, 0]);
    let mut iron2 = record("b", 2146, &[0, 0]);
    iron2.rules.reporting.unit = Unit::MilligramsPerLitre;
    assert!(matches!(iron3(&total, &iron2, Detail::Figures), Err(EvaluationError::UnitsDiffer { .. })));
    iron2.rules.reporting.unit = Unit::GramsPerLitre;
    iron2.rules.reporting.expressed = Expressed::IronIIIOxide;
    assert!(matches!(iron3(&total, &iron2, Detail::Figures), Err(EvaluationError::UnitsDiffer { .. })));
}

#[test]
fn a_small_negative_iron_three_is_less_than_the_loq_and_a_large_one_is_not_met() {
    let iron2 = record("b", 2318, &[0, 0]);
    let near = iron3(&record("a", 2316, &[0, 0]), &iron2, Detail::Figures).unwrap();
    assert!(near.value.unwrap() < 0.0, "the value is kept");
    assert_eq!(near.reported.unwrap().text, "< LOQ");
    assert_eq!(near.verdicts[0].outcome, Outcome::Query);
    let far = iron3(&record("a", 2218, &[0, 0]), &iron2, Detail::Figures).unwrap();
    assert!(!far.reported.unwrap().below_loq);
    assert_eq!(far.verdicts[0].outcome, Outcome::NotMet);
}

#[test]
fn a_blank_whose_indicator_could_not_turn_is_left_out_and_says_so() {
    let mut record = record("d", 2318, &[0, 0]);
    record.rules.subtract_blank = true;
    record.blanks = vec![blank(None, "0.10")];
    let evaluation = run(&record);
    assert!(evaluation.reported.is_none());
    assert!(matches!(&evaluation.progress, Progress::NeedsMore { why, .. } if why.contains("iron(II)")));
    assert!(evaluation.verdicts.iter().any(|v| v.rule == "blank with iron(II)" && v.outcome == Outcome::NotMet));
    record.blanks.push(blank(Some(1.00), "1.10"));
    assert!((run(&record).blank_ml.unwrap() - 0.10).abs() < 1e-12);
    record.rules.indicator = "potentiometric".into();
    record.blanks.truncate(1);
    assert!((run(&record).blank_ml.unwrap() - 0.10).abs() < 1e-12);
}

#[test]
fn a_negative_blank_is_kept() {
    let mut record = record("d", 2318, &[0, 0]);
    record.rules.subtract_blank = true;
    record.blanks = vec![blank(Some(1.00), "0.98")];
    let evaluation = run(&record);
    assert!((evaluation.blank_ml.unwrap() + 0.02).abs() < 1e-12);
    assert!((evaluation.titre_ml.unwrap() - 23.20).abs() < 1e-12);
}

#[test]
fn sharing_the_titrant_makes_the_difference_more_certain() {
    let (a, b) = (record("a", 2318, &[0, 0]), record("b", 2146, &[0, 0]));
    let shared = iron3(&a, &b, Detail::Figures).unwrap();
    let mut other_lot = b.clone();
    for titration in &mut other_lot.titrations {
        titration.factor.id = "another factor".into();
    }
    let apart = iron3(&a, &other_lot, Detail::Figures).unwrap();
    assert!(shared.u.unwrap() < apart.u.unwrap());
    assert!(apart.u.unwrap() < u(&a).hypot(u(&b)) + 1e-12);
}
