//! Determinations, preparations and standardisations that between them use every operation and every quantity.

use ferrotitre_core::chemistry::{AIR_DENSITY, Expressed};
use ferrotitre_core::determination::{
    Acceptance, BetweenRuns, Blank, BlankKind, Burette, Central, Density, DilutionStep, Excess, Factor, Following,
    Portion, PortionAmount, Preparation, Record, Reference, Replicate, Reporting, Rules, Segment, Standardisation,
    Standing, Titration, TitrationKind, Unit, Vessel,
};
use ferrotitre_core::rounding::Ties;
use ferrotitre_core::statistics::agreement::{ConcordanceMode, FollowUp};
use ferrotitre_core::uncertainty::CoverageRule;

fn vessel(code: &str, volume_ml: f64) -> Vessel {
    Vessel { id: format!("calibration of {code}"), code: code.into(), volume_ml, u_ml: 4e-4 * volume_ml, dof: None }
}

fn burette() -> Burette {
    Burette {
        id: "calibration of B-01".into(),
        code: "B-01".into(),
        corrections: (0..=5).map(|i| (10.0 * f64::from(i), 0.004 * f64::from(i * (5 - i)))).collect(),
        resolution_ml: 0.02,
        u_ml: 0.012,
        dof: Some(8.0),
    }
}

fn segment(initial: &str, last: &str) -> Segment {
    Segment { initial: initial.parse().unwrap(), last: last.parse().unwrap() }
}

fn factor(id: &str, lot: &str, electrons: u32, concentration: f64) -> Factor {
    Factor {
        id: id.into(),
        lot: lot.into(),
        electrons,
        concentration,
        u: 3e-4 * concentration,
        dof: Some(7.5),
        following: None,
    }
}

fn titration(id: &str, position: u32, last: &str) -> Titration {
    Titration {
        id: format!("{id}-{position}"),
        position,
        kind: TitrationKind::Accurate,
        standing: Standing::Counted,
        segments: vec![segment("0.02", last)],
        temperature: Some(22.5 + f64::from(position)),
        factor: factor("factor", "D-1", 6, 0.016_671),
        burette: burette(),
        reduction: None,
        excess: None,
    }
}

fn blank(id: &str, last: &str) -> Blank {
    Blank {
        id: id.into(),
        standing: Standing::Counted,
        segments: vec![segment("0.00", last)],
        temperature: Some(21.5),
        burette: burette(),
        iron_equivalent_ml: Some(2.0),
        iron_equivalent_u_ml: None,
        kind: BlankKind::Reagent,
        factor: None,
        corrected: false,
        added: None,
    }
}

fn record(id: &str, titres: &[&str]) -> Record {
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
            sigma_r_ml: Some((0.03, Some(14.0))),
            follow_up: FollowUp::Cheap,
            correct_burette: true,
            correct_temperature: true,
            subtract_blank: true,
            between_runs: None,
            interpolate_factor: false,
            end_point_u_ml: 0.01,
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
            id: format!("portion of {id}"),
            amount: PortionAmount::Volume(vessel("P10", 10.02)),
            dilution: vec![
                DilutionStep { pipette: None, flask: vessel("F250", 250.1) },
                DilutionStep { pipette: Some(vessel("P50", 50.02)), flask: vessel("F100", 99.95) },
            ],
            aliquot: Some(vessel("P25", 25.013)),
            density: Some(Density { id: "density".into(), value: 1.183, u: 0.002 }),
        },
        titrations: (1..).zip(titres).map(|(position, last)| titration(id, position, last)).collect(),
        blanks: vec![blank("blank 1", "2.06"), blank("blank 2", "2.02")],
    }
}

/// Total iron and iron(II) of one sample.
pub fn pair() -> (Record, Record) {
    (record("total", &["23.18", "23.22", "23.20"]), record("iron(II)", &["21.46", "21.50"]))
}

/// Determinations by what is particular about them.
#[expect(clippy::too_many_lines, reason = "a list of records")]
pub fn determinations() -> Vec<(&'static str, Record)> {
    let plain = record("d", &["23.18", "23.20", "23.24"]);
    let mut scattered = plain.clone();
    scattered.rules.sigma_r_ml = None;
    let mut uncorrected = plain.clone();
    uncorrected.rules.correct_burette = false;
    uncorrected.rules.correct_temperature = false;
    uncorrected.rules.subtract_blank = false;
    uncorrected.rules.reporting.unit = Unit::MolesPerLitre;
    uncorrected.portion.dilution.clear();
    uncorrected.portion.aliquot = None;
    let mut refilled = plain.clone();
    refilled.titrations[0].segments = vec![segment("0.02", "20.00"), segment("1.00", "4.22")];
    refilled.rules.reporting.unit = Unit::MilligramsPerLitre;
    let mut two_lots = plain.clone();
    two_lots.titrations[2].factor = factor("another", "D-2", 6, 0.016_652);
    two_lots.titrations[2].burette.id = "calibration of B-02".into();
    two_lots.titrations[2].burette.code = "B-02".into();
    let mut by_mass = plain.clone();
    by_mass.rules.reporting.unit = Unit::PercentByMass;
    by_mass.rules.reporting.expressed = Expressed::IronIIIOxide;
    let mut of_mass = by_mass.clone();
    of_mass.portion.amount = PortionAmount::Mass { id: "weighing".into(), grams: 0.4123, u: 0.000_12, dof: None };
    of_mass.rules.reporting.unit = Unit::GramsPerLitre;
    let mut median = record("m", &["23.18", "23.22", "23.80", "23.96"]);
    median.rules.central = Central::Median;
    let mut discordant = record("s", &["21.46", "21.48", "30.46", "40.46"]);
    discordant.rules.give_up_after = 4;
    let mut few = discordant.clone();
    few.rules.sigma_r_ml = None;
    let mut interpolated = plain.clone();
    interpolated.rules.interpolate_factor = true;
    for (titration, passed) in interpolated.titrations.iter_mut().zip([0.25, 0.5, 0.75]) {
        let following = Following { id: "next".into(), concentration: 0.016_683, u: 5e-6, dof: None, passed };
        titration.factor.following = Some(following);
    }
    let mut added = plain.clone();
    for (blank, last) in added.blanks.iter_mut().zip(["2.06", "2.02"]) {
        blank.segments = vec![segment("0.00", last)];
        blank.iron_equivalent_ml = None;
        blank.added = Some(Excess { factor: factor("iron", "A-1", 1, 0.1003), pipette: vessel("P2", 2.001) });
        blank.factor = Some(factor("another", "D-2", 6, 0.016_652));
        blank.burette.id = "calibration of B-02".into();
        blank.burette.code = "B-02".into();
    }
    let mut stated = plain.clone();
    for blank in &mut stated.blanks {
        blank.iron_equivalent_u_ml = Some(0.004);
    }
    let mut back = record("back", &["10.02", "10.06"]);
    back.rules.chemistry = "back-titration".into();
    for titration in &mut back.titrations {
        titration.factor = factor("iron", "A-1", 1, 0.1003);
        let oxidant = factor("oxidant", "D-1", 6, 0.016_671);
        titration.excess = Some(Excess { factor: oxidant, pipette: vessel("P50", 50.02) });
    }
    let mut oxidant_known = back.clone();
    back.blanks = vec![blank("blank 1", "49.96"), blank("blank 2", "49.98")];
    for blank in &mut back.blanks {
        blank.iron_equivalent_ml = None;
        blank.added.clone_from(&back.titrations[0].excess);
    }
    oxidant_known.rules.subtract_blank = false;
    let mut by_component = plain.clone();
    by_component.rules.between_runs = Some(BetweenRuns::Component(0.003, Some(24.0)));
    let mut top_down = plain.clone();
    top_down.rules.between_runs = Some(BetweenRuns::AtLeast(0.0035));
    vec![
        ("with a component between runs", by_component),
        ("no less than top-down", top_down),
        ("plain", plain),
        ("no sigma", scattered),
        ("nothing corrected", uncorrected),
        ("refilled", refilled),
        ("two lots and burettes", two_lots),
        ("by mass of the sample", by_mass),
        ("of a mass", of_mass),
        ("median", median),
        ("discordant", discordant),
        ("discordant, no sigma", few),
        ("interpolated", interpolated),
        ("back-titration", back),
        ("back-titration without a blank", oxidant_known),
        ("iron(II) added by a pipette, another lot", added),
        ("iron(II) with its uncertainty", stated),
    ]
}

fn reference(density: Option<f64>) -> Reference {
    Reference {
        id: "lot".into(),
        code: "K-1".into(),
        mass_fraction: 0.999_54,
        mass_fraction_u: 0.0002,
        molar_mass: 294.1846,
        molar_mass_u: 0.0012,
        electrons: 6.0,
        density,
        air_density: AIR_DENSITY,
        balance_id: "balance".into(),
        balance_u: 0.000_13,
    }
}

/// Preparations, with and without buoyancy, above and below the greatest density of water.
pub fn preparations() -> Vec<(&'static str, Preparation)> {
    let warm = Preparation {
        id: "preparation".into(),
        reference: reference(Some(2.68)),
        mass_g: 4.9052,
        mass_text: "4.9052".into(),
        flask: vessel("F1000", 1000.2),
        temperature: 24.0,
        nominal: 1.0 / 60.0,
        factor_limits: (0.99, 1.01),
    };
    let cold = Preparation { reference: reference(None), temperature: 2.0, ..warm.clone() };
    vec![("preparation", warm), ("preparation, cold, without buoyancy", cold)]
}

fn replicate(position: u32, mass: Option<&str>, blank: bool, last: &str) -> Replicate {
    Replicate {
        id: format!("replicate {position} {blank}"),
        position,
        mass: mass.map(|text| (text.parse().unwrap(), text.to_owned())),
        blank,
        standing: Standing::Counted,
        segments: vec![segment("0.00", last)],
        temperature: Some(21.0 + f64::from(position)),
    }
}

/// Standardisations against a weighed standard, its scatter known or not, and against a titrant.
pub fn standardisations() -> Vec<(&'static str, Standardisation)> {
    let masses = [(1, "0.1225", "24.96"), (2, "0.1219", "24.86"), (3, "0.1231", "25.10")];
    let weighed = Standardisation {
        id: "standardisation".into(),
        electrons: 1.0,
        nominal: 0.1,
        reference: Some(reference(Some(2.68))),
        reference_titrant: None,
        burette: burette(),
        corrections: (true, true),
        relative_repeatability: None,
        minimum: 3,
        factor_limits: (0.99, 1.01),
        agreement_percent: None,
        replicates: masses
            .iter()
            .map(|(at, mass, last)| replicate(*at, Some(mass), false, last))
            .chain([replicate(1, None, true, "0.04"), replicate(2, None, true, "0.02")])
            .collect(),
    };
    let known = Standardisation { relative_repeatability: Some(5e-4), ..weighed.clone() };
    let titrant = Standardisation {
        reference: None,
        reference_titrant: Some((factor("reference", "D-1", 6, 0.016_671), vessel("P25", 25.013))),
        corrections: (false, false),
        replicates: vec![
            replicate(1, None, false, "25.04"),
            replicate(2, None, false, "25.06"),
            replicate(3, None, false, "25.02"),
            replicate(1, None, true, "0.02"),
        ],
        ..weighed.clone()
    };
    vec![("standardisation", weighed), ("standardisation, known scatter", known), ("against a titrant", titrant)]
}
