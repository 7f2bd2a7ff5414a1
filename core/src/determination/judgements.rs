//! What the rules say of an evaluation, as data.

use crate::determination::amount::usable_blanks;
use crate::determination::evaluate::Evaluation;
use crate::determination::facts::{Record, Standing};
use crate::determination::titre::{Fate, Titre};
use crate::determination::verdict::{Outcome, Verdict};
use crate::statistics::agreement::{Concordance, Next};
use crate::statistics::outliers::{Finding, OutlierError};
use crate::working::Estimate;

/// Every verdict on an evaluation, in the order they are read.
pub(super) fn verdicts(record: &Record, evaluation: &Evaluation) -> Vec<Verdict> {
    let mut verdicts = Vec::new();
    let rules = &record.rules;
    verdicts.extend(blank_verdict(record));
    let Some(agreement) = &evaluation.agreement else { return verdicts };
    verdicts.push(concordance_verdict(&agreement.concordance, rules.concordance_limit_ml));
    verdicts.extend(agreement.follow_up.as_ref().map(critical_range_verdict));
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

/// Counted blanks that had to be left out because their indicator could not turn.
fn blank_verdict(record: &Record) -> Option<Verdict> {
    let counted = record.blanks.iter().filter(|blank| blank.standing == Standing::Counted).count();
    let unusable = counted - usable_blanks(record).count();
    (record.rules.subtract_blank && unusable > 0).then(|| Verdict {
        rule: "blank with iron(II)",
        outcome: Outcome::NotMet,
        compared: format!("{unusable} of {counted} blanks without added iron(II)"),
        value: None,
        critical: None,
        unit: "",
        obtained: "the indicator turns only where iron is present (ISO 2597-1)".to_owned(),
        p: None,
        advice: "repeat the blank with a known addition of iron(II)".to_owned(),
    })
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
