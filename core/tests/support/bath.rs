//! A pickling bath, exact but for what a test asks for.

use ferrotitre_core::chemistry::Expressed;
use ferrotitre_core::determination::{
    Acceptance, Burette, Central, DilutionStep, Factor, Portion, PortionAmount, Record, Reporting, Rules, Segment,
    Standing, Titration, TitrationKind, Unit, Vessel,
};
use ferrotitre_core::rounding::Ties;
use ferrotitre_core::statistics::agreement::{ConcordanceMode, FollowUp};
use ferrotitre_core::uncertainty::CoverageRule;

pub fn vessel(id: &str, volume_ml: f64) -> Vessel {
    Vessel { id: id.into(), code: id.into(), volume_ml, u_ml: 0.0, dof: None }
}

pub fn burette() -> Burette {
    Burette {
        id: "B-01".into(),
        code: "B-01".into(),
        corrections: Vec::new(),
        resolution_ml: 0.01,
        u_ml: 0.0,
        dof: None,
    }
}

pub fn segment(initial: &str, last: &str) -> Segment {
    Segment { initial: initial.parse().unwrap(), last: last.parse().unwrap() }
}

/// 10 -> 250 mL, 25 mL aliquot, 1/60 mol/L dichromate: 5.5845 g/L per mL, by hand: 1 mL takes 1e-4 mol of
/// iron(II) from 1 mL of the bath.
pub fn bath(id: &str, titres: &[(TitrationKind, &str)], sigma: f64, relative_u: f64) -> Record {
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
            between_runs: None,
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

pub const ACCURATE: TitrationKind = TitrationKind::Accurate;
