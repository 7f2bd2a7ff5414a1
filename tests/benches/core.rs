//! How fast the pure calculations are: evaluations, critical values of Dixon's ratio, appends to the Merkle tree.

use std::error::Error;
use std::hint::black_box;
use std::time::{Duration, Instant};

use ferrotitre_core::chemistry::Expressed;
use ferrotitre_core::determination::{
    Acceptance, Burette, Central, Detail, DilutionStep, Factor, Portion, PortionAmount, Record, Reporting, Rules,
    Segment, Standing, Titration, TitrationKind, Unit, Vessel, evaluate,
};
use ferrotitre_core::merkle::{Frontier, leaf_hash};
use ferrotitre_core::rounding::Ties;
use ferrotitre_core::statistics::agreement::{ConcordanceMode, FollowUp};
use ferrotitre_core::statistics::outliers::Sidedness;
use ferrotitre_core::statistics::outliers::dixon::{Ratio, critical};
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
fn bath() -> Outcome<Record> {
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
        titrations: vec![titration(1, "23.16")?, titration(2, "23.18")?, titration(3, "23.18")?],
        blanks: Vec::new(),
    })
}

/// Repeats for about a second and prints how many a second were done; the median of five slices.
fn rate(name: &str, mut once: impl FnMut() -> Outcome<()>) -> Outcome<()> {
    let mut rates = Vec::new();
    for _ in 0..5 {
        let started = Instant::now();
        let mut done = 0u32;
        while started.elapsed() < Duration::from_millis(200) {
            once()?;
            done += 1;
        }
        rates.push(f64::from(done) / started.elapsed().as_secs_f64());
    }
    rates.sort_by(f64::total_cmp);
    println!("{name:<44} {:>12.0} /s   {:>10.2} us each", rates[2], 1e6 / rates[2]);
    Ok(())
}

fn main() -> Outcome<()> {
    let record = bath()?;
    rate("evaluate, figures only", || {
        black_box(evaluate(black_box(&record), Detail::Figures)?);
        Ok(())
    })?;
    rate("evaluate, with the whole working", || {
        black_box(evaluate(black_box(&record), Detail::Working)?);
        Ok(())
    })?;

    // Each pair of n and alpha is new to the program, so nothing is remembered.
    let mut cold = Vec::new();
    for n in 3..=30usize {
        let started = Instant::now();
        black_box(critical(Ratio::recommended(n), n, 0.0317, Sidedness::OneSided)?);
        cold.push(started.elapsed().as_secs_f64());
    }
    cold.sort_by(f64::total_cmp);
    println!(
        "Dixon critical value, first time, n 3 to 30: median {:.2} ms, longest {:.2} ms",
        1e3 * cold[cold.len() / 2],
        1e3 * cold[cold.len() - 1]
    );
    rate("Dixon critical value again, n = 10", || {
        black_box(critical(Ratio::recommended(10), black_box(10), 0.0317, Sidedness::OneSided)?);
        Ok(())
    })?;

    let mut tree = Frontier::new();
    let entry = [7u8; 600];
    rate("Merkle tree, hash and append a 600-byte event", || {
        tree.append(leaf_hash(black_box(&entry)));
        Ok(())
    })?;
    println!("  the tree then has {} leaves", tree.size());
    Ok(())
}
