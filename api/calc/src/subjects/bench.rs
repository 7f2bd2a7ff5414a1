//! From burette readings to iron: titres, contents, iron(III) by difference.

use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_core::determination::{
    Detail, Evaluation, EvaluationError, Outcome as CoreOutcome, Progress, Reported, Verdict, evaluate, iron3,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::titration::{IronContentInput, ReadingsInput};
use crate::subject::{Calculation, Outcome, Place};

fn refused(error: &EvaluationError) -> Refusal {
    Refusal::new(Code::RuleBroken, error.to_string()).at("titrations", "evaluation", "")
}

/// A titre.
#[derive(Debug, Serialize, ToSchema)]
pub struct TitreFigures {
    /// Final minus initial readings, digits as read.
    difference_ml: String,
    /// Burette correction, mL.
    burette_correction_ml: f64,
    /// Factor to 20 C.
    temperature_factor: f64,
    /// Volume at 20 C, mL.
    volume_ml: f64,
    /// Less the blank, mL.
    net_ml: f64,
}

/// A content and how it is reported.
#[derive(Debug, Serialize, ToSchema)]
pub struct IronContentFigures {
    /// Titres in order.
    titres: Vec<TitreFigures>,
    /// Mean blank, mL.
    blank_ml: Option<f64>,
    /// Titre that enters the result, mL.
    titre_ml: Option<f64>,
    /// Unit.
    unit: String,
    /// Content, unrounded; null while more titrations are needed.
    value: Option<f64>,
    /// Standard uncertainty.
    u: Option<f64>,
    /// As reported.
    reported: Option<String>,
}

fn reported(reported: &Reported) -> String {
    format!(
        "{} +- {} {} (k = {:.2})",
        reported.text, reported.expanded_uncertainty, reported.unit, reported.coverage.factor
    )
}

fn figures(evaluation: &Evaluation, unit: &str) -> IronContentFigures {
    let titres = evaluation.titres.iter().map(|titre| TitreFigures {
        difference_ml: titre.difference.to_string(),
        burette_correction_ml: titre.burette_correction_ml,
        temperature_factor: titre.temperature_factor,
        volume_ml: titre.volume_ml,
        net_ml: titre.net_ml,
    });
    let figure = evaluation.reported.as_ref();
    IronContentFigures {
        titres: titres.collect(),
        blank_ml: evaluation.blank_ml,
        titre_ml: evaluation.titre_ml,
        unit: unit.to_owned(),
        value: evaluation.result.as_ref().map(|result| result.value()),
        u: figure.map(|figure| figure.coverage.expanded_uncertainty / figure.coverage.factor),
        reported: figure.map(reported),
    }
}

/// Adds core's verdicts.
fn stated<T>(mut outcome: Outcome<T>, verdicts: &[Verdict]) -> Outcome<T> {
    for verdict in verdicts {
        let finding = match verdict.outcome {
            CoreOutcome::Met => "met",
            CoreOutcome::NotMet => "not met",
            CoreOutcome::Query => "query",
            CoreOutcome::NoDecision => "no decision",
        };
        let detail = match (verdict.value, verdict.critical) {
            (Some(value), Some(critical)) => {
                format!("{}: {value} against {critical} {}", verdict.compared, verdict.unit)
            }
            _ => verdict.compared.clone(),
        };
        outcome = outcome.says(verdict.rule, finding, detail.trim_end().to_owned());
    }
    outcome
}

fn page(evaluation: &Evaluation) -> String {
    let working = evaluation.working.as_ref().map(|step| step.text()).unwrap_or_default();
    match &evaluation.progress {
        Progress::Complete { how } => format!("{working}{how}\n"),
        Progress::NeedsMore { why, .. } => format!("{why}\n"),
    }
}

const EXAMPLE: &str = r#"{"titrations": [{"initial": ["0.00"], "final": ["21.46"]}, {"initial": ["0.02"], "final": ["21.50"]}],
 "titrant": {"electrons": 6, "concentration": 0.016667, "u": 0.0000035},
 "burette": {"resolution": "0.02", "capacity": "50.00", "u_ml": 0.012},
 "portion": {"pipette": {"ml": 10, "u_ml": 0.01}, "dilution": [{"flask": {"ml": 250, "u_ml": 0.08}}],
  "aliquot": {"ml": 25, "u_ml": 0.015}}, "sigma_r_ml": 0.02}"#;

impl Calculation for IronContentInput {
    const NAME: &'static str = "iron-content";
    const SUMMARY: &'static str = "iron content with its uncertainty and the whole working from burette readings";
    const METHOD: &'static str = "n = z c V, content = n M / (f V0); budget over all sources";
    const SOURCE: &'static str = "stoichiometry; ISO 385, ISO 4787 for volumes; JCGM 100 for the uncertainty";
    const EXAMPLE: &'static str = EXAMPLE;
    type Result = IronContentFigures;

    fn calculate(self, _: Place) -> Result<Outcome<IronContentFigures>, Refusal> {
        let record = self.record("T")?;
        let evaluation = evaluate(&record, Detail::Working).map_err(|error| refused(&error))?;
        let figures = figures(&evaluation, record.rules.reporting.unit.symbol());
        Ok(stated(Outcome::of(figures), &evaluation.verdicts).worked(&page(&evaluation)))
    }
}

/// Total iron and iron(II) of one sample, titrated with the same titrant, burette and glassware.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Iron3Input {
    /// Titrations of total iron.
    total: Vec<ReadingsInput>,
    /// The determination of iron(II); everything but the titrations holds for both.
    iron2: IronContentInput,
}

/// Iron(III) and what it comes from.
#[derive(Debug, Serialize, ToSchema)]
pub struct Iron3Figures {
    /// Total iron.
    total: IronContentFigures,
    /// Iron(II).
    iron2: IronContentFigures,
    /// Iron(III), unrounded; null while more titrations are needed.
    value: Option<f64>,
    /// Standard uncertainty, common inputs taken into account.
    u: Option<f64>,
    /// Standard uncertainty if both were independent.
    u_if_independent: Option<f64>,
    /// Correlation of both.
    correlation: Option<f64>,
    /// As reported.
    reported: Option<String>,
}

impl Calculation for Iron3Input {
    const NAME: &'static str = "iron3";
    const SUMMARY: &'static str = "iron(III) as total iron less iron(II), with what both determinations share";
    const METHOD: &'static str = "difference of two contents; inputs used in both are common to both";
    const SOURCE: &'static str = "JCGM 100:2008, 5.2";
    const EXAMPLE: &'static str = r#"{"total": [{"initial": ["0.00"], "final": ["23.18"]}, {"initial": ["0.00"], "final": ["23.20"]}],
 "iron2": {"titrations": [{"initial": ["0.00"], "final": ["21.46"]}, {"initial": ["0.02"], "final": ["21.50"]}],
 "titrant": {"electrons": 6, "concentration": 0.016667, "u": 0.0000035},
 "burette": {"resolution": "0.02", "capacity": "50.00", "u_ml": 0.012},
 "portion": {"pipette": {"ml": 10, "u_ml": 0.01}, "dilution": [{"flask": {"ml": 250, "u_ml": 0.08}}],
  "aliquot": {"ml": 25, "u_ml": 0.015}}, "sigma_r_ml": 0.02}}"#;
    type Result = Iron3Figures;

    fn calculate(self, _: Place) -> Result<Outcome<Iron3Figures>, Refusal> {
        let iron2 = self.iron2.record("B")?;
        let total = self.iron2.with_titrations(self.total).record("A").map_err(|mut refusal| {
            for error in &mut refusal.fields {
                error.field = error.field.replacen("titrations", "total", 1);
            }
            refusal
        })?;
        let derived = iron3(&total, &iron2, Detail::Working).map_err(|error| refused(&error))?;
        let unit = total.rules.reporting.unit.symbol();
        let result = Iron3Figures {
            total: figures(&derived.total, unit),
            iron2: figures(&derived.iron2, unit),
            value: derived.value,
            u: derived.u,
            u_if_independent: derived.u_if_independent,
            correlation: derived.correlation,
            reported: derived.reported.as_ref().map(reported),
        };
        let page = derived.working.as_ref().map(|step| step.text()).unwrap_or_default();
        Ok(stated(Outcome::of(result), &derived.verdicts).worked(&page))
    }
}
