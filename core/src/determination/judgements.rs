//! What the rules say of an evaluation, as data.

use crate::determination::agreement::Agreement;
use crate::determination::amount::Scatter;
use crate::determination::blank;
use crate::determination::evaluate::{Evaluation, Progress, ResultOutcome};
use crate::determination::facts::{Record, Rules};
use crate::determination::titre::{Fate, Titre};
use crate::determination::verdict::{Outcome, Verdict};
use crate::statistics::agreement::{Concordance, Next};
use crate::statistics::distribution::{FisherF, chi_square_quantile, chi_square_sf};
use crate::statistics::outliers::{Finding, OutlierError};
use crate::working::Estimate;

/// Every verdict on an evaluation, in the order they are read.
pub(super) fn verdicts(record: &Record, evaluation: &Evaluation, scatter: Option<&Scatter>) -> Vec<Verdict> {
    let mut verdicts = Vec::new();
    let rules = &record.rules;
    verdicts.extend(blank::verdict(record));
    verdicts.extend(blank::addition_verdict(record));
    let Some(agreement) = &evaluation.agreement else { return verdicts };
    verdicts.push(concordance_verdict(&agreement.concordance, rules.concordance_limit_ml));
    verdicts.extend(agreement.follow_up.as_ref().map(critical_range_verdict));
    verdicts.extend(scatter_verdict(rules, agreement));
    verdicts.extend(scatter.and_then(|scatter| disagreement_verdict(evaluation, scatter)));
    verdicts.extend(evaluation.result.as_ref().and_then(|result| below_zero_verdict(record, evaluation, result)));
    verdicts.push(outlier_verdict(
        "Dixon",
        agreement.dixon.as_ref().map(|test| (test.statistic, test.critical_5.value, test.p, &test.finding)),
        "two-sided at 5 %, from the null distribution",
    ));
    verdicts.push(outlier_verdict(
        "Grubbs",
        agreement.grubbs.as_ref().map(|test| (test.statistic, test.critical_5, test.p, &test.finding)),
        "two-sided at 5 %, by Student's t",
    ));
    verdicts.extend(evaluation.titres.iter().filter(|titre| !titre.queries.is_empty()).map(slip_verdict));
    verdicts
}

/// The interpolated result beside the one with the factors in force alone.
pub(super) fn interpolation(record: &Record, evaluation: &Evaluation, alone: Option<f64>) -> Verdict {
    let used = |position: u32| {
        evaluation.titres.iter().any(|titre| titre.position == position && matches!(titre.fate, Fate::Used))
    };
    let waiting = record
        .titrations
        .iter()
        .filter(|titration| used(titration.position) && titration.factor.following.is_none())
        .count();
    let value = evaluation.result.as_ref().map(Estimate::value);
    let (outcome, advice) = if waiting == 0 {
        (Outcome::Met, String::new())
    } else {
        let advice = format!(
            "{waiting} titration(s) are not followed by a factor yet: the one in force is used; standardise again before \
             this is signed"
        );
        (Outcome::Query, advice)
    };
    Verdict {
        rule: "interpolated factor",
        outcome,
        compared: "result with the factor interpolated in time, and with the factor in force alone".to_owned(),
        value,
        critical: alone,
        unit: record.rules.reporting.unit.symbol(),
        obtained: "the same readings with the factor in force".to_owned(),
        p: None,
        advice,
    }
}

fn concordance_verdict(concordance: &Concordance, limit_ml: f64) -> Verdict {
    Verdict {
        rule: "concordance",
        outcome: match (concordance.agrees, concordance.range) {
            (true, _) => Outcome::Met,
            (false, Some(_)) => Outcome::NotMet,
            (false, None) => Outcome::NoDecision,
        },
        compared: "range of the accurate titres the rule looks at".to_owned(),
        value: concordance.range,
        critical: Some(limit_ml),
        unit: "mL",
        obtained: "limit of the method".to_owned(),
        p: None,
        advice: if concordance.agrees {
            String::new()
        } else {
            format!("{} more accurate titration(s)", concordance.missing)
        },
    }
}

fn critical_range_verdict(next: &Next) -> Verdict {
    Verdict {
        rule: "critical range",
        outcome: match (next.critical_range, next.range) {
            (Some(critical), Some(range)) if range <= critical + 1e-9 => Outcome::Met,
            (Some(_), Some(_)) => Outcome::NotMet,
            _ => Outcome::NoDecision,
        },
        compared: "range of the titres".to_owned(),
        value: next.range,
        critical: next.critical_range,
        unit: "mL",
        obtained: "CR0.95(n) = f(n) sigma_r, f exact (ISO 5725-6)".to_owned(),
        p: None,
        advice: next.step.clone(),
    }
}

/// Whether the scatter of the titres is that of the method: its variance against sigma_r squared.
///
/// # Source
/// ISO 2854:1976, table C (variance against a known one) and table D (against one with degrees of freedom); from memory.
fn scatter_verdict(rules: &Rules, agreement: &Agreement) -> Option<Verdict> {
    let (sigma, dof) = rules.sigma_r_ml?;
    let s = agreement.sd_ml?;
    let nu = agreement.n as f64 - 1.0;
    let ratio = (s / sigma).powi(2);
    let (value, critical, p, obtained) = match dof {
        Some(dof) => {
            let f = FisherF::new(nu, dof).ok()?;
            let obtained = format!("F at 5 %, {nu} and {dof} degrees of freedom");
            (ratio, f.quantile(0.95), Ok(f.sf(ratio)), obtained)
        }
        None => (
            nu * ratio,
            chi_square_quantile(0.95, nu),
            chi_square_sf(nu * ratio, nu),
            format!("chi-square at 5 %, {nu} degrees of freedom"),
        ),
    };
    let (critical, p) = (critical.ok()?, p.ok()?);
    let met = value <= critical;
    Some(Verdict {
        rule: "scatter of the titres",
        outcome: if met { Outcome::Met } else { Outcome::Query },
        compared: "variance of the accurate titres, relative to that of the method's repeatability".to_owned(),
        value: Some(value),
        critical: Some(critical),
        unit: "",
        obtained: format!("{obtained} (ISO 2854)"),
        p: Some(p),
        advice: if met {
            String::new()
        } else {
            "the titres scatter more than the validated method does: look at the burette, the end point and the aliquots".to_owned()
        },
    })
}

/// Titres whose scatter took the place of the method's repeatability, or that need a decision.
fn disagreement_verdict(evaluation: &Evaluation, scatter: &Scatter) -> Option<Verdict> {
    let discordant = evaluation.outcome == ResultOutcome::Discordant;
    (discordant || scatter.seen).then(|| Verdict {
        rule: "disagreement of the titres",
        outcome: if discordant { Outcome::NotMet } else { Outcome::Query },
        compared: "standard uncertainty of the titre taken, and the one of titres that agree".to_owned(),
        value: Some(scatter.taken),
        critical: Some(scatter.least.0),
        unit: "mL",
        obtained: "the larger of the method's repeatability and of the scatter seen, with Student's factor (JCGM 100, 4.2.3 and G.3.2)"
            .to_owned(),
        p: None,
        advice: if discordant {
            "discordant: the titres disagree and no cause was found. All of them count, and the uncertainty answers to the scatter \
             seen. Somebody who had no hand in it decides, with a reason, whether it may be reported"
                .to_owned()
        } else {
            "the titres keep the method's limit but scatter more than its repeatability explains: the uncertainty answers to the \
             scatter seen"
                .to_owned()
        },
    })
}

/// A content below zero: nothing found, or an error.
fn below_zero_verdict(record: &Record, evaluation: &Evaluation, result: &Estimate) -> Option<Verdict> {
    let (value, u) = (result.value(), result.u());
    let subtracts = record.rules.subtract_blank && record.rules.chemistry != "back-titration";
    let blank = subtracts.then_some(evaluation.blank_ml).flatten();
    (value < 0.0 || blank.is_some()).then(|| {
        let (outcome, advice) = if value >= 0.0 {
            (Outcome::Met, String::new())
        } else if value >= -2.0 * u {
            (Outcome::Query, "below zero within 2 u: nothing was found; the value itself is kept on record".to_owned())
        } else if let Progress::NeedsMore { why, .. } = &evaluation.progress {
            (Outcome::NotMet, why.clone())
        } else {
            (Outcome::NotMet, "below zero by more than 2 u: an error to look for".to_owned())
        };
        Verdict {
            rule: "blank not above the titre",
            outcome,
            compared: "content after the blank was subtracted".to_owned(),
            value: Some(value),
            critical: Some(-2.0 * u),
            unit: record.rules.reporting.unit.symbol(),
            obtained: "minus 2 u of the content".to_owned(),
            p: None,
            advice,
        }
    })
}

fn slip_verdict(titre: &Titre) -> Verdict {
    Verdict {
        rule: "likely slip",
        outcome: Outcome::Query,
        compared: format!("titration {} with its siblings", titre.position),
        value: Some(titre.volume_ml),
        critical: None,
        unit: "mL",
        obtained: String::new(),
        p: None,
        advice: "read the burette sheet again; correct with a reason if it was a slip".to_owned(),
    }
}

fn outlier_verdict(
    rule: &'static str,
    test: Result<(f64, f64, f64, &Finding), &OutlierError>,
    obtained: &'static str,
) -> Verdict {
    let advice = "a flag never excludes: look for an assignable cause";
    let (outcome, value, critical, p, advice) = match test {
        Ok((value, critical, p, finding)) => {
            let (outcome, advice) = match finding {
                Finding::None => (Outcome::Met, String::new()),
                Finding::Straggler => (Outcome::Query, format!("straggler at 5 %; {advice}")),
                Finding::Outlier => (Outcome::Query, format!("outlier at 1 %; {advice}")),
                Finding::NoDecision { reason } => (Outcome::NoDecision, format!("no decision possible: {reason}")),
            };
            (outcome, Some(value), Some(critical), Some(p), advice)
        }
        Err(error) => (Outcome::NoDecision, None, None, None, format!("no decision possible: {error}")),
    };
    Verdict {
        rule,
        outcome,
        compared: "the titre farthest out".to_owned(),
        value,
        critical,
        unit: "",
        obtained: obtained.to_owned(),
        p,
        advice,
    }
}
