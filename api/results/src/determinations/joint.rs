//! Several results together, with what they share: sums, differences, means of a batch, balances.

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::RunId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_core::determination::{Combined, JointError, Record, ResultOutcome, brief, joint};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::determinations::evaluation::expressed;
use crate::determinations::material::gather;
use crate::determinations::measured::is_signed;
use crate::determinations::store::{self, DeterminationRow};

/// Results that are taken together at most.
const MOST: usize = 100;

/// Which results, and what is made of them.
#[derive(Debug, Default, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AskedJoint {
    /// Identities of determinations, with commas between, each once; or else a sample or a run.
    pub determinations: Option<String>,
    /// All signed results of this sample.
    pub sample: Option<Uuid>,
    /// All signed results of samples in this run.
    pub run: Option<Uuid>,
    /// A coefficient for every result, with commas between, in the order of the answer: that in which they were named, or of
    /// recording; for a balance or a difference.
    #[param(example = "1,1,-1")]
    pub coefficients: Option<String>,
}

/// Results with everything between them.
#[derive(Debug, Serialize, ToSchema)]
pub struct JointView {
    /// Unit of all of them.
    #[schema(example = "g/L")]
    pub unit: &'static str,
    /// As what they are expressed.
    #[schema(example = "Fe")]
    pub expressed: &'static str,
    /// Results, in the order they were named in, or of recording.
    pub results: Vec<JointResultView>,
    /// Covariances, row by row in that order, in the unit squared.
    pub covariance: Vec<Vec<f64>>,
    /// Correlation coefficients, row by row; null where a result has no uncertainty.
    pub correlation: Vec<Vec<Option<f64>>>,
    /// Mean and sum of the results of each analyte, the difference of the means of two analytes, and what was asked for.
    pub combinations: Vec<CombinationView>,
    /// What was left out, and why.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<String>,
}

/// One of the results.
#[derive(Debug, Serialize, ToSchema)]
pub struct JointResultView {
    /// Determination.
    pub determination: Uuid,
    /// Its number.
    #[schema(example = "DET-000001")]
    pub code: String,
    /// What was determined.
    #[schema(example = "iron(II)")]
    pub analyte: String,
    /// Value, unrounded.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Expanded uncertainty, unrounded.
    pub expanded_uncertainty: f64,
}

/// What is made of the results.
#[derive(Debug, Serialize, ToSchema)]
pub struct CombinationView {
    /// What it is, in words.
    #[schema(example = "mean of iron(II)")]
    pub what: String,
    /// A coefficient for every result.
    pub coefficients: Vec<f64>,
    /// Value, unrounded.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Coverage factor.
    pub coverage_factor: f64,
    /// Expanded uncertainty, unrounded.
    pub expanded_uncertainty: f64,
    /// Standard uncertainty if the results were independent, which is wrong where they share something.
    pub u_if_independent: f64,
}

fn refused(error: JointError) -> Refusal {
    let message = error.to_string();
    match error {
        JointError::Coefficients { found, .. } => Refusal::invalid("coefficients", "one_each", message, found),
        JointError::UnitsDiffer { .. } => Refusal::new(Code::RuleBroken, message),
        JointError::NoResult { .. } | JointError::Evaluation(_) => Refusal::new(Code::NotEnoughData, message),
    }
}

fn listed<T>(field: &str, text: &str, what: &str, of: impl Fn(&str) -> Option<T>) -> Result<Vec<T>, Refusal> {
    text.split(',')
        .map(|part| {
            let part = part.trim();
            of(part).ok_or_else(|| Refusal::invalid(field, "list", format!("must be {what} with commas between"), part))
        })
        .collect()
}

/// The rows, in the order they were named in or else of recording.
async fn rows(connection: &Connection, asked: &AskedJoint) -> Result<Vec<DeterminationRow>, Refusal> {
    match (&asked.determinations, asked.sample, asked.run) {
        (Some(ids), None, None) => {
            let ids = listed("determinations", ids, "identities of determinations", |part| Uuid::parse_str(part).ok())?;
            let found = store::determinations_by_id(connection, &ids).await?;
            let mut rows: Vec<DeterminationRow> = Vec::with_capacity(ids.len());
            for id in ids {
                let unknown = || Refusal::new(Code::UnknownReference, "there is no such determination");
                let row = found.iter().find(|row| row.id.0 == id);
                let row = row.ok_or_else(|| unknown().at("determinations", "exists", id))?;
                if rows.iter().any(|other| other.id == row.id) {
                    return Err(Refusal::invalid("determinations", "once", "names a determination twice", &row.code));
                }
                rows.push(row.clone());
            }
            Ok(rows)
        }
        (None, Some(sample), None) => {
            let mut rows = store::of_samples(connection, &[sample]).await?;
            rows.reverse();
            Ok(rows)
        }
        (None, None, Some(run)) => store::of_run(connection, RunId(run)).await,
        _ => {
            let message = "name determinations, or a sample, or a run: one of the three";
            Err(Refusal::invalid("determinations", "one_of_three", message, ""))
        }
    }
}

fn combination(what: String, coefficients: Vec<f64>, of: &Combined) -> CombinationView {
    CombinationView {
        what,
        coefficients,
        value: of.estimate.value(),
        u: of.estimate.u(),
        coverage_factor: of.coverage.factor,
        expanded_uncertainty: of.coverage.expanded_uncertainty,
        u_if_independent: of.u_if_independent,
    }
}

/// What is made of results without being asked: mean and sum of those of one analyte, and by how much the mean of the second analyte
/// is above that of the first. Results of different analytes have no mean.
fn usual(analytes: &[&str]) -> Vec<(String, Vec<f64>)> {
    let mut distinct: Vec<&str> = Vec::new();
    for analyte in analytes {
        if !distinct.contains(analyte) {
            distinct.push(analyte);
        }
    }
    let of = |analyte: &str, each: f64| -> Vec<f64> {
        analytes.iter().map(|one| if *one == analyte { each } else { 0.0 }).collect()
    };
    let count = |analyte: &str| analytes.iter().filter(|one| **one == analyte).count();
    let mean = |analyte: &str| of(analyte, 1.0 / count(analyte) as f64);
    let mut wanted = Vec::new();
    for analyte in distinct.iter().filter(|analyte| count(analyte) > 1) {
        wanted.push((format!("mean of {analyte}"), mean(analyte)));
        wanted.push((format!("sum of {analyte}"), of(analyte, 1.0)));
    }
    match distinct.as_slice() {
        [only] if analytes.len() == 2 => wanted.push((format!("difference of {only}"), vec![-1.0, 1.0])),
        [first, second] => {
            let difference = mean(second).iter().zip(mean(first)).map(|(a, b)| a - b).collect();
            wanted.push((format!("{second} less {first}"), difference));
        }
        _ => {}
    }
    wanted
}

/// Takes results together, each read under its signature.
///
/// # Errors
/// None or too many; one that has no result, or is in another unit; coefficients that are not one for each.
pub async fn read(db: &Db, asked: &AskedJoint) -> Result<JointView, Refusal> {
    db.snapshot(async |connection| together(connection, asked).await).await
}

/// Two are the fewest; more than that many are refused.
fn enough(taken: usize, left_out: &[String]) -> Result<(), Refusal> {
    if taken < 2 {
        let why = if left_out.is_empty() { String::new() } else { format!(" (left out: {})", left_out.join("; ")) };
        let detail = format!("not enough data: {} signed results, two are the fewest{why}", taken);
        return Err(Refusal::new(Code::NotEnoughData, detail));
    }
    if taken > MOST {
        let message = format!("are more than {MOST} results");
        return Err(Refusal::invalid("determinations", "size", message, taken));
    }
    Ok(())
}

fn result_view(((row, analyte, _), result): (&(&DeterminationRow, String, Record), &Combined)) -> JointResultView {
    JointResultView {
        determination: row.id.0,
        code: row.code.clone(),
        analyte: analyte.clone(),
        value: result.estimate.value(),
        u: result.estimate.u(),
        expanded_uncertainty: result.coverage.expanded_uncertainty,
    }
}

async fn together(connection: &Connection, asked: &AskedJoint) -> Result<JointView, Refusal> {
    let (rows, named) = (rows(connection, asked).await?, asked.determinations.is_some());
    let material = gather(connection, &rows).await?;
    let source = material.source();
    let mut left_out = Vec::new();
    let mut taken: Vec<(&DeterminationRow, String, Record)> = Vec::new();
    let unit = |record: &Record| (record.rules.reporting.unit, record.rules.reporting.expressed);
    for row in rows.iter().filter(|row| named || row.purpose == "sample") {
        let state = material.state(row.id);
        let record = match is_signed(state) {
            true => Some(material.draw(row, &material.sight(row.id), &source)?.record),
            false => None,
        };
        let settled = |record: &Record| {
            brief(record).is_ok_and(|of| matches!(of.outcome, ResultOutcome::Concordant | ResultOutcome::Discordant))
        };
        let why = match &record {
            None => format!("{}: {state}, not signed", row.code),
            Some(record) if !settled(record) => format!("{}: no result", row.code),
            Some(record) if taken.first().is_some_and(|(_, _, first)| unit(first) != unit(record)) => {
                format!("{}: reported in {}", row.code, record.rules.reporting.unit.symbol())
            }
            Some(record) => {
                taken.push((row, material.method(row)?.facts.analyte.clone(), record.clone()));
                continue;
            }
        };
        // Whoever names results means all of them: their coefficients go by the order.
        if named {
            let detail = format!("not enough data: {why}");
            return Err(Refusal::new(Code::NotEnoughData, detail).at("determinations", "signed_result", &row.code));
        }
        left_out.push(why);
    }
    enough(taken.len(), &left_out)?;
    let analytes: Vec<&str> = taken.iter().map(|(_, analyte, _)| analyte.as_str()).collect();
    let mut wanted = usual(&analytes);
    if let Some(text) = asked.coefficients.as_deref().filter(|text| !text.trim().is_empty()) {
        let number = |part: &str| part.parse::<f64>().ok().filter(|value| value.is_finite());
        wanted.push(("as asked".to_owned(), listed("coefficients", text, "numbers", number)?));
    }
    let records: Vec<Record> = taken.iter().map(|(.., record)| record.clone()).collect();
    let coefficients: Vec<Vec<f64>> = wanted.iter().map(|(_, of)| of.clone()).collect();
    let of = joint(&records, &coefficients).map_err(refused)?;
    let reporting = records.first().map(|record| record.rules.reporting);
    let reporting = reporting.ok_or_else(|| Refusal::new(Code::Internal, "results vanished"))?;
    Ok(JointView {
        unit: reporting.unit.symbol(),
        expressed: expressed(reporting.expressed),
        results: taken.iter().zip(&of.results).map(result_view).collect(),
        covariance: of.covariance,
        correlation: of.correlation,
        combinations: wanted
            .into_iter()
            .zip(&of.combinations)
            .map(|((what, coefficients), of)| combination(what, coefficients, of))
            .collect(),
        left_out,
    })
}
