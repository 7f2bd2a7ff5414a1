//! Tests and intervals for means and variances.
//!
//! A test result carries both one-sided p-values beside the two-sided one, so that no caller has to halve or double
//! anything. What the data cannot answer (too few values, no spread at all) is an error that says what is needed.

mod equivalence;
mod means;
mod variances;

pub use crate::statistics::summary::Interval;

pub use equivalence::{Equivalence, OneSidedTest, equivalent_mean, equivalent_means, equivalent_paired};
pub use means::{
    MeanTest, MeanTestKind, Series, one_sample_t, paired_t, pooled_t, pooled_t_from_summaries, welch_t,
    welch_t_from_summaries,
};
pub use variances::{VarianceTest, sd_interval, variance_chi_square, variance_ratio_f};

impl Interval {
    /// `centre - half` to `centre + half`.
    pub(crate) fn around(centre: f64, half: f64, confidence: f64) -> Self {
        Self { low: centre - half, high: centre + half, confidence }
    }

    /// Whether a value lies in the interval, its ends included.
    #[must_use]
    pub fn contains(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }
}

/// Probabilities of a statistic at least as far out as the one observed, when the hypothesis holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PValues {
    /// Probability of a statistic at most as large: small when the true value is less than the hypothesis says.
    pub less: f64,
    /// Probability of a statistic at least as large: small when the true value is greater.
    pub greater: f64,
    /// Twice the smaller of both, at most 1.
    pub two_sided: f64,
}

impl PValues {
    /// From both tails of the statistic.
    pub(crate) fn from_tails(less: f64, greater: f64) -> Self {
        Self { less, greater, two_sided: (2.0 * less.min(greater)).min(1.0) }
    }
}
