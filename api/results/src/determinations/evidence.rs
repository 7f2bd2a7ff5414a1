//! What the determinations by a method have shown of its budget, and what each line of that budget rests on.

use std::collections::HashMap;

use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_bench::methods::store::versions;
use ferrotitre_bench::titrants::store::{self as titrants, FactorRow, TitrantRow};
use ferrotitre_core::control::drift::FactorPoint;
use ferrotitre_core::determination::{
    Detail, EvaluationError, Evidence, Record, ResultOutcome, Rules, blanks_seen, brief, duplicates_seen, evaluate,
    factors_seen, titres_seen,
};
use ferrotitre_core::uncertainty::Contribution;
use uuid::Uuid;

use crate::determinations::material::{Material, gather};
use crate::determinations::measured::is_signed;
use crate::determinations::sources::Source;
use crate::determinations::store::{self, DeterminationRow};

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
    pub of: Option<Uuid>,
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
    /// Standardisations of a lot.
    Standardised(String),
    /// A lot prepared by mass.
    Prepared(String),
    /// The balance that the portion was weighed on.
    Balance,
    /// The published value of a constant.
    Published(&'static str),
    /// Stated with the record or the method, with nothing behind it here.
    Stated(&'static str),
}

fn refused(error: EvaluationError) -> Refusal {
    Refusal::new(Code::NotEnoughData, error.to_string()).because(error)
}

/// The newest determinations by a method with everything they rest on, read once for all its versions.
pub struct History {
    newest: Vec<DeterminationRow>,
    /// Others that were asked for.
    named: Vec<DeterminationRow>,
    material: Material,
    factors: Vec<(FactorRow, TitrantRow)>,
}

/// Reads the newest determinations by any of these versions, and some by their identities.
pub async fn history(connection: &Connection, methods: &[MethodId], named: &[Uuid]) -> Result<History, Refusal> {
    let newest = store::newest_by_methods(connection, methods, MOST).await?;
    let named = store::determinations_by_id(connection, named).await?;
    let mut all = newest.clone();
    all.extend(named.iter().filter(|row| newest.iter().all(|other| other.id != row.id)).cloned());
    let material = gather(connection, &all).await?;
    let factors = material.all_factors();
    Ok(History { newest, named, material, factors })
}

impl History {
    fn record(&self, row: &DeterminationRow, source: &Source<'_>, rules: &Rules) -> Result<Option<Record>, Refusal> {
        if !is_signed(self.material.state(row.id)) {
            return Ok(None);
        }
        let record = self.material.draw(row, &self.material.sight(row.id), source)?.record;
        Ok(Some(Record { rules: rules.clone(), ..record }))
    }

    fn ground(&self, id: &str) -> Ground {
        let kind = id.split(':').next().unwrap_or_default();
        match (kind, Uuid::parse_str(id)) {
            (_, Ok(row)) => {
                let factor = self.factors.iter().find(|(factor, _)| factor.id.0 == row);
                match (factor, self.material.shelf.calibration(row)) {
                    (Some((of, lot)), _) if of.standardisation_id.is_some() => Ground::Standardised(lot.code.clone()),
                    (Some((_, lot)), _) => Ground::Prepared(lot.code.clone()),
                    (None, Some(of)) => Ground::Calibration(format!("{} of {}", of.certificate, of.calibrated_on)),
                    (None, None) => Ground::Stated("stated with the record"),
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
        }
    }

    /// The lot that the newest of them was titrated with.
    fn lot(&self, records: &[Record]) -> Option<&TitrantRow> {
        let factor = &records.first()?.titrations.first()?.factor.id;
        self.factors.iter().find(|(row, _)| row.id.to_string() == *factor).map(|(_, lot)| lot)
    }

    /// Result and standard uncertainty of a named determination in a unit, as if it had been made by these rules; none where it
    /// is no result any longer.
    pub fn claimed(&self, id: Uuid, version: &versions::Row, unit: &str) -> Result<Option<(f64, f64)>, Refusal> {
        let Some(row) = self.named.iter().find(|row| row.id.0 == id) else { return Ok(None) };
        let Some(record) = self.record(row, &self.material.source(), &rules(version))? else { return Ok(None) };
        let Ok(evaluation) = evaluate(&record, Detail::Figures) else { return Ok(None) };
        let expressed = record.rules.reporting.expressed;
        let found = evaluation.figures.iter().find(|of| of.unit.symbol() == unit && of.expressed == expressed);
        Ok(found.map(|of| (of.value, of.u)))
    }

    /// What the newest of them that are signed show, as if they had been made by the rules of one version.
    pub async fn shown(&self, connection: &Connection, version: &versions::Row) -> Result<Shown, Refusal> {
        let (source, rules) = (self.material.source(), rules(version));
        let mut records: Vec<Record> = Vec::new();
        let mut portions: HashMap<(Uuid, Uuid), Vec<(Uuid, usize)>> = HashMap::new();
        let mut newest: Option<(Uuid, Vec<Contribution>)> = None;
        for row in &self.newest {
            let Some(record) = self.record(row, &source, &rules)? else { continue };
            // What was made by a version that asked for less, a temperature say, cannot be evaluated by the rules of this one.
            let Ok(found) = brief(&record) else { continue };
            if newest.is_none() && found.outcome == ResultOutcome::Concordant {
                newest = Some((row.id.0, evaluate(&record, Detail::Working).map_err(refused)?.budget));
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
        let (of, budget) = newest.unzip();
        let lines = budget.unwrap_or_default().into_iter().map(|line| {
            let ground = self.ground(&line.input.id);
            (line, ground)
        });
        Ok(Shown {
            titres: titres_seen(&records).map_err(refused)?,
            blanks: blanks_seen(&records).map_err(refused)?,
            duplicates: duplicates_seen(&pairs).map_err(refused)?,
            factors: factors(connection, self.lot(&records)).await?,
            unit: rules.reporting.unit.symbol(),
            of,
            lines: lines.collect(),
        })
    }
}

fn rules(version: &versions::Row) -> Rules {
    version.facts.rules.0.to_core(&version.facts.chemistry, &version.facts.indicator)
}

async fn factors(connection: &Connection, lot: Option<&TitrantRow>) -> Result<Evidence, Refusal> {
    let Some(lot) = lot else { return Ok(factors_seen(&[])) };
    let nominal = lot.nominal_mol_per_l.value();
    let all = titrants::factors(connection, lot.id).await?;
    let point = |factor: &FactorRow| FactorPoint {
        day: (factor.valid_from - lot.observed_at).num_milliseconds() as f64 / 86_400_000.0,
        factor: factor.factor.value(),
        u: factor.standard_uncertainty.value() / nominal,
    };
    Ok(factors_seen(&all.iter().rev().map(point).collect::<Vec<FactorPoint>>()))
}
