//! Whether the titres of a determination agree by the method's rules, which of them enter the result, and what the tests say.

use crate::determination::evaluate::{EvaluationError, Progress, ResultOutcome};
use crate::determination::facts::{Acceptance, Central, Record, Rules};
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

impl Decision {
    fn more(titrations: usize, why: String) -> Self {
        Self {
            progress: Progress::NeedsMore { titrations, why },
            used: Vec::new(),
            central: Central::Mean,
            outcome: ResultOutcome::Incomplete,
        }
    }

    fn not_enough(needed: usize, present: usize, missing: usize) -> Self {
        Self::more(missing, format!("not enough data: needs {needed} accurate titrations, has {present}"))
    }

    fn done(used: Vec<usize>, central: Central, outcome: ResultOutcome, how: String) -> Self {
        Self { progress: Progress::Complete { how }, used, central, outcome }
    }
}

pub(super) fn decide(record: &Record, ruled: Option<&Ruled>, net: &[f64]) -> Decision {
    let rules = &record.rules;
    let Some(ruled) = ruled else {
        let needed = rules.minimum_titres.max(2);
        return Decision::not_enough(needed, 0, needed);
    };
    match (rules.acceptance, &ruled.follow_up) {
        (Acceptance::CriticalRange, Some(next)) => by_critical_range(rules, next, net.len()),
        _ => by_concordance(rules, &ruled.concordance, net.len()),
    }
}

fn by_critical_range(rules: &Rules, next: &Next, n: usize) -> Decision {
    let all = || (0..n).collect::<Vec<_>>();
    match next.result {
        Some(_) if n < rules.minimum_titres => Decision::not_enough(rules.minimum_titres, n, rules.minimum_titres - n),
        Some(FinalResult::Mean { .. }) => {
            Decision::done(all(), Central::Mean, ResultOutcome::Concordant, next.step.clone())
        }
        Some(FinalResult::Median { .. }) => {
            let how = format!("discordant: {}", next.step);
            Decision::done(all(), Central::Median, ResultOutcome::Discordant, how)
        }
        None => Decision::more(next.more, next.step.clone()),
    }
}

fn by_concordance(rules: &Rules, verdict: &Concordance, n: usize) -> Decision {
    if verdict.agrees {
        let how = format!("mean of {} concordant titres", verdict.used.len());
        return Decision::done(verdict.used.clone(), Central::Mean, ResultOutcome::Concordant, how);
    }
    if n >= rules.give_up_after.max(rules.minimum_titres) {
        let how = format!(
            "discordant: {n} titres disagree and no cause was found; {} of all, by the method's rule",
            match rules.central {
                Central::Mean => "mean",
                Central::Median => "median",
            }
        );
        return Decision::done((0..n).collect(), rules.central, ResultOutcome::Discordant, how);
    }
    let missing = verdict.missing.max(1);
    match verdict.range {
        Some(range) => {
            let limit = rules.concordance_limit_ml;
            Decision::more(missing, format!("the range {range:.3} mL exceeds the limit {limit} mL"))
        }
        None => Decision::not_enough(rules.minimum_titres.max(2), n, missing),
    }
}
