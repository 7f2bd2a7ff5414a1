//! What determinations offer to control charts and to the judgement of runs.

use chrono::{DateTime, Utc};
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{DeterminationId, FactorId, MethodId, RunId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states;
use ferrotitre_core::chemistry::ReductionOutcome;
use ferrotitre_core::determination::{BetweenRuns, Detail, Evaluation, Fate, Progress};
use uuid::Uuid;

use crate::determinations::record::{KIND, Loaded, evaluated, load};
use crate::determinations::store;

/// A determination as a control chart reads it.
#[derive(Debug, Clone)]
pub struct Measured {
    pub id: DeterminationId,
    pub code: String,
    pub run: RunId,
    /// Method in any version.
    pub method: Uuid,
    pub sample: Uuid,
    /// Test portion, in any version.
    pub portion: Uuid,
    pub control: bool,
    pub state: String,
    pub observed_at: DateTime<Utc>,
    /// Why there is no result yet.
    pub incomplete: Option<String>,
    /// Unrounded results with their standard uncertainties, by unit, expressed as the method reports.
    pub figures: Vec<(&'static str, f64, f64)>,
    pub blank_ml: Option<f64>,
    /// Coverage factor of the reported uncertainty.
    pub coverage_factor: Option<f64>,
    /// Reductions that failed, and all that were made.
    pub reductions: (i32, i32),
    /// Digest of the content a signature would cover.
    pub digest: String,
}

impl Measured {
    fn of(loaded: &Loaded, evaluation: &Evaluation) -> Self {
        let expressed = loaded.record.rules.reporting.expressed;
        let made = evaluation.titres.iter().filter(|titre| titre.fate != Fate::Superseded);
        let outcomes: Vec<ReductionOutcome> =
            made.filter_map(|titre| titre.reduction.as_ref()).map(|verdict| verdict.outcome).collect();
        let failed = outcomes.iter().filter(|outcome| **outcome == ReductionOutcome::Failed).count();
        let count = |n: usize| i32::try_from(n).unwrap_or(i32::MAX);
        Self {
            id: loaded.row.id,
            code: loaded.row.code.clone(),
            run: loaded.row.run_id,
            method: loaded.frame.method.record_id,
            sample: loaded.row.sample_id,
            portion: loaded.row.portion_id,
            control: loaded.row.purpose == "control",
            state: loaded.state.clone(),
            observed_at: loaded.row.observed_at,
            incomplete: match &evaluation.progress {
                Progress::Complete { .. } => None,
                Progress::NeedsMore { why, .. } => Some(why.clone()),
            },
            figures: evaluation
                .figures
                .iter()
                .filter(|figure| figure.expressed == expressed)
                .map(|figure| (figure.unit.symbol(), figure.value, figure.u))
                .collect(),
            blank_ml: evaluation.blank_ml,
            coverage_factor: evaluation.reported.as_ref().map(|reported| reported.coverage.factor),
            reductions: (count(failed), count(outcomes.len())),
            digest: Loaded::digest(evaluation),
        }
    }

    /// Whether its author answers for it.
    pub fn is_signed(&self) -> bool {
        is_signed(&self.state)
    }

    /// Result and standard uncertainty in a unit.
    pub fn in_unit(&self, unit: &str) -> Option<(f64, f64)> {
        self.figures.iter().find(|(symbol, ..)| *symbol == unit).map(|(_, value, u)| (*value, *u))
    }
}

/// Whether the author of a determination in this state answers for it.
pub fn is_signed(state: &str) -> bool {
    matches!(state, "submitted" | "reviewed" | "approved" | "reported")
}

/// One determination.
pub async fn one(connection: &Connection, id: Uuid) -> Result<Measured, Refusal> {
    let loaded = load(connection, store::determination(connection, id).await?).await?;
    let evaluation = loaded.evaluate(Detail::Figures)?;
    Ok(Measured::of(&loaded, &evaluation))
}

/// Relative standard uncertainties of the newest complete determinations that used one of these factors, at most so many.
pub async fn relative_uncertainties(
    connection: &Connection,
    factors: &[FactorId],
    limit: i64,
) -> Result<Vec<f64>, Refusal> {
    let mut found = Vec::new();
    for row in store::newest_with_factors(connection, factors, limit).await? {
        let loaded = load(connection, row).await?;
        let evaluation = loaded.evaluate(Detail::Figures)?;
        let reported = Measured::of(&loaded, &evaluation).in_unit(loaded.record.rules.reporting.unit.symbol());
        // A content of zero has no relative uncertainty.
        found.extend(reported.filter(|(value, _)| *value > 0.0).map(|(value, u)| u / value));
    }
    Ok(found)
}

/// Result and standard uncertainty of a determination in a unit, if its method took in what control charts saw in another way.
pub async fn claimed(
    connection: &Connection,
    id: Uuid,
    between_runs: Option<BetweenRuns>,
    unit: &str,
) -> Result<Option<(f64, f64)>, Refusal> {
    let mut loaded = load(connection, store::determination(connection, id).await?).await?;
    loaded.record.rules.between_runs = between_runs;
    let evaluation = evaluated(&loaded.record, Detail::Figures)?;
    Ok(Measured::of(&loaded, &evaluation).in_unit(unit))
}

/// All determinations of a run.
pub async fn of_run(connection: &Connection, run: RunId) -> Result<Vec<Measured>, Refusal> {
    let mut all = Vec::new();
    for row in store::of_run(connection, run).await? {
        let loaded = load(connection, row).await?;
        let evaluation = loaded.evaluate(Detail::Figures)?;
        all.push(Measured::of(&loaded, &evaluation));
    }
    Ok(all)
}

/// Samples of a run of which two test portions were determined, counted without evaluating anything: two determinations of one
/// portion share everything that happened before the titration, and what was cancelled does not count.
pub async fn duplicates_in(connection: &Connection, run: RunId) -> Result<usize, Refusal> {
    let rows = store::of_run(connection, run).await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let known = states::present_many(connection, KIND, &ids).await?;
    let counts = |id: Uuid| known.get(&id).is_none_or(|state| state != "cancelled");
    let counted = rows.iter().filter(|row| row.purpose == "sample" && counts(row.id.0));
    let mut portions: Vec<(Uuid, Uuid)> = counted.map(|row| (row.sample_id, row.portion_id)).collect();
    portions.sort_unstable();
    portions.dedup();
    Ok(portions.chunk_by(|a, b| a.0 == b.0).filter(|same| same.len() >= 2).count())
}

/// Determinations of samples by versions of a method in a stretch of time, by identity, at most so many.
pub async fn since(
    connection: &Connection,
    methods: &[MethodId],
    stretch: (DateTime<Utc>, DateTime<Utc>),
    limit: i64,
) -> Result<Vec<DeterminationId>, Refusal> {
    let rows = store::of_samples_between(connection, methods, stretch, limit).await?;
    Ok(rows.into_iter().map(|row| row.id).collect())
}
