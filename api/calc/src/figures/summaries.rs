//! Figures of summaries and robust estimates, field by field as core has them.

use ferrotitre_core::statistics::robust::{RobustEstimate, RobustScale, Step};
use ferrotitre_core::statistics::summary::{Interval, PooledSd, WeightedMean};

use crate::wire::shown;

shown! {
    /// A two-sided interval.
    IntervalFigures of Interval {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
        /// Confidence, 0 to 1.
        confidence: f64,
    }

    /// A weighted mean and what its weights and its scatter say about it.
    WeightedMeanFigures of WeightedMean {
        /// Number of values.
        n: u64,
        /// `Σ w x / Σ w`.
        mean: f64,
        /// `1 / √Σ w`: the standard uncertainty if each weight is `1/u²` and the uncertainties are right and independent.
        internal_uncertainty: f64,
        /// `√(Σ w (x − x̄)² / ((n − 1) Σ w))`: the same judged by the scatter; null for one value.
        external_uncertainty: Option<f64>,
        /// `Σ w (x − x̄)²`; chi-squared with n − 1 degrees of freedom if each weight is `1/u²`.
        weighted_sum_of_squares: f64,
        /// `Σ w (x − x̄)² / (Σ w − Σ w² / Σ w)`: sample variance for weights of reliability; null for one value.
        sample_variance: Option<f64>,
    }

    /// A pooled standard deviation.
    PooledSdFigures of PooledSd {
        /// Standard deviation.
        sd: f64,
        /// Its degrees of freedom.
        degrees_of_freedom: f64,
        /// Number of groups that contributed.
        groups: u64,
    }

    /// One iteration's estimates.
    StepFigures of Step {
        /// Location, in the unit of the values.
        location: f64,
        /// Scale, in the unit of the values.
        scale: f64,
    }

    /// A robust location and scale.
    RobustEstimateFigures of RobustEstimate {
        /// Number of values.
        n: u64,
        /// Location.
        location: f64,
        /// Scale, consistent with sigma for normal values.
        scale: f64,
        /// Starting values and every iteration, in order.
        steps: Vec<StepFigures>,
        /// How many values were limited in the last iteration.
        limited: u64,
    }

    /// What Algorithm S gives.
    RobustScaleFigures of RobustScale {
        /// Number of standard deviations or ranges.
        n: u64,
        /// Pooled robust standard deviation.
        scale: f64,
        /// Limit factor η: deviations above η w* are limited.
        limit_factor: f64,
        /// Adjustment factor ξ that makes the result consistent for normal values.
        adjustment_factor: f64,
        /// Starting value and every iteration.
        steps: Vec<f64>,
        /// How many deviations were limited in the last iteration.
        limited: u64,
    }
}
