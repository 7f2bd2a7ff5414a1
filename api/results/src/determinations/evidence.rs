//! What the determinations by a method have shown of its budget, and what each line of that budget rests on.

use std::collections::HashMap;

use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{FactorId, MethodId};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_bench::equipment::store as equipment;
use ferrotitre_bench::methods::store::versions;
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_core::control::drift::FactorPoint;
use ferrotitre_core::determination::{
    Detail, Evidence, Record, ResultOutcome, blanks_seen, duplicates_seen, evaluate, factors_seen, titres_seen,
};
use ferrotitre_core::uncertainty::Contribution;
use uuid::Uuid;

use crate::determinations::material::gather;
use crate::determinations::measured::is_signed;
use crate::determinations::store;

/// Newest determinations that are looked at.
const MOST: i64 = 200;

/// What was found.
pub struct Shown {
    /// Titres about the mean of their determination, mL.
    pub titres: Evidence,
    /// Blanks about the mean of their run, mL.
    pub blanks: Evidence,
    /// Two test portions of one sample in a run, in the unit of the result.
    pub duplicates: Evidence,
    /// Factors of the lot that the newest determination was titrated with, about the line they drift along.
    pub factors: Evidence,
    /// Unit of the result.
    pub unit: &'static str,
    /// The newest settled determination, whose budget the lines are of.
    pub of: Option<(Uuid, String)>,
    /// Lines of its budget, with the row each rests on where there is one.
    pub lines: Vec<(Contribution, Ground)>,
}

/// What a line of a budget rests on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ground {
    /// Titres of determinations.
    Titres,
    /// Blanks of runs.
    Blanks,
    /// Control charts, by the method version.
    Charts,
    /// A certificate of calibration, in words.
    Calibration(String),
    /// A factor of a titrant: standardised, or prepared by mass.
    Factor(String),
    /// The balance that the portion was weighed on.
    Balance,
    /// The published value of a constant.
    Published(&'static str),
    /// Stated with the record or the method, with nothing behind it here.
    Stated(&'static str),
}

fn refused(error: ferrotitre_core::determination::EvaluationError) -> Refusal {
    Refusal::new(Code::NotEnoughData, error.to_string()).because(error)
}

async fn ground(connection: &Connection, id: &str) -> Result<Ground, Refusal> {
    let kind = id.split(':').next().unwrap_or_default();
    Ok(match (kind, Uuid::parse_str(id)) {
        (_, Ok(row)) => {
            let factors = titrants::factors_by_id(connection, &[FactorId(row)]).await?;
            match factors.first() {
                Some((factor, lot)) => Ground::Factor(match factor.standardisation_id {
                    Some(_) => format!("standardisation of {}", lot.code),
                    None => format!("preparation of {} by mass, certificate of its standard", lot.code),
                }),
                None => match equipment::calibration(connection, row).await {
                    Ok(of) => Ground::Calibration(format!("{} of {}", of.certificate, of.calibrated_on)),
                    Err(_) => Ground::Stated("stated with the record"),
                },
            }
        }
        ("repeatability", _) => Ground::Titres,
        ("blank" | "blanks", _) => Ground::Blanks,
        ("run", _) => Ground::Charts,
        ("mass", _) => Ground::Balance,
        ("molar-mass", _) => Ground::Published("standard atomic weights (IUPAC)"),
        ("end-point", _) => Ground::Stated("stated by the method version"),
        ("density", _) => Ground::Stated("stated with the test portion"),
        _ => Ground::Stated("stated with the record"),
    })
}

/// Factors of the lot of one of them.
async fn factors(connection: &Connection, of: Option<FactorId>) -> Result<Evidence, Refusal> {
    let named = titrants::factors_by_id(connection, of.as_slice()).await?;
    let Some((_, lot)) = named.first() else { return Ok(factors_seen(&[])) };
    let nominal = lot.nominal_mol_per_l.value();
    let all = titrants::factors(connection, lot.id).await?;
    let point = |factor: &titrants::FactorRow| FactorPoint {
        day: (factor.valid_from - lot.observed_at).num_milliseconds() as f64 / 86_400_000.0,
        factor: factor.factor.value(),
        u: factor.standard_uncertainty.value() / nominal,
    };
    Ok(factors_seen(&all.iter().rev().map(point).collect::<Vec<FactorPoint>>()))
}

/// What the newest signed determinations by any of these versions of a method show, as if they had been made by the rules of one
/// of them.
pub async fn of_method(
    connection: &Connection,
    methods: &[MethodId],
    version: &versions::Row,
) -> Result<Shown, Refusal> {
    let rows = store::newest_by_methods(connection, methods, MOST).await?;
    let material = gather(connection, &rows).await?;
    let source = material.source();
    let rules = version.facts.rules.0.to_core(&version.facts.chemistry, &version.facts.indicator);
    let unit = rules.reporting.unit.symbol();
    let mut records: Vec<Record> = Vec::new();
    let mut portions: HashMap<(Uuid, Uuid), Vec<(Uuid, usize)>> = HashMap::new();
    let mut newest: Option<(Uuid, String, Vec<Contribution>)> = None;
    for row in rows.iter().filter(|row| is_signed(material.state(row.id))) {
        let mut record = material.draw(row, &material.sight(row.id), &source)?.record;
        record.rules.clone_from(&rules);
        // What was made by a version that asked for less, a temperature say, cannot be evaluated by the rules of this one.
        let detail = if newest.is_none() { Detail::Working } else { Detail::Figures };
        let Ok(evaluation) = evaluate(&record, detail) else { continue };
        if newest.is_none() && evaluation.outcome == ResultOutcome::Concordant {
            newest = Some((row.id.0, row.code.clone(), evaluation.budget));
        }
        if row.purpose == "sample" {
            let of_sample = portions.entry((row.run_id.0, row.sample_id)).or_default();
            if of_sample.iter().all(|(portion, _)| *portion != row.portion_id) {
                of_sample.push((row.portion_id, records.len()));
            }
        }
        records.push(record);
    }
    let mut pairs: Vec<(usize, usize)> =
        portions.values().filter_map(|of| Some((of.first()?.1, of.get(1)?.1))).collect();
    pairs.sort_unstable();
    let pairs: Vec<(Record, Record)> = pairs
        .into_iter()
        .filter_map(|(one, other)| Some((records.get(one)?.clone(), records.get(other)?.clone())))
        .collect();
    let lot = records.first().and_then(|record| record.titrations.first());
    let lot = lot.and_then(|titration| titration.factor.id.parse().ok()).map(FactorId);
    let mut lines = Vec::new();
    let (of, budget) = match newest {
        Some((id, code, budget)) => (Some((id, code)), budget),
        None => (None, Vec::new()),
    };
    for line in budget {
        let ground = ground(connection, &line.input.id).await?;
        lines.push((line, ground));
    }
    Ok(Shown {
        titres: titres_seen(&records).map_err(refused)?,
        blanks: blanks_seen(&records).map_err(refused)?,
        duplicates: duplicates_seen(&pairs).map_err(refused)?,
        factors: factors(connection, lot).await?,
        unit,
        of,
        lines,
    })
}
