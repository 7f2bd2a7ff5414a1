//! Variance components and sums of them.

use crate::statistics::hypothesis::{Interval, sd_interval};
use crate::statistics::model_error::ModelError;

/// One estimated component of variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// Estimate from the mean squares; may be negative.
    pub raw_variance: f64,
    /// The estimate, or 0 where it is negative.
    pub variance: f64,
    /// Square root of `variance`.
    pub sd: f64,
}

impl Component {
    pub(super) fn new(raw_variance: f64) -> Self {
        let variance = raw_variance.max(0.0);
        Self { raw_variance, variance, sd: variance.sqrt() }
    }

    /// Whether a negative estimate was set to 0.
    #[must_use]
    pub fn truncated(&self) -> bool {
        self.raw_variance < 0.0
    }
}

/// A standard deviation built from several mean squares, with effective degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VarianceSum {
    /// The variance.
    pub variance: f64,
    /// Its square root.
    pub sd: f64,
    /// Effective degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Confidence interval of `sd` from chi-square with these degrees of freedom.
    pub interval: Interval,
}

impl VarianceSum {
    /// A linear combination of independent mean squares.
    ///
    /// # Formula
    /// `V = Σ cᵢ MSᵢ`, `ν = V² / Σ((cᵢ MSᵢ)²/νᵢ)`.
    ///
    /// # Source
    /// Satterthwaite 1946, Biometrics Bulletin 2, 110.
    ///
    /// `terms` are `(c, MS, ν)`.
    pub(super) fn satterthwaite(terms: &[(f64, f64, f64)], confidence: f64) -> Result<Self, ModelError> {
        let variance: f64 = terms.iter().map(|(c, ms, _)| c * ms).sum();
        let largest_df = terms.iter().fold(0.0_f64, |most, (_, _, nu)| most.max(*nu));
        // Shares instead of squares of variances, which may underflow.
        let degrees_of_freedom = if variance > 0.0 {
            1.0 / terms.iter().map(|(c, ms, nu)| (c * ms / variance).powi(2) / nu).sum::<f64>()
        } else {
            largest_df
        };
        let sd = variance.max(0.0).sqrt();
        Ok(Self {
            variance: sd * sd,
            sd,
            degrees_of_freedom,
            interval: sd_interval(sd, degrees_of_freedom, confidence)?,
        })
    }
}
