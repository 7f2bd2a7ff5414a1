//! Records of a pickling bath with uncertainties, and what they come to.

use ferrotitre_core::chemistry::Expressed;
use ferrotitre_core::determination::{
    Blank, BlankKind, Detail, Evaluation, Figure, PortionAmount, Record, Standing, TitrationKind, Unit, evaluate,
};

use crate::bath::{ACCURATE, bath, burette, segment};

/// Hundredths of a millilitre as a reading.
pub fn ml(hundredths: i64) -> String {
    format!("{}.{:02}", hundredths / 100, hundredths % 100)
}

/// Uncertainty on every source, and titres within the limit of each other.
pub fn record(id: &str, base: i64, offsets: &[i64]) -> Record {
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

pub fn run(record: &Record) -> Evaluation {
    evaluate(record, Detail::Figures).unwrap()
}

pub fn value(record: &Record) -> f64 {
    run(record).result.unwrap().value()
}

pub fn figure(record: &Record, unit: Unit, expressed: Expressed) -> Figure {
    run(record).figures.into_iter().find(|f| f.unit == unit && f.expressed == expressed).unwrap()
}

pub fn blank(equivalent: Option<f64>, last: &str) -> Blank {
    Blank {
        id: "blank".into(),
        standing: Standing::Counted,
        segments: vec![segment("0.00", last)],
        temperature: None,
        burette: burette(),
        iron_equivalent_ml: equivalent,
        iron_equivalent_u_ml: None,
        kind: BlankKind::Reagent,
        factor: None,
        corrected: false,
        added: None,
    }
}
