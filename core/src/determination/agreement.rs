//! Whether the titres of a determination agree by the method's rules, which of them enter the result, and what the tests say.

use crate::determination::evaluate::{EvaluationError, Progress, ResultOutcome};
use crate::determination::facts::{Acceptance, Central, Record};
use crate::statistics::agreement::{Concordance, FinalResult, Next, concordance, critical_range_factor, follow_up};
use crate::statistics::outliers::{OutlierError, dixon, grubbs};
use crate::statistics::summary::{Interval, Summary, median};

/// Statistics of the accurate titres that count.
#[derive(Debug, Clone, PartialEq)]
pub struct Agreement {
    /// Number of accurate titres that count.
    pub n: usize,
    /// Mean net titre, mL.
    pub mean_ml: f64,
    /// Median net titre, mL.
    pub median_ml: f64,
    /// Sample standard deviation, mL; from two titres on.
    pub sd_ml: Option<f64>,
    /// Relative standard deviation.
    pub relative_sd: Option<f64>,
    /// Standard error of the mean, mL.
    pub standard_error_ml: Option<f64>,
    /// 95 % confidence interval of the mean by Student's t, mL.
    pub interval_ml: Option<Interval>,
    /// Range, mL.
    pub range_ml: f64,
    /// The bench rule.
    pub concordance: Concordance,
    /// Critical range CR0.95(n) from sigma_r, mL.
    pub critical_range_ml: Option<f64>,
    /// The follow-up flow.
    pub follow_up: Option<Next>,
    /// Dixon's test, or why there is none.
    pub dixon: Result<dixon::DixonTest, OutlierError>,
    /// Grubbs' test, or why there is none.
    pub grubbs: Result<grubbs::GrubbsTest, OutlierError>,
}

/// What the method's rules say of the titres.
pub(super) struct Ruled {
    concordance: Concordance,
    critical_range_ml: Option<f64>,
    follow_up: Option<Next>,
}

pub(super) fn rule(record: &Record, net: &[f64]) -> Result<Ruled, EvaluationError> {
    let rules = &record.rules;
    let n = u32::try_from(net.len()).unwrap_or(u32::MAX);
    let (critical_range_ml, follow_up) = match rules.sigma_r_ml {
        Some((sigma, _)) if net.len() >= 2 => {
            (Some(critical_range_factor(n, 0.95)? * sigma), Some(follow_up(net, sigma, rules.follow_up)?))
        }
        Some((sigma, _)) => (None, Some(follow_up(net, sigma, rules.follow_up)?)),
        None => (None, None),
    };
    let concordance = concordance(net, rules.concordance_limit_ml, rules.minimum_titres, rules.concordance_mode);
    Ok(Ruled { concordance, critical_range_ml, follow_up })
}

pub(super) fn agree(record: &Record, net: &[f64], ruled: Ruled) -> Agreement {
    let mut summary = Summary::new();
    for value in net {
        let _ = summary.add(*value);
    }
    let resolution = record.titrations.first().map_or(0.0, |titration| titration.burette.resolution_ml);
    Agreement {
        n: net.len(),
        mean_ml: summary.mean().unwrap_or(f64::NAN),
        median_ml: median(net).unwrap_or(f64::NAN),
        sd_ml: summary.sample_sd().ok(),
        relative_sd: summary.relative_sd().ok().flatten(),
        standard_error_ml: summary.standard_error().ok(),
        interval_ml: summary.mean_interval(0.95).ok(),
        range_ml: summary.range(),
        concordance: ruled.concordance,
        critical_range_ml: ruled.critical_range_ml,
        follow_up: ruled.follow_up,
        dixon: dixon::test(net, resolution),
        grubbs: grubbs::test(net, resolution),
    }
}

/// Which titres enter the result, and how.
pub(super) struct Decision {
    pub(super) progress: Progress,
    pub(super) used: Vec<usize>,
    pub(super) central: Central,
    pub(super) outcome: ResultOutcome,
}

pub(super) fn decide(record: &Record, ruled: Option<&Ruled>, net: &[f64]) -> Decision {
    let rules = &record.rules;
    let more = |titrations: usize, why: String| Decision {
        progress: Progress::NeedsMore { titrations, why },
        used: Vec::new(),
        central: Central::Mean,
        outcome: ResultOutcome::Incomplete,
    };
    let done = |used: Vec<usize>, central: Central, outcome: ResultOutcome, how: String| Decision {
        progress: Progress::Complete { how },
        used,
        central,
        outcome,
    };
    let all = || (0..net.len()).collect::<Vec<_>>();
    let Some(ruled) = ruled else {
        return more(
            rules.minimum_titres.max(2),
            format!("not enough data: needs {} accurate titrations, has 0", rules.minimum_titres.max(2)),
        );
    };
    match (rules.acceptance, &ruled.follow_up) {
        (Acceptance::CriticalRange, Some(next)) => match next.result {
            Some(_) if net.len() < rules.minimum_titres => {
                let missing = rules.minimum_titres - net.len();
                more(
                    missing,
                    format!("not enough data: needs {} accurate titrations, has {}", rules.minimum_titres, net.len()),
                )
            }
            Some(FinalResult::Mean { .. }) => done(all(), Central::Mean, ResultOutcome::Concordant, next.step.clone()),
            Some(FinalResult::Median { .. }) => {
                let how = format!("discordant: {}", next.step);
                done(all(), Central::Median, ResultOutcome::Discordant, how)
            }
            None => more(next.more, next.step.clone()),
        },
        _ => {
            let verdict = &ruled.concordance;
            if verdict.agrees {
                let how = format!("mean of {} concordant titres", verdict.used.len());
                done(verdict.used.clone(), Central::Mean, ResultOutcome::Concordant, how)
            } else if net.len() >= rules.give_up_after.max(rules.minimum_titres) {
                let how = format!(
                    "discordant: {} titres disagree and no cause was found; {} of all, by the method's rule",
                    net.len(),
                    match rules.central {
                        Central::Mean => "mean",
                        Central::Median => "median",
                    }
                );
                done(all(), rules.central, ResultOutcome::Discordant, how)
            } else {
                let why = match verdict.range {
                    Some(range) => {
                        format!("the range {range:.3} mL exceeds the limit {} mL", rules.concordance_limit_ml)
                    }
                    None => format!(
                        "not enough data: needs {} accurate titrations, has {}",
                        rules.minimum_titres.max(2),
                        net.len()
                    ),
                };
                more(verdict.missing.max(1), why)
            }
        }
    }
}
