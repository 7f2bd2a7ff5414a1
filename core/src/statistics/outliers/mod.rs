//! Outlier tests with computed critical values. A flag never excludes a value; it asks for a look.

pub mod dixon;
pub mod grubbs;

use crate::statistics::distribution::DistributionError;

/// Whether the suspect end was fixed before looking at the data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sidedness {
    /// One end, fixed beforehand.
    OneSided,
    /// Either end.
    TwoSided,
}

/// How a critical value was obtained.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Obtained {
    /// From the null distribution.
    Exact,
    /// From the one-sided distribution at half the level; exact unless both ends can exceed together.
    Bonferroni,
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
    /// A level outside (0, 1).
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

/// What a test of one value at an end says.
#[derive(Debug, Clone, PartialEq)]
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
        reason: String,
    },
}

/// When a test of few readings reads the resolution of the scale instead of the chemistry.
///
/// # Source
/// Reasoned in the requirements: with n = 3 and two equal values Q is always 1, and the largest possible Grubbs statistic
/// lies 0.0004 above its critical value; a range of three steps is what rounding alone can make (common practice, no source).
#[must_use]
pub fn no_decision(sorted: &[f64], resolution: f64) -> Option<String> {
    let (low, high) = (sorted.first()?, sorted.last()?);
    // A little tolerance, because the values are doubles of decimal readings.
    if high - low <= 3.0 * resolution * (1.0 + 1e-9) {
        return Some(format!("the range is within 3 reading steps of {resolution}"));
    }
    if let [a, b, c] = sorted {
        let same = |x: &f64, y: &f64| (x - y).abs() <= 1e-9 * resolution.max(f64::MIN_POSITIVE);
        if same(a, b) || same(b, c) {
            return Some(
                "with three values, two of them equal, the statistic is at its limit whatever the third".to_owned(),
            );
        }
    }
    None
}

/// Sorts and checks the values.
fn sorted(values: &[f64], low: usize, high: usize) -> Result<Vec<f64>, OutlierError> {
    if let Some(value) = values.iter().find(|value| !value.is_finite()) {
        return Err(OutlierError::NotFinite(*value));
    }
    if !(low..=high).contains(&values.len()) {
        return Err(OutlierError::Size { low, high, found: values.len() });
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    Ok(sorted)
}
