//! A determination as the benchmarks evaluate it.

use std::error::Error;

use ferrotitre_core::chemistry::Expressed;
use ferrotitre_core::determination::{
    Acceptance, Burette, Central, DilutionStep, Factor, Portion, PortionAmount, Record, Reporting, Rules, Segment,
    Standing, Titration, TitrationKind, Unit, Vessel,
};
use ferrotitre_core::rounding::Ties;
use ferrotitre_core::statistics::agreement::{ConcordanceMode, FollowUp};
use ferrotitre_core::uncertainty::CoverageRule;

type Outcome<T> = Result<T, Box<dyn Error>>;

fn vessel(code: &str, volume_ml: f64, u_ml: f64) -> Vessel {
    Vessel { id: code.into(), code: code.into(), volume_ml, u_ml, dof: None }
}

fn titration(position: u32, last: &str) -> Outcome<Titration> {
    Ok(Titration {
        id: format!("titration {position}"),
        position,
        kind: TitrationKind::Accurate,
        standing: Standing::Counted,
        segments: vec![Segment { initial: "0.00".parse()?, last: last.parse()? }],
        temperature: None,
        factor: Factor {
            id: "factor".into(),
            lot: "D-1".into(),
            electrons: 6,
            concentration: 1.0 / 60.0,
            u: 2e-6,
            dof: None,
            following: None,
        },
        burette: Burette {
            id: "B-01".into(),
            code: "B-01".into(),
            corrections: Vec::new(),
            resolution_ml: 0.02,
            u_ml: 0.012,
            dof: None,
        },
        reduction: None,
        excess: None,
    })
}

/// A pickling bath: 10 mL to 250 mL, aliquot 25 mL, three titres with dichromate.
pub fn record(readings: [&str; 3]) -> Outcome<Record> {
    Ok(Record {
        id: "bath".into(),
        rules: Rules {
            chemistry: "dichromate".into(),
            indicator: "diphenylamine sulfonate".into(),
            acceptance: Acceptance::Concordance,
            concordance_limit_ml: 0.10,
            concordance_mode: ConcordanceMode::AllAccurate,
            minimum_titres: 3,
            give_up_after: 6,
            central: Central::Mean,
            sigma_r_ml: Some((0.03, None)),
            follow_up: FollowUp::Cheap,
            correct_burette: false,
            correct_temperature: false,
            subtract_blank: false,
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
            id: "portion".into(),
            amount: PortionAmount::Volume(vessel("P10", 10.0, 0.01)),
            dilution: vec![DilutionStep { pipette: None, flask: vessel("F250", 250.0, 0.08) }],
            aliquot: Some(vessel("P25", 25.0, 0.015)),
            density: None,
        },
        titrations: vec![titration(1, readings[0])?, titration(2, readings[1])?, titration(3, readings[2])?],
        blanks: Vec::new(),
    })
}
