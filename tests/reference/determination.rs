//! Evaluations against figures by hand and those of Eurachem QUAM.

use ferrotitre_core::chemistry::{AIR_DENSITY, primary_standard};
use ferrotitre_core::determination::{
    Acceptance, Burette, Detail, Excess, Factor, Fate, Following, Outcome, Portion, PortionAmount, Preparation,
    Progress, Reference, Replicate, SlipQuery, Standardisation, Standing, TitrationKind, Unit, Vessel, evaluate, iron3,
    prepare, standardise,
};
use ferrotitre_core::uncertainty::DegreesOfFreedom;

use crate::bath::{ACCURATE, bath, burette, segment, vessel};
use crate::data;

fn close(found: f64, expected: f64, half_unit: f64) {
    assert!((found - expected).abs() <= half_unit * (1.0 + 1e-6), "{found} is not {expected} +- {half_unit}");
}

// Independent computation: K = 5.5845, V 23.18 and 21.46, u(V) 0.02 each, u_rel(K) 0.15 %. Two equal
// titres with sigma_r = 0.02 sqrt 2 give u(V) = 0.02; the molar mass of iron adds 2.1e-5 relative, beyond the digits.
#[test]
fn iron_three_by_difference_keeps_what_both_titrations_share() {
    let sigma = 0.02 * 2f64.sqrt();
    let total = bath("total", &[(ACCURATE, "23.18"), (ACCURATE, "23.18")], sigma, 0.0015);
    let iron2 = bath("iron2", &[(ACCURATE, "21.46"), (ACCURATE, "21.46")], sigma, 0.0015);
    let derived = iron3(&total, &iron2, Detail::Figures).unwrap();
    // (23.18 - 21.46) 5.5845 = 9.605 g/L.
    close(derived.value.unwrap(), 9.605, 5e-4);
    close(derived.u.unwrap(), 0.1586, 5e-5);
    close(derived.u_if_independent.unwrap(), 0.3082, 5e-5);
    close(derived.correlation.unwrap(), 0.7363, 5e-5);
}

// By hand, from factors of a drifting titrant: 1.0004 on day 0 and 0.9990 on day 21 give 0.99981333 on day
// 8.8 (w = 0.41904762); K = 5.5845 g/L per mL as above, so 23.18 mL are 129.42455 g/L, and 129.50049 with 1.0004 alone.
// Relative u of the factor: 0.07164 %, each factor having 0.1 % of its own.
#[test]
fn a_method_may_interpolate_between_the_factors_before_and_after() {
    let nominal = 1.0 / 60.0;
    let mut record = bath("d", &[(ACCURATE, "23.18"), (ACCURATE, "23.18")], 1e-9, 0.0);
    record.rules.interpolate_factor = true;
    for titration in &mut record.titrations {
        titration.burette.resolution_ml = 1e-9;
        titration.factor.concentration = 1.0004 * nominal;
        titration.factor.u = 0.001 * 1.0004 * nominal;
        titration.factor.following = Some(Following {
            id: "next".into(),
            concentration: 0.9990 * nominal,
            u: 0.001 * 0.9990 * nominal,
            dof: None,
            passed: 8.8 / 21.0,
        });
    }
    let evaluation = evaluate(&record, Detail::Working).unwrap();
    let result = evaluation.result.as_ref().unwrap().value();
    close(result, 129.424_55, 5e-6);
    let verdict = evaluation.verdicts.iter().find(|verdict| verdict.rule == "interpolated factor").unwrap();
    assert_eq!(verdict.outcome, Outcome::Met);
    close(verdict.critical.unwrap(), 129.500_49, 5e-6);
    let share = evaluation.budget.iter().map(|part| part.contribution.powi(2)).sum::<f64>().sqrt() / result;
    // The molar mass of iron adds 2e-5.
    close(share, 0.000_716_4, 1e-6);
    assert!(evaluation.working.unwrap().text().contains("c_2"));

    // Without a factor after it the one in force is used, and the verdict says that this is not the end of it.
    record.titrations[1].factor.following = None;
    let waiting = evaluate(&record, Detail::Figures).unwrap();
    let verdict = waiting.verdicts.iter().find(|verdict| verdict.rule == "interpolated factor").unwrap();
    assert_eq!(verdict.outcome, Outcome::Query);
    assert!(verdict.advice.starts_with("1 titration(s)"), "{}", verdict.advice);
}

// Section 1, row 2: rounding both contents to 0.01 g/L in the diluted solution first gives 9.75 g/L instead.
#[test]
fn nothing_is_rounded_before_the_reported_figure() {
    let figures = |last| {
        let record = bath("d", &[(ACCURATE, last), (ACCURATE, last)], 0.03, 0.0);
        let evaluation = evaluate(&record, Detail::Figures).unwrap();
        evaluation.figures.iter().find(|f| f.unit == Unit::GramsPerLitre).unwrap().value
    };
    let (total, iron2) = (figures("23.18"), figures("21.46"));
    close(total, 5.5845 * 23.18, 1e-9);
    let early = (100.0 * total / 25.0).round() / 100.0 - (100.0 * iron2 / 25.0).round() / 100.0;
    close(25.0 * early, 9.75, 5e-3);
    close(total - iron2, 9.605, 5e-4);
}

// Section 1, row 3: 24.10 with 23.16, 23.18, 23.18 would raise the mean by 1.0 %.
#[test]
fn a_rough_titre_never_enters_the_mean() {
    let titres = [(TitrationKind::Rough, "24.10"), (ACCURATE, "23.16"), (ACCURATE, "23.18"), (ACCURATE, "23.18")];
    let evaluation = evaluate(&bath("d", &titres, 0.03, 0.0), Detail::Figures).unwrap();
    close(evaluation.titre_ml.unwrap(), 69.52 / 3.0, 1e-12);
    let with_rough = (24.10 + 69.52) / 4.0;
    close(100.0 * (with_rough / evaluation.titre_ml.unwrap() - 1.0), 1.0, 0.05);
    assert_eq!(evaluation.titres[0].fate, Fate::Rough);
    assert_eq!(evaluation.titres.len(), 4);
    // By hand: Q of 23.18, 23.18, 23.16 is always 1, so no decision is possible.
    let dixon = evaluation.verdicts.iter().find(|verdict| verdict.rule == "Dixon").unwrap();
    assert_eq!(dixon.outcome, Outcome::NoDecision);
    close(dixon.value.unwrap(), 1.0, 1e-9);
}

// Independent computation: 1 mL of 1/60 mol/L dichromate is 5.5845 mg of iron; 0.4 g of ore of 52.36 % takes 37.5 mL.
#[test]
fn an_ore_of_the_demonstration_has_its_content() {
    let mut record = bath("ore", &[(ACCURATE, "37.50"), (ACCURATE, "37.50")], 0.03, 0.0);
    record.rules.reporting.unit = Unit::PercentByMass;
    record.portion = Portion {
        id: "portion".into(),
        amount: PortionAmount::Mass { id: "w".into(), grams: 0.4, u: 0.0, dof: None },
        dilution: Vec::new(),
        aliquot: None,
        density: None,
    };
    let evaluation = evaluate(&record, Detail::Figures).unwrap();
    close(evaluation.reported.unwrap().value.parse().unwrap(), 52.36, 0.05);
    close(evaluation.result.unwrap().value(), 100.0 * 5.5845e-3 * 37.5 / 0.4, 1e-9);
}

// A slip of 1.00 mL is queried, not refused.
#[test]
fn a_slip_of_one_millilitre_is_queried() {
    let titres = [(ACCURATE, "23.16"), (ACCURATE, "23.18"), (ACCURATE, "24.18")];
    let evaluation = evaluate(&bath("d", &titres, 0.03, 0.0), Detail::Figures).unwrap();
    let queries = &evaluation.titres[2].queries;
    assert!(
        queries.iter().any(|q| matches!(q, SlipQuery::OffByMark { mark_ml, .. } if *mark_ml == 1.0)),
        "{queries:?}"
    );
    assert!(matches!(evaluation.progress, Progress::NeedsMore { .. }));
}

fn dichromate() -> Reference {
    let standard = primary_standard("potassium dichromate").unwrap();
    let molar = standard.molar_mass();
    Reference {
        id: "lot".into(),
        code: "lot".into(),
        mass_fraction: 0.999954,
        mass_fraction_u: 0.000022,
        molar_mass: molar.value,
        molar_mass_u: molar.u,
        electrons: f64::from(standard.electrons),
        density: Some(standard.density),
        air_density: AIR_DENSITY,
        balance_id: "balance".into(),
        balance_u: 0.00013,
    }
}

// Independent computation: c20 = 0.0166928 mol/L, f = 1.00157.
#[test]
fn a_dichromate_prepared_by_mass_has_its_concentration_and_factor() {
    let prepared = prepare(&Preparation {
        id: "preparation".into(),
        reference: dichromate(),
        mass_g: 4.9052,
        mass_text: "4.9052".into(),
        flask: Vessel { u_ml: 0.2, ..vessel("F1000", 1000.0) },
        temperature: 24.0,
        nominal: 1.0 / 60.0,
        factor_limits: (0.990, 1.010),
    })
    .unwrap();
    close(prepared.concentration, 0.0166928, 5e-8);
    close(prepared.factor, 1.00157, 5e-6);
    assert_eq!(prepared.verdicts[0].outcome, Outcome::Met);
}

// Eurachem QUAM, example A2 (READ, 07_gum_eurachem.json): 0.10214 +- 0.00010 mol/L. An acid-base titration: one proton
// each, the repeatability given as a relative one, the burette's volume uncertainty 0.013 mL.
#[test]
fn eurachem_example_a2_comes_out_of_a_standardisation() {
    let table = data::json("07_gum_eurachem.json");
    let a2 = table.as_array().unwrap().iter().find(|entry| entry["id"] == "EURACHEM_A2").unwrap();
    let input = |name: &str, at: usize| a2["inputs"][name][at].as_str().unwrap().parse::<f64>().unwrap();
    let facts = Standardisation {
        id: "a2".into(),
        electrons: 1.0,
        nominal: 0.1,
        reference: Some(Reference {
            mass_fraction: input("P", 0),
            mass_fraction_u: input("P", 1),
            molar_mass: input("M_KHP", 0),
            molar_mass_u: input("M_KHP", 1),
            electrons: 1.0,
            density: None,
            balance_u: input("m_KHP_g", 1),
            ..dichromate()
        }),
        reference_titrant: None,
        burette: Burette { u_ml: input("V_mL", 1), ..burette() },
        corrections: (false, false),
        relative_repeatability: Some(input("rep", 1)),
        minimum: 1,
        factor_limits: (0.95, 1.05),
        agreement_percent: None,
        replicates: vec![Replicate {
            id: "r1".into(),
            position: 1,
            mass: Some((input("m_KHP_g", 0), "0.3888".into())),
            blank: false,
            standing: Standing::Counted,
            segments: vec![segment("0.00", "18.64")],
            temperature: None,
        }],
    };
    let titrant = standardise(&facts).unwrap().titrant.unwrap();
    close(titrant.concentration, a2["published"]["c"].as_f64().unwrap(), 5e-6);
    close(titrant.u, a2["published"]["u"].as_f64().unwrap(), 5e-6);
    close(titrant.concentration, a2["recomputed_from_table"]["c"].as_f64().unwrap(), 5e-9);
    close(titrant.u, a2["recomputed_from_table"]["u"].as_f64().unwrap(), 5e-10);
    assert_eq!(titrant.degrees_of_freedom, DegreesOfFreedom::Infinite);
}

// Common practice, no source: at least three accepted replicates; too few is a value, not an error.
#[test]
fn too_few_replicates_of_a_standardisation_say_what_is_missing() {
    let facts = Standardisation {
        id: "s".into(),
        electrons: 6.0,
        nominal: 1.0 / 60.0,
        reference: Some(dichromate()),
        reference_titrant: None,
        burette: burette(),
        corrections: (false, false),
        relative_repeatability: None,
        minimum: 3,
        factor_limits: (0.990, 1.010),
        agreement_percent: None,
        replicates: Vec::new(),
    };
    let result = standardise(&facts).unwrap();
    assert!(result.titrant.is_none());
    assert!(result.missing.unwrap().contains('3'));
}

// By hand: 25 mL of 1/60 mol/L dichromate take up 2.5 mmol of electrons, 10.00 mL of 0.1 mol/L iron(II)
// use 1.0 mmol of them, so 1.5 mmol of iron were in 0.4 g: 20.941875 %.
#[test]
fn a_back_titration_counts_the_oxidant_that_iron_used() {
    let mut record = bath("back", &[(ACCURATE, "10.00"), (ACCURATE, "10.00")], 0.03, 0.0);
    record.rules.chemistry = "back-titration".into();
    record.rules.reporting.unit = Unit::PercentByMass;
    record.portion = Portion {
        id: "portion".into(),
        amount: PortionAmount::Mass { id: "w".into(), grams: 0.4, u: 0.0, dof: None },
        dilution: Vec::new(),
        aliquot: None,
        density: None,
    };
    for titration in &mut record.titrations {
        let oxidant = Factor { id: "oxidant".into(), ..titration.factor.clone() };
        titration.excess = Some(Excess { factor: oxidant, pipette: vessel("P25", 25.0) });
        titration.factor = Factor {
            id: "A-1".into(),
            lot: "A-1".into(),
            electrons: 1,
            concentration: 0.1,
            u: 0.0,
            dof: None,
            following: None,
        };
    }
    let evaluation = evaluate(&record, Detail::Working).unwrap();
    close(evaluation.result.unwrap().value(), 20.941_875, 5e-7);
    assert!(!evaluation.working.unwrap().text().contains("NaN"));
    for titration in &mut record.titrations {
        titration.excess = None;
    }
    assert!(evaluate(&record, Detail::Figures).is_err());
}

// Independent computation with exact quantiles: sigma_r 0.03 mL gives r = 0.0832 and CR0.95(4) = 0.1157 mL.
#[test]
fn discordant_duplicates_follow_the_flow_to_a_mean_or_a_median_of_four() {
    let flow = |titres: &[&str]| {
        let titres: Vec<_> = titres.iter().map(|titre| (ACCURATE, *titre)).collect();
        let mut record = bath("d", &titres, 0.03, 0.0);
        record.rules.acceptance = Acceptance::CriticalRange;
        evaluate(&record, Detail::Figures).unwrap()
    };
    close(flow(&["23.10", "23.18"]).titre_ml.unwrap(), 23.14, 1e-9);
    let apart = flow(&["23.10", "23.20"]);
    assert!(matches!(apart.progress, Progress::NeedsMore { titrations: 2, .. }), "{:?}", apart.progress);
    close(apart.agreement.unwrap().critical_range_ml.unwrap(), 0.03 * 2.7718, 0.03 * 5e-5);
    let four = flow(&["23.10", "23.20", "23.14", "23.20"]);
    close(four.titre_ml.unwrap(), 23.16, 1e-9);
    close(four.agreement.unwrap().critical_range_ml.unwrap(), 0.03 * 3.6332, 0.03 * 5e-5);
    // Range 0.40 mL exceeds it: the median of 23.10, 23.12, 23.20, 23.50 is 23.16, their mean 23.23.
    close(flow(&["23.10", "23.20", "23.50", "23.12"]).titre_ml.unwrap(), 23.16, 1e-9);
}
