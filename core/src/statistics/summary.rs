//! One-pass, mergeable summaries; order statistics, weighted means and pooled deviations beside them.
//!
//! Tests, limits and intervals of anything but the mean and the standard deviation do not belong here.
mod moments;
mod order;
mod weighted;

pub use moments::Summary;
pub use order::{MAD_CONSISTENCY, QuantileMethod, lag1_autocorrelation, median, median_absolute_deviation, quantile};
pub use weighted::{PooledSd, WeightedMean, pooled_sd, pooled_sd_of_duplicates, pooled_sd_of_estimates, weighted_mean};

use crate::statistics::distribution::DistributionError;

/// Largest magnitude accepted: fourth powers of differences must stay finite.
pub const LARGEST_VALUE: f64 = 1e75;

/// Why a figure cannot be given.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SummaryError {
    /// Too few values.
    #[error("not enough data: needs {needed} values, has {found}")]
    NotEnoughData {
        /// How many are needed.
        needed: u64,
        /// How many there are.
        found: u64,
    },
    /// A value that is not a number, or too large for its fourth power.
    #[error("value {position} must be a finite number of magnitude at most 1e75, got {value}")]
    NotFinite {
        /// Position, from 1.
        position: u64,
        /// Offending value.
        value: f64,
    },
    /// All values are equal, so a ratio to their spread has no value.
    #[error("all values are equal: a figure relative to their spread does not exist")]
    NoSpread,
    /// A weight or a standard deviation that is not positive.
    #[error("weight {position} must be positive and finite, got {value}")]
    Weight {
        /// Position, from 1.
        position: u64,
        /// Offending value.
        value: f64,
    },
    /// Two series that belong together have different lengths.
    #[error("needs as many weights as values: {values} values, {weights} weights")]
    Lengths {
        /// Number of values.
        values: u64,
        /// Number of weights.
        weights: u64,
    },
    /// A probability or degrees of freedom out of range.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

/// A two-sided interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Confidence, 0 to 1.
    pub confidence: f64,
}

fn check(value: f64, position: u64) -> Result<f64, SummaryError> {
    if value.abs() <= LARGEST_VALUE { Ok(value) } else { Err(SummaryError::NotFinite { position, value }) }
}

fn check_all(values: &[f64]) -> Result<(), SummaryError> {
    match values.iter().zip(1..).find(|(value, _)| value.abs() > LARGEST_VALUE || value.is_nan()) {
        None => Ok(()),
        Some((value, position)) => Err(SummaryError::NotFinite { position, value: *value }),
    }
}

fn need(needed: u64, found: u64) -> Result<f64, SummaryError> {
    if found >= needed { Ok(found as f64) } else { Err(SummaryError::NotEnoughData { needed, found }) }
}
