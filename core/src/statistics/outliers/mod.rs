//! Outlier tests with computed critical values. A flag never excludes a value; it asks for a look.
//!
//! Every critical value and every p-value names its sidedness and how it was obtained.

pub mod cochran;
pub mod dixon;
pub mod grubbs;
pub mod hampel;
mod largest;

use crate::statistics::distribution::DistributionError;
use crate::statistics::summary::SummaryError;

/// Whether the suspect end was fixed before looking at the data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Sidedness {
    /// One end, fixed beforehand.
    OneSided,
    /// Either end.
    TwoSided,
}

/// Which end of the sorted values is suspect.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum End {
    /// The lowest.
    Low,
    /// The highest.
    High,
}

/// How a critical value or a p-value was obtained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Obtained {
    /// From the null distribution, in closed form or by quadrature.
    Exact,
    /// From the distribution of one end, or of one value, times the number of them: an upper bound of p, exact while no
    /// two can exceed together.
    Bonferroni,
    /// By seeded simulation; the standard error is that of the value beside it.
    Simulated {
        /// Standard error.
        standard_error: f64,
    },
    /// Read off a printed table.
    Published {
        /// Which.
        table: &'static str,
    },
}

/// A critical value and what it means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Critical {
    /// The value the statistic is compared with.
    pub value: f64,
    /// Level, 0 to 1.
    pub alpha: f64,
    /// Sidedness of the level.
    pub sidedness: Sidedness,
    /// How it was obtained.
    pub obtained: Obtained,
}

/// A p-value and what it means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PValue {
    /// Probability of a statistic at least as extreme for normal values, 0 to 1.
    pub value: f64,
    /// Sidedness.
    pub sidedness: Sidedness,
    /// How it was obtained.
    pub obtained: Obtained,
}

/// Why a test has no result.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum OutlierError {
    /// Too few or too many values for this statistic.
    #[error("needs {low} to {high} values, has {found}")]
    Size {
        /// Fewest.
        low: usize,
        /// Most.
        high: usize,
        /// Found.
        found: usize,
    },
    /// All values are equal, or the denominator of the ratio is zero.
    #[error("the values do not differ where the statistic needs them to")]
    NoSpread,
    /// A value that is not a number.
    #[error("a value is not a finite number: {0}")]
    NotFinite(f64),
    /// A setting outside its range.
    #[error("{name} must be {rule}, got {value}")]
    Setting {
        /// Which.
        name: &'static str,
        /// The rule it breaks.
        rule: &'static str,
        /// Offending value.
        value: f64,
    },
    /// A level outside (0, 1).
    #[error(transparent)]
    Distribution(#[from] DistributionError),
    /// A summary that cannot be given.
    #[error(transparent)]
    Summary(#[from] SummaryError),
}

/// What a test says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finding {
    /// Not conspicuous at 5 %.
    None,
    /// Conspicuous at 5 %.
    Straggler,
    /// Conspicuous at 1 %.
    Outlier,
    /// The test would read the scale, not the chemistry.
    NoDecision {
        /// Why.
        reason: NoDecisionReason,
    },
}

/// Why a test of few readings must not decide.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoDecisionReason {
    /// The range is within three reading steps.
    RangeWithinResolution {
        /// Range of the values.
        range: f64,
        /// Reading step.
        resolution: f64,
    },
    /// Three values, two of them equal: the statistic sits at its limit whatever the third value is.
    TwoOfThreeEqual,
}

impl std::fmt::Display for NoDecisionReason {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::RangeWithinResolution { resolution, .. } => {
                write!(f, "the range is within 3 reading steps of {resolution}")
            }
            Self::TwoOfThreeEqual => {
                f.write_str("with three values, two of them equal, the statistic is at its limit whatever the third")
            }
        }
    }
}

/// When a test of few readings reads the resolution of the scale instead of the chemistry.
///
/// # Source
/// Own reasoning: with n = 3 and two equal values Q is always 1, and the largest possible Grubbs
/// statistic lies 0.0004 above its critical value; a range of three steps is what rounding alone can make (common
/// practice, no source).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::{NoDecisionReason, no_decision};
/// assert_eq!(no_decision(&[23.18, 23.18, 23.40], 0.02), Some(NoDecisionReason::TwoOfThreeEqual));
/// assert_eq!(no_decision(&[23.18, 23.20, 23.40], 0.02), None);
/// ```
#[must_use]
pub fn no_decision(values: &[f64], resolution: f64) -> Option<NoDecisionReason> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (low, high) = (sorted.first()?, sorted.last()?);
    let range = high - low;
    // A little tolerance, because the values are doubles of decimal readings.
    if range <= 3.0 * resolution * (1.0 + 1e-9) {
        return Some(NoDecisionReason::RangeWithinResolution { range, resolution });
    }
    if let [a, b, c] = sorted[..] {
        let same = |x: f64, y: f64| (x - y).abs() <= 1e-9 * resolution.max(f64::MIN_POSITIVE);
        if same(a, b) || same(b, c) {
            return Some(NoDecisionReason::TwoOfThreeEqual);
        }
    }
    None
}

/// Verdict from the p-value: straggler at 5 %, outlier at 1 %, unless the readings forbid a decision.
fn finding(p: f64, forbidden: Option<NoDecisionReason>) -> Finding {
    match forbidden {
        Some(reason) => Finding::NoDecision { reason },
        None if p < 0.01 => Finding::Outlier,
        None if p < 0.05 => Finding::Straggler,
        None => Finding::None,
    }
}

fn level(alpha: f64) -> Result<f64, OutlierError> {
    if alpha > 0.0 && alpha < 1.0 { Ok(alpha) } else { Err(DistributionError::Probability { value: alpha }.into()) }
}

fn size(n: usize, low: usize, high: usize) -> Result<(), OutlierError> {
    if (low..=high).contains(&n) { Ok(()) } else { Err(OutlierError::Size { low, high, found: n }) }
}

/// Sorts and checks the values.
fn sorted(values: &[f64], low: usize, high: usize) -> Result<Vec<f64>, OutlierError> {
    if let Some(value) = values.iter().find(|value| !value.is_finite()) {
        return Err(OutlierError::NotFinite(*value));
    }
    size(values.len(), low, high)?;
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    Ok(sorted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_that_cannot_decide_are_named() {
        let within = no_decision(&[23.22, 23.16, 23.18, 23.20], 0.02);
        assert!(matches!(within, Some(NoDecisionReason::RangeWithinResolution { .. })));
        assert_eq!(no_decision(&[23.16, 23.24, 23.18], 0.02), None);
        assert_eq!(no_decision(&[], 0.02), None);
        assert_eq!(within.map(|reason| reason.to_string()).unwrap(), "the range is within 3 reading steps of 0.02");
    }
}
