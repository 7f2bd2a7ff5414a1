//! Iron(III) by difference of total iron and iron(II), with what both share kept in common.

use crate::determination::content::{self, Part, Reported};
use crate::determination::evaluate::{Detail, Evaluation, EvaluationError, ResultOutcome, evaluate_on};
use crate::determination::facts::Record;
use crate::determination::verdict::{Outcome, Verdict};
use crate::uncertainty::Contribution;
use crate::working::{Identity, Label, Quantity, Source, Working};

/// Iron(III) and what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Iron3 {
    /// Evaluation of total iron.
    pub total: Evaluation,
    /// Evaluation of iron(II).
    pub iron2: Evaluation,
    /// What kind of result there is: discordant where one of the two is.
    pub outcome: ResultOutcome,
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
    pub working: Option<Working>,
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
    let sheet = detail.sheet();
    let (total_evaluation, a) = evaluate_on(&sheet, total, Part::Total, detail)?;
    let (iron2_evaluation, b) = evaluate_on(&sheet, iron2, Part::Iron2, detail)?;
    let mut derived = Iron3 {
        total: total_evaluation,
        iron2: iron2_evaluation,
        outcome: ResultOutcome::Incomplete,
        value: None,
        u: None,
        u_if_independent: None,
        correlation: None,
        reported: None,
        budget: Vec::new(),
        verdicts: Vec::new(),
        working: None,
    };
    let (Some((a, a_least)), Some((b, b_least))) = (a, b) else { return Ok(derived) };
    let rule = &total.rules.reporting;
    let difference = sheet.named(a - b, Label::only(Quantity::Iron3Content(rule.unit)), Source::SharedInputs);
    let result = sheet.estimate(difference);
    let (value, u) = (result.value(), result.u());
    let parts = [derived.total.outcome, derived.iron2.outcome];
    derived.outcome = if parts.contains(&ResultOutcome::Discordant) {
        ResultOutcome::Discordant
    } else if value < -2.0 * u {
        ResultOutcome::BelowZero
    } else {
        ResultOutcome::Concordant
    };
    derived.value = Some(value);
    derived.u = Some(u);
    derived.u_if_independent = Some(sheet.estimate(a).u().hypot(sheet.estimate(b).u()));
    derived.correlation = sheet.correlation(a, b);
    let least = [(Identity::Repeatability(&total.id), a_least), (Identity::Repeatability(&iron2.id), b_least)];
    let agreed = sheet.estimate_with(difference, &least);
    derived.reported = Some(content::reported(&result, &agreed, rule, total.rules.loq)?);
    derived.verdicts = vec![sign_verdict(value, u, rule.unit.symbol())];
    if detail == Detail::Working {
        derived.budget = sheet.budget(difference);
        derived.working = Some(sheet.working(difference));
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
