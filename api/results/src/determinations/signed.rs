//! Figures as they were signed, read from the evaluation kept with the signature.

use chrono::{DateTime, Utc};
use ferrotitre_core::determination::{Brief, Evaluation, Figure, Iron3, Progress, Reported, Reporting, ResultOutcome};
use ferrotitre_core::uncertainty::{Coverage, DegreesOfFreedom};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::determinations::evaluation::expressed;
use ferrotitre_base::ids::SignOffId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs;
use ferrotitre_base::states::StateMove;

/// What a kept evaluation says of the result.
#[derive(Debug, Deserialize)]
struct Kept {
    #[serde(default)]
    figures: Vec<KeptFigure>,
    reported: Option<KeptReport>,
    /// Iron(III) and its standard uncertainty, unrounded.
    value: Option<f64>,
    u: Option<f64>,
    /// Not said by the first releases.
    outcome: Option<String>,
    progress: Option<KeptProgress>,
}

#[derive(Debug, Deserialize)]
struct KeptProgress {
    detail: String,
}

#[derive(Debug, Deserialize)]
struct KeptFigure {
    unit: String,
    expressed: String,
    value: f64,
    u: f64,
}

/// A reported figure as it was signed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct KeptReport {
    /// As reported.
    #[schema(example = "129.5")]
    pub text: String,
    /// Value rounded.
    pub value: String,
    /// Expanded uncertainty.
    #[schema(example = "0.6")]
    pub expanded_uncertainty: String,
    /// Coverage factor.
    pub coverage_factor: f64,
    /// Unit.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Whether the value is below the limit of quantification.
    #[serde(default)]
    pub below_loq: bool,
}

/// A figure that stood until it was amended or returned.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct EarlierFigure {
    /// Signature of its author.
    pub sign_off: SignOffId,
    /// When it was signed.
    pub signed_at: DateTime<Utc>,
    /// The figure.
    pub reported: KeptReport,
    /// amended or returned.
    #[schema(example = "amended")]
    pub ended: String,
    /// When that was.
    pub ended_at: DateTime<Utc>,
    /// Why.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

impl KeptReport {
    fn as_reported(&self, unit: &'static str) -> Reported {
        let expanded_uncertainty = self.expanded_uncertainty.parse().unwrap_or(f64::NAN);
        Reported {
            text: self.text.clone(),
            value: self.value.clone(),
            expanded_uncertainty: self.expanded_uncertainty.clone(),
            coverage: Coverage {
                factor: self.coverage_factor,
                expanded_uncertainty,
                degrees_of_freedom: DegreesOfFreedom::Infinite,
            },
            unit,
            below_loq: self.below_loq,
        }
    }
}

fn kept(evaluation: &str) -> Result<Kept, Refusal> {
    serde_json::from_str(evaluation).map_err(Refusal::internal)
}

/// What a kept evaluation says in the place of what formulae of today make of the same rows: the report, and what else was kept;
/// none where the reported digits are the same.
fn instead(evaluation: &str, today: Option<&Reported>) -> Result<Option<(KeptReport, Kept)>, Refusal> {
    let mut kept = kept(evaluation)?;
    let Some(report) = kept.reported.take() else { return Ok(None) };
    let same = |now: &Reported| (&report.text, &report.expanded_uncertainty) == (&now.text, &now.expanded_uncertainty);
    Ok((!today.is_some_and(same)).then_some((report, kept)))
}

impl Kept {
    /// Puts figures in place of those of later formulae; the one that is reported also where there is none.
    fn put(&self, figures: &mut Vec<Figure>, reporting: &Reporting) {
        let of = |figure: &Figure| {
            let same = |other: &&KeptFigure| {
                other.unit == figure.unit.symbol() && other.expressed == expressed(figure.expressed)
            };
            self.figures.iter().find(same)
        };
        if figures.is_empty() {
            figures.push(Figure { unit: reporting.unit, expressed: reporting.expressed, value: f64::NAN, u: f64::NAN });
        }
        for figure in figures.iter_mut() {
            if let Some(signed) = of(figure) {
                (figure.value, figure.u) = (signed.value, signed.u);
            }
        }
        figures.retain(|figure| !figure.value.is_nan());
    }

    /// What kind of result it was.
    fn outcome(&self) -> ResultOutcome {
        let discordant = self.outcome.as_deref() == Some(ResultOutcome::Discordant.word());
        if discordant { ResultOutcome::Discordant } else { ResultOutcome::Concordant }
    }

    /// A result that was signed was complete.
    fn progress(self) -> Progress {
        let said = self.progress.map(|progress| progress.detail);
        Progress::Complete { how: said.unwrap_or_else(|| "as it was signed".to_owned()) }
    }
}

/// Puts the figures that were signed in place of those of later formulae, where they differ in a reported digit; returns the
/// later ones then, where there are any. What was signed stays also where those have no result at all.
pub(super) fn keep(evaluation: &str, reporting: &Reporting, of: &mut Evaluation) -> Result<Option<Reported>, Refusal> {
    let Some((report, kept)) = instead(evaluation, of.reported.as_ref())? else { return Ok(None) };
    let later = of.reported.replace(report.as_reported(reporting.unit.symbol()));
    kept.put(&mut of.figures, reporting);
    if later.is_none() {
        of.outcome = kept.outcome();
        of.progress = kept.progress();
    }
    Ok(later)
}

/// The same for the first part of an evaluation.
pub(super) fn keep_brief(evaluation: &str, reporting: &Reporting, of: &mut Brief) -> Result<(), Refusal> {
    let Some((report, kept)) = instead(evaluation, of.reported.as_ref())? else { return Ok(()) };
    let later = of.reported.replace(report.as_reported(reporting.unit.symbol()));
    let mut figures: Vec<Figure> = of.figure.take().into_iter().collect();
    kept.put(&mut figures, reporting);
    of.figure = figures.pop();
    if later.is_none() {
        of.outcome = kept.outcome();
        of.progress = kept.progress();
    }
    Ok(())
}

/// The same for iron(III), which is reported as its total iron is.
pub(super) fn keep_difference(evaluation: &str, reporting: &Reporting, of: &mut Iron3) -> Result<(), Refusal> {
    let Some((report, kept)) = instead(evaluation, of.reported.as_ref())? else { return Ok(()) };
    let later = of.reported.replace(report.as_reported(reporting.unit.symbol()));
    if let Some((value, u)) = kept.value.zip(kept.u) {
        (of.value, of.u) = (Some(value), Some(u));
    }
    if later.is_none() {
        of.outcome = kept.outcome();
    }
    Ok(())
}

/// Figures that its author signed and that were taken back by an amendment or a return, oldest first.
pub(super) fn earlier(sign_offs: &[sign_offs::Row], moves: &[StateMove]) -> Vec<EarlierFigure> {
    let authored = sign_offs.iter().filter(|sign| sign.meaning == "authored");
    let ended = authored.filter_map(|sign| {
        let ends = |step: &&StateMove| matches!(step.to_state.as_str(), "amended" | "returned");
        let end = moves.iter().filter(ends).find(|step| step.recorded_at > sign.recorded_at)?;
        // A text that is not of this form is of another release; nothing is made up of it.
        let reported = kept(sign.evaluation.as_deref()?).ok()?.reported?;
        Some(EarlierFigure {
            sign_off: sign.id,
            signed_at: sign.recorded_at,
            reported,
            ended: end.to_state.clone(),
            ended_at: end.recorded_at,
            reason: end.reason.clone(),
        })
    });
    ended.collect()
}
