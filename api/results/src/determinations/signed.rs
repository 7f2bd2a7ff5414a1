//! Figures as they were signed, read from the evaluation kept with the signature.

use chrono::{DateTime, Utc};
use ferrotitre_core::determination::{Figure, Reported};
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

/// Puts the figures that were signed in place of those of later formulae, where they differ in a reported digit; returns the
/// later ones then.
pub(super) fn keep(
    evaluation: &str,
    figures: &mut [Figure],
    reported: &mut Option<Reported>,
) -> Result<Option<Reported>, Refusal> {
    let Kept { figures: signed, reported: Some(report) } = kept(evaluation)? else { return Ok(None) };
    let Some(now) = reported.as_mut() else {
        // Formulae of today have no figure for it; what was signed stays what was signed.
        let unit = figures.iter().map(|figure| figure.unit.symbol()).find(|unit| *unit == report.unit);
        *reported = unit.map(|unit| report.as_reported(unit));
        return Ok(None);
    };
    if (&report.text, &report.expanded_uncertainty) == (&now.text, &now.expanded_uncertainty) {
        return Ok(None);
    }
    let later = now.clone();
    now.text = report.text;
    now.value = report.value;
    now.expanded_uncertainty = report.expanded_uncertainty;
    now.coverage.factor = report.coverage_factor;
    now.below_loq = report.below_loq;
    for figure in figures {
        let same =
            |other: &&KeptFigure| other.unit == figure.unit.symbol() && other.expressed == expressed(figure.expressed);
        if let Some(signed) = signed.iter().find(same) {
            figure.value = signed.value;
            figure.u = signed.u;
        }
    }
    Ok(Some(later))
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
