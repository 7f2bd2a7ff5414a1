//! Iron(III) by difference of total iron and iron(II), with what both share kept in common.

use crate::determination::content::{self, Reported};
use crate::determination::evaluate::{Detail, Evaluation, EvaluationError, evaluate_with};
use crate::determination::facts::Record;
use crate::determination::verdict::{Outcome, Verdict};
use crate::uncertainty::{Contribution, Inputs};
use crate::working::{Expression, Step};

/// Iron(III) and what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Iron3 {
    /// Evaluation of total iron.
    pub total: Evaluation,
    /// Evaluation of iron(II).
    pub iron2: Evaluation,
    /// Value in the reporting unit of the total, unrounded; negative values are kept. None until both are complete.
    pub value: Option<f64>,
    /// Standard uncertainty.
    pub u: Option<f64>,
    /// Standard uncertainty if the two results were independent: shown to warn, never used.
    pub u_if_independent: Option<f64>,
    /// Correlation of the two results.
    pub correlation: Option<f64>,
    /// The reported figure.
    pub reported: Option<Reported>,
    /// Budget.
    pub budget: Vec<Contribution>,
    /// Verdicts.
    pub verdicts: Vec<Verdict>,
    /// The working.
    pub working: Option<Step>,
}

/// Evaluates iron(III) by difference.
///
/// # Formula
/// w(Fe3+) = w(Fe total) - w(Fe2+); inputs of the same id are common to both, all others independent
///
/// # Source
/// JCGM 100:2008, 5.2 (from memory).
///
/// # Errors
/// Either record cannot be evaluated, the two are not in the same unit, or they contradict each other on a shared input.
pub fn iron3(total: &Record, iron2: &Record, detail: Detail) -> Result<Iron3, EvaluationError> {
    let of = |record: &Record| (record.rules.reporting.unit, record.rules.reporting.expressed);
    if of(total) != of(iron2) {
        let named = |record: &Record| {
            let (unit, expressed) = of(record);
            format!("{} as {expressed:?}", unit.symbol())
        };
        return Err(EvaluationError::UnitsDiffer { total: named(total), iron2: named(iron2) });
    }
    let mut inputs = Inputs::new();
    let total_evaluation = evaluate_with(total, &mut inputs, detail)?;
    let iron2_evaluation = evaluate_with(iron2, &mut inputs, detail)?;
    let mut derived = Iron3 {
        total: total_evaluation,
        iron2: iron2_evaluation,
        value: None,
        u: None,
        u_if_independent: None,
        correlation: None,
        reported: None,
        budget: Vec::new(),
        verdicts: Vec::new(),
        working: None,
    };
    let (Some(a), Some(b)) = (derived.total.result.clone(), derived.iron2.result.clone()) else { return Ok(derived) };
    let difference = a.clone() - b.clone();
    let (u_a, u_b, u) =
        (inputs.standard_uncertainty(&a), inputs.standard_uncertainty(&b), inputs.standard_uncertainty(&difference));
    derived.value = Some(difference.value());
    derived.u = Some(u);
    derived.u_if_independent = Some(u_a.hypot(u_b));
    derived.correlation = inputs.correlation(&a, &b);
    let mut reported = content::reported(&inputs, &difference, &total.rules.reporting, total.rules.loq)?;
    if difference.value() < 0.0 && difference.value() >= -2.0 * u && !reported.below_loq {
        // Nothing was found, whatever limit the method states; the value itself stays in the record.
        reported.text = "< LOQ".to_owned();
        reported.below_loq = true;
    }
    derived.reported = Some(reported);
    derived.verdicts = vec![sign_verdict(difference.value(), u, total.rules.reporting.unit.symbol())];
    if detail == Detail::Working {
        derived.budget = inputs.budget(&difference);
        let parts = [&derived.total, &derived.iron2].map(|part| part.working.clone());
        let numbers = format!("{} - {}", a.value(), b.value());
        let unit = total.rules.reporting.unit.symbol();
        let formula = ("w(total) - w(iron(II))", "difference with common inputs, JCGM 100 5.2");
        let mut inputs = Vec::new();
        for (name, part) in ["total iron", "iron(II)"].into_iter().zip(parts) {
            if let Some(mut step) = part {
                step.name = name.to_owned();
                step.symbol = format!("w({name})");
                inputs.push(step);
            }
        }
        let step = Step::computed("w(iron(III))", "iron(III)", formula, numbers, difference.value(), unit);
        let expression = Expression::Input(0) - Expression::Input(1);
        derived.working = Some(step.with_u(u).by(inputs, expression));
    }
    Ok(derived)
}

/// A negative difference is kept; beyond 2 u it asks for an investigation.
fn sign_verdict(value: f64, u: f64, unit: &'static str) -> Verdict {
    let (outcome, advice) = if value >= 0.0 {
        (Outcome::Met, String::new())
    } else if value >= -2.0 * u {
        (
            Outcome::Query,
            "negative within 2 u: reported as below the limit of quantification, the value is kept".to_owned(),
        )
    } else {
        (
            Outcome::NotMet,
            "negative beyond 2 u: open a nonconformity, look for a failed reduction or swapped aliquots".to_owned(),
        )
    };
    Verdict {
        rule: "total iron not below iron(II)",
        outcome,
        compared: "iron(III) by difference".to_owned(),
        value: Some(value),
        critical: Some(-2.0 * u),
        unit,
        obtained: "minus 2 u of the difference".to_owned(),
        p: None,
        advice,
    }
}
