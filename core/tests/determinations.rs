//! What single records come to: discordance, blanks, back-titration, standardisation, differences.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

#[path = "support/bath.rs"]
mod bath;
#[path = "support/baths.rs"]
mod baths;

use ferrotitre_core::chemistry::Expressed;
use ferrotitre_core::determination::{
    Acceptance, BetweenRuns, Blank, BlankKind, Central, Detail, EvaluationError, Excess, Factor, Following, Outcome,
    Progress, Record, Replicate, ResultOutcome, Standardisation, Standing, Unit, Vessel, brief, content_digest,
    evaluate, iron3, standardise,
};

use ferrotitre_core::uncertainty::DegreesOfFreedom;

use bath::{ACCURATE, bath, burette, segment, vessel};
use baths::{blank, figure, record, run, value};

/// u of the result in g/L.
fn u(record: &Record) -> f64 {
    figure(record, Unit::GramsPerLitre, Expressed::Iron).u
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

/// Titres of 21.46, 21.46, 30.46 and 40.46 mL: deviations from the mean -7, -7, 2 and 12 mL, s^2 = 246/3 = 82, s = 9.0554 mL.
/// Student's t, 3 degrees of freedom, two-sided 95 %: 3.1824 (any table; JCGM 100:2008, table G.2: 3.18); normal: 1.95996.
/// u = 3.1824 / 1.95996 * 9.0554 / 2 * sqrt(pi / 2) = 9.2138 mL; 5.5845 g/L for 1 mL: U = 2 * 51.45 = 102.9 g/L.
#[test]
fn titres_that_disagree_without_a_cause_are_discordant_and_their_uncertainty_answers_to_the_scatter() {
    let mut record = record("d", 2146, &[0, 0, 900, 1900]);
    record.rules.acceptance = Acceptance::CriticalRange;
    let evaluation = run(&record);
    assert_eq!(evaluation.outcome, ResultOutcome::Discordant);
    assert_eq!(evaluation.central, Central::Median);
    let reported = evaluation.reported.unwrap();
    assert!((reported.coverage.expanded_uncertainty - 102.9).abs() < 0.05, "{reported:?}");
    assert!((evaluation.result.unwrap().value() - 144.97).abs() < 0.01, "median 25.96 mL");
    let named = |rule| evaluation.verdicts.iter().find(|verdict| verdict.rule == rule).unwrap();
    assert_eq!(named("disagreement of the titres").outcome, Outcome::NotMet);
    // 246 / 0.03^2 against the upper 5 % of chi-square with 3 degrees of freedom, 7.815 (any table).
    let scatter = named("scatter of the titres");
    assert!(
        (scatter.critical.unwrap() - 7.815).abs() < 5e-4
            && (scatter.value.unwrap() / (246.0 / 9e-4) - 1.0).abs() < 1e-9
    );
    assert!(matches!(&evaluation.progress, Progress::Complete { how } if how.starts_with("discordant")));
    // The same titres by the bench rule, whose method says the mean: 28.46 mL, u = 1.62370 * 4.5277 = 7.3516 mL, U = 82.1 g/L.
    record.rules.acceptance = Acceptance::Concordance;
    let mean = run(&record);
    assert_eq!((mean.outcome, mean.central), (ResultOutcome::Discordant, Central::Mean));
    assert!((mean.reported.unwrap().coverage.expanded_uncertainty - 82.1).abs() < 0.05);
}

/// Within the limit of a method that is wide, yet beyond CR0.95(4) = 3.6332 * 0.03 = 0.109 mL (table of the studentised range).
#[test]
fn titres_within_a_wide_limit_that_the_repeatability_does_not_explain_widen_the_uncertainty() {
    let mut record = record("d", 2146, &[0, 0, 30, 40]);
    record.rules.concordance_limit_ml = 0.50;
    let evaluation = run(&record);
    assert_eq!(evaluation.outcome, ResultOutcome::Concordant);
    let found = evaluation.verdicts.iter().find(|verdict| verdict.rule == "disagreement of the titres").unwrap();
    assert_eq!(found.outcome, Outcome::Query);
    // Deviations -0.175, -0.175, 0.125, 0.225: s = 0.20616 mL; 1.62370 * 0.20616 / 2 = 0.16737 mL.
    assert!((found.value.unwrap() - 0.167_37).abs() < 5e-6);
}

/// 12.00 mL of blank and a titre of 3.46 mL: nothing that could be reported.
#[test]
fn a_blank_above_the_titre_is_no_result() {
    let mut record = record("d", 346, &[0, 0]);
    record.rules.subtract_blank = true;
    record.blanks = vec![blank(Some(1.0), "13.00")];
    let evaluation = run(&record);
    assert_eq!(evaluation.outcome, ResultOutcome::BelowZero);
    assert!(evaluation.reported.is_none());
    assert!(
        matches!(&evaluation.progress, Progress::NeedsMore { why, .. } if why.contains("the blank, 12.000 mL, is above the titre, 3.460 mL"))
    );
    let verdict = evaluation.verdicts.iter().find(|verdict| verdict.rule == "blank not above the titre").unwrap();
    assert_eq!(verdict.outcome, Outcome::NotMet);
    assert!(brief(&record).unwrap().reported.is_none());
    // Below zero within the uncertainty: nothing found, said as such, the value kept.
    record.blanks = vec![blank(Some(1.0), "4.48")];
    let near = run(&record);
    let reported = near.reported.unwrap();
    assert_eq!((reported.text.as_str(), reported.below_loq), ("< LOQ", true));
    assert!(reported.stated("+-").starts_with("< LOQ g/L; measured -0.1"), "{}", reported.stated("+-"));
}

#[test]
fn below_the_limit_of_quantification_no_uncertainty_belongs_to_what_is_reported() {
    let mut record = record("d", 10, &[0, 0]);
    record.rules.loq = Some(ferrotitre_core::determination::LimitOfQuantification(1.0));
    let stated = run(&record).reported.unwrap().stated("+-");
    assert!(stated.starts_with("< 1 (LOQ) g/L; measured 0.5"), "{stated}");
}

fn factor(lot: &str, electrons: u32, concentration: f64) -> Factor {
    Factor { id: lot.into(), lot: lot.into(), electrons, concentration, u: 0.0, dof: None, following: None }
}

/// 25 mL of 1/60 mol/L dichromate, what is left titrated with 0.1 mol/L iron(II): 2.5 mmol less 0.1 mmol for each mL.
fn back(titre: &str, celsius: Option<f64>) -> Record {
    let mut record = bath("back", &[(ACCURATE, titre), (ACCURATE, titre)], 0.01, 0.0);
    record.rules.chemistry = "back-titration".into();
    record.rules.correct_temperature = celsius.is_some();
    record.rules.reporting.unit = Unit::MolesPerLitre;
    record.portion.dilution.clear();
    record.portion.aliquot = None;
    for titration in &mut record.titrations {
        titration.temperature = celsius;
        titration.factor = factor("A-1", 1, 0.1);
        titration.excess = Some(Excess { factor: factor("D-1", 6, 1.0 / 60.0), pipette: vessel("P25", 25.0) });
    }
    record
}

/// Amount of iron found, mmol, of 10 mL.
fn mmol(record: &Record) -> f64 {
    10.0 * value(record)
}

/// Burette and pipette both deliver at 27 C, so that the whole amount has the factor of a volume at 27 C: water 0.9965128 and
/// 0.9982071 g/mL at 27 and 20 C (CRC Handbook), borosilicate 9.9e-6 /K: 1.0000693 * 0.9965128 / 0.9982071 = 0.99837.
#[test]
fn a_back_titration_brings_the_oxidant_to_20_c_as_well_as_the_titrant() {
    assert!((mmol(&back("10.00", None)) - 1.5).abs() < 1e-12);
    assert!((mmol(&back("10.00", Some(27.0))) / 1.5 - 0.998_37).abs() < 5e-6);
}

/// The oxidant of [`back`] without sample, as a reagent blank.
fn oxidant(last: &str) -> Blank {
    let added = Excess { factor: factor("D-1", 6, 1.0 / 60.0), pipette: vessel("P25", 25.0) };
    Blank { added: Some(added), ..blank(None, last) }
}

/// The oxidant took 24.90 mL without sample: n(Fe) = 0.1 (24.90 - 10.00) = 1.49 mmol, by hand.
#[test]
fn in_a_back_titration_the_blank_is_the_oxidant_and_needs_no_iron() {
    let mut record = back("10.00", None);
    record.rules.subtract_blank = true;
    assert!(matches!(&run(&record).progress, Progress::NeedsMore { why, .. } if why.contains("without sample")));
    record.blanks = vec![oxidant("24.90")];
    let evaluation = run(&record);
    assert_eq!(record.rules.indicator, "diphenylamine sulfonate");
    assert!((mmol(&record) - 1.49).abs() < 1e-12);
    assert!((evaluation.titre_ml.unwrap() - 10.0).abs() < 1e-12, "nothing is subtracted from the titre");
    // 24.90 for 25.00: 0.4 % apart; u is 0.01 mL and the step of 0.01 mL in 24.9 mL, 0.04 %.
    let compared =
        evaluation.verdicts.iter().find(|verdict| verdict.rule == "iron(II) against the oxidant of the run").unwrap();
    assert!((compared.value.unwrap() + 0.4).abs() < 1e-9 && compared.outcome == Outcome::NotMet, "{compared:?}");
    assert!(compared.advice.contains("A-1"));
    record.blanks = vec![oxidant("24.99")];
    let compared = run(&record).verdicts;
    assert!(
        compared.iter().any(|verdict| verdict.rule.starts_with("iron(II) against") && verdict.outcome == Outcome::Met)
    );
    // Without one there is nothing to compare, and that is said.
    record.blanks.clear();
    record.rules.subtract_blank = false;
    let compared = run(&record).verdicts;
    assert!(compared.iter().any(|v| v.rule.starts_with("iron(II) against") && v.outcome == Outcome::NoDecision));
}

/// 25.00 mL without sample are the oxidant's only where the record says that it was added: the reagents alone would take none.
#[test]
fn in_a_back_titration_a_blank_without_the_oxidant_of_the_samples_is_left_out() {
    let mut record = back("10.00", None);
    record.rules.subtract_blank = true;
    let mut smaller = oxidant("9.96");
    smaller.added.as_mut().unwrap().pipette = vessel("P10", 10.0);
    for other in [blank(None, "24.90"), smaller] {
        record.blanks = vec![other];
        let evaluation = run(&record);
        assert!(evaluation.reported.is_none() && evaluation.blank_ml.is_none());
        let verdict = evaluation.verdicts.iter().find(|verdict| verdict.rule == "blank of the same titrant").unwrap();
        assert!(verdict.compared.contains("1 without the oxidant of the samples"), "{verdict:?}");
    }
    // Beside one that holds it, it counts for nothing: 0.1 (24.90 - 10.00) = 1.49 mmol, by hand.
    record.blanks.push(oxidant("24.90"));
    assert!((mmol(&record) - 1.49).abs() < 1e-12);
}

/// The blank holds D-1, of which 24.90 mL are left: 0.1 (24.90 - 10.00) = 1.49 mmol. The other titration has 25 mL of D-2,
/// 6 * 0.0180 * 25 = 2.70 mmol, of which 1.00 mmol is left: 1.70 mmol. Mean 1.595 mmol, by hand.
#[test]
fn a_blank_stands_for_the_oxidant_it_holds_and_no_other() {
    let mut record = back("10.00", None);
    record.rules.subtract_blank = true;
    record.blanks = vec![oxidant("24.90")];
    record.titrations[0].excess.as_mut().unwrap().factor = factor("D-2", 6, 0.0180);
    assert!((mmol(&record) - 1.595).abs() < 1e-12, "{}", mmol(&record));
}

/// 1.10 mL of a lot of 0.0170 mol/L, of which 1.00 mL is the iron(II)'s: 0.10 mL of it, 0.10 * 0.0170 * 60 = 0.102 mL of
/// 1/60 mol/L, however the iron(II) was added, by hand. 1.00 mL of 6 * 0.0170 = 0.102 mol/L iron(II) takes 1.00 mL of it.
#[test]
fn what_was_added_to_a_blank_of_another_lot_is_brought_to_the_titrant_like_its_volume() {
    let mut record = record("d", 2318, &[0, 0]);
    record.rules.subtract_blank = true;
    let of = Blank { factor: Some(factor("D-2", 6, 0.0170)), ..blank(Some(1.00), "1.10") };
    let stated = Blank { iron_equivalent_u_ml: Some(0.01), ..of.clone() };
    let added = Excess { factor: factor("A-1", 1, 0.102), pipette: vessel("P1", 1.0) };
    let pipetted = Blank { iron_equivalent_ml: None, added: Some(added), ..of.clone() };
    for one in [of, stated, pipetted] {
        record.blanks = vec![one];
        let found = run(&record).blank_ml.unwrap();
        assert!((found - 0.102).abs() < 1e-12, "{found}");
    }
}

/// A blank of 0.10 mL of a lot that went from 0.0170 to 0.0180 mol/L: half way 0.0175, 0.105 mL of 1/60 mol/L; with the factor in
/// force alone 0.102 mL. 5.5845 g/L for each mL: (23.18 - 0.105) 5.5845 and (23.18 - 0.102) 5.5845 g/L, by hand.
#[test]
fn the_result_with_the_factors_in_force_alone_has_the_blank_with_them_too() {
    let mut record = record("d", 2318, &[0, 0]);
    record.rules.subtract_blank = true;
    record.rules.interpolate_factor = true;
    record.rules.indicator = "potentiometric".into();
    let mut of = factor("D-2", 6, 0.0170);
    record.blanks = vec![Blank { factor: Some(of.clone()), ..blank(None, "0.10") }];
    let without = content_digest(&record);
    of.following = Some(Following { id: "next".into(), concentration: 0.0180, u: 0.0, dof: None, passed: 0.5 });
    record.blanks[0].factor = Some(of);
    let verdict = run(&record).verdicts.into_iter().find(|verdict| verdict.rule == "interpolated factor").unwrap();
    assert!((value(&record) / 5.5845 - (23.18 - 0.105)).abs() < 1e-9, "{verdict:?}");
    assert!((verdict.critical.unwrap() / 5.5845 - (23.18 - 0.102)).abs() < 1e-9, "{verdict:?}");
    assert_eq!(
        content_digest(&record),
        without,
        "digests signed before a blank had a following factor stay what they were"
    );
    // A factor in the place of the one it was recorded with is one more thing that is signed.
    record.blanks[0].corrected = true;
    assert_ne!(content_digest(&record), without);
}

/// u^2 = u0^2 + (s c)^2 of the component by hand; the top-down figure is what is reported unless the budget says more. Effective
/// degrees of freedom of a component that outweighs everything else are its own (JCGM 100:2008, G.4.1).
#[test]
fn what_charts_saw_between_runs_enters_the_budget() {
    let plain = record("d", 2318, &[0, 2]);
    let (c, u0) = (value(&plain), u(&plain));
    let without = content_digest(&plain);
    let with = |between| {
        let mut of = plain.clone();
        of.rules.between_runs = Some(between);
        assert_ne!(content_digest(&of), without);
        of
    };
    let component = with(BetweenRuns::Component(0.003, Some(24.0)));
    assert_eq!(value(&component), c);
    assert!((u(&component) / u0.hypot(0.003 * c) - 1.0).abs() < 1e-12);
    let large = evaluate(&with(BetweenRuns::Component(0.5, Some(24.0))), Detail::Working).unwrap();
    let freedom = large.result.unwrap().degrees_of_freedom();
    assert!(matches!(freedom, DegreesOfFreedom::Finite(nu) if (nu - 24.0).abs() < 0.01), "{freedom:?}");
    assert!(large.budget.iter().any(|line| line.input.id == "run:d"), "{:?}", large.budget);

    let raised = with(BetweenRuns::AtLeast(0.0035));
    assert!((u(&raised) / c - 0.0035).abs() < 1e-7, "the molar mass is not held against it: {}", u(&raised) / c);
    assert!(u(&raised) / c >= 0.0035);
    let small = with(BetweenRuns::AtLeast(u0 / c / 2.0));
    assert!((u(&small) / u0 - 1.0).abs() < 1e-12);
    // Two determinations of one sample were made in runs of their own.
    let iron2 = Record { id: "e".into(), ..component.clone() };
    let difference = iron3(&component, &iron2, Detail::Figures).unwrap();
    assert!(difference.u.unwrap() >= (0.003 * c).hypot(0.003 * c));
}

/// 0.10 mL with 1/60 mol/L says nothing of 1/600; 0.10 mL of a lot of 0.0170 mol/L is 0.10 * 0.0170 * 60 = 0.102 mL, by hand.
#[test]
fn a_blank_belongs_to_its_titrant_and_is_compared_in_amount() {
    let mut record = record("d", 2318, &[0, 0]);
    record.rules.subtract_blank = true;
    record.blanks = vec![Blank { factor: Some(factor("D-1", 6, 1.0 / 60.0)), ..blank(Some(1.00), "1.10") }];
    assert!((run(&record).blank_ml.unwrap() - 0.10).abs() < 1e-12);
    record.blanks[0].factor = Some(factor("D-2", 6, 0.0170));
    assert!((run(&record).blank_ml.unwrap() - 0.102).abs() < 1e-12);
    record.blanks[0].factor = Some(factor("D-3", 6, 1.0 / 600.0));
    let evaluation = run(&record);
    assert!(evaluation.blank_ml.is_none() && evaluation.reported.is_none());
    let verdict = evaluation.verdicts.iter().find(|verdict| verdict.rule == "blank of the same titrant").unwrap();
    assert_eq!(verdict.outcome, Outcome::NotMet);
}

#[test]
fn reagent_and_indicator_blanks_are_never_averaged() {
    let mut record = record("d", 2318, &[0, 0]);
    record.rules.subtract_blank = true;
    record.rules.indicator = "potentiometric".into();
    let indicator = Blank { id: "indicator".into(), kind: BlankKind::Indicator, ..blank(None, "0.50") };
    record.blanks = vec![blank(None, "0.10"), indicator.clone()];
    assert!((run(&record).blank_ml.unwrap() - 0.10).abs() < 1e-12);
    record.blanks = vec![indicator];
    assert!((run(&record).blank_ml.unwrap() - 0.50).abs() < 1e-12);
}

/// 2.000 mL of 0.1 mol/L iron(II) takes 2.000 mL of 1/60 mol/L dichromate, by hand. u: 0.001 of 2 mL of the pipette and 0.05 % of
/// the solution, 0.001 mL: sqrt(0.002^2 + 0.001^2) mL beside the scatter of the blank, 0.03 mL.
#[test]
fn iron_added_to_a_blank_has_its_volume_and_its_uncertainty() {
    let mut record = record("d", 2318, &[0, 0]);
    record.rules.subtract_blank = true;
    // Whatever the titrant's own uncertainty: it acts on the equivalent and on the titre in opposite ways.
    for titration in &mut record.titrations {
        titration.factor.u = 0.0;
    }
    let plain = Blank { iron_equivalent_ml: Some(2.0), ..blank(None, "2.10") };
    record.blanks = vec![plain.clone()];
    let (bare, u_bare) = (run(&record), u(&record));
    assert!(bare.verdicts.iter().any(|v| v.rule == "iron(II) added to the blank" && v.outcome == Outcome::Query));
    let pipette = Vessel { u_ml: 0.002, ..vessel("P2", 2.0) };
    let iron = Factor { u: 0.000_05, ..factor("A-1", 1, 0.1) };
    record.blanks = vec![Blank {
        iron_equivalent_ml: None,
        factor: Some(record.titrations[0].factor.clone()),
        added: Some(Excess { factor: iron, pipette }),
        ..plain.clone()
    }];
    let added = run(&record);
    assert!((added.blank_ml.unwrap() - 0.10).abs() < 1e-12);
    assert!(added.verdicts.iter().all(|v| v.rule != "iron(II) added to the blank"));
    // In g/L for each mL: 5.5845 for the bath; the factor of the titrant moves with it by 1e-5 only.
    let more = (u(&record).powi(2) - u_bare.powi(2)).sqrt() / 5.5845;
    assert!((more - 0.002_236).abs() < 3e-5, "{more}");
    record.blanks = vec![Blank { iron_equivalent_u_ml: Some(0.01), ..plain }];
    let more = (u(&record).powi(2) - u_bare.powi(2)).sqrt() / 5.5845;
    assert!((more - 0.01).abs() < 1e-6, "{more}");
}

/// Two fillings: twice the error of the calibration, 0.024 in place of 0.012 mL.
#[test]
fn a_refilled_burette_has_the_uncertainty_of_each_filling() {
    let plain = record("d", 2318, &[0, 0]);
    let mut refilled = plain.clone();
    for titration in &mut refilled.titrations {
        titration.segments = vec![segment("0.00", "20.00"), segment("1.00", "4.18")];
    }
    let part = |record: &Record| {
        let budget = evaluate(record, Detail::Working).unwrap().budget;
        budget.iter().find(|line| line.input.id == "B-01").unwrap().contribution
    };
    assert!((value(&refilled) - value(&plain)).abs() < 1e-12);
    assert!((part(&refilled) / part(&plain) - 2.0).abs() < 1e-12);
    assert!((part(&plain) / 5.5845 - 0.012).abs() < 1e-6);
}

/// 25.00 mL of 0.1 eq/L took 25.00 mL, both at 27 C: 0.1 mol/L at whatever temperature. Brought to 20 C on one side alone it was
/// 0.16 % too high (0.99837 above).
#[test]
fn a_standardisation_against_a_titrant_treats_pipette_and_burette_alike() {
    let facts = standardisation(&["25.00", "25.00", "25.00"]);
    let found = standardise(&facts).unwrap();
    assert!((found.titrant.unwrap().concentration - 0.1).abs() < 1e-15);
    assert_eq!(found.agreement.unwrap().outcome, Outcome::Met);
}

/// 1/24.40, 1/25.00, 1/25.60 relative to their mean: 4.80 %, by hand. s = 2.40 %, Student's factor for three 4.3027 / 1.95996.
#[test]
fn replicates_that_disagree_are_called_so_and_their_scatter_is_the_uncertainty() {
    let found = standardise(&standardisation(&["24.40", "25.00", "25.60"])).unwrap();
    let verdict = found.agreement.clone().unwrap();
    assert_eq!(verdict.outcome, Outcome::NotMet);
    assert!((verdict.value.unwrap() - 4.80).abs() < 5e-3, "{verdict:?}");
    assert!(found.disagrees());
    let titrant = found.titrant.unwrap();
    let relative = 100.0 * titrant.u / titrant.concentration;
    assert!((relative - 4.3027 / 1.959_96 * 2.400 / 3f64.sqrt()).abs() < 3e-3, "{relative}");
    let mut wide = standardisation(&["24.40", "25.00", "25.60"]);
    wide.agreement_percent = Some(5.0);
    assert!(!standardise(&wide).unwrap().disagrees());
}

fn standardisation(titres: &[&str]) -> Standardisation {
    let replicates = (1..).zip(titres).map(|(position, last)| Replicate {
        id: format!("r{position}"),
        position,
        mass: None,
        blank: false,
        standing: Standing::Counted,
        segments: vec![segment("0.00", last)],
        temperature: Some(27.0),
    });
    Standardisation {
        id: "s".into(),
        electrons: 1.0,
        nominal: 0.1,
        reference: None,
        reference_titrant: Some((factor("D-1", 6, 1.0 / 60.0), vessel("P25", 25.0))),
        burette: burette(),
        corrections: (true, true),
        relative_repeatability: None,
        minimum: 3,
        factor_limits: (0.9, 1.1),
        agreement_percent: None,
        replicates: replicates.collect(),
    }
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
