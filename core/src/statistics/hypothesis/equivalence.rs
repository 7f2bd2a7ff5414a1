//! Equivalence by two one-sided tests.

use super::Interval;
use super::means::{Estimate, MeanTestKind};
use crate::statistics::distribution::StudentT;
use crate::statistics::double_double::Observation;
use crate::statistics::model_error::ModelError;

/// One of the two one-sided tests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OneSidedTest {
    /// Margin the estimate is compared with.
    pub margin: f64,
    /// `(estimate - margin) / standard error`.
    pub t: f64,
    /// One-sided p-value of the hypothesis that the true value lies on or beyond the margin.
    pub p: f64,
}

/// Result of two one-sided tests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Equivalence {
    /// Which t test stands behind it.
    pub kind: MeanTestKind,
    /// Number of values, or of pairs, in the first series.
    pub n: usize,
    /// Number of values in the second series; `None` for one series or pairs.
    pub n_second: Option<usize>,
    /// Mean, mean difference of pairs, or first mean minus second mean.
    pub estimate: f64,
    /// Standard error of the estimate.
    pub standard_error: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Test against the lower margin: small p when the true value is above it.
    pub lower: OneSidedTest,
    /// Test against the upper margin: small p when the true value is below it.
    pub upper: OneSidedTest,
    /// Larger of both p-values: the p-value of equivalence.
    pub p: f64,
    /// Level of each one-sided test.
    pub alpha: f64,
    /// Interval with confidence `1 - 2 alpha`; equivalence holds when it lies between the margins.
    pub interval: Interval,
    /// Whether `p < alpha`.
    pub equivalent: bool,
}

fn decide(estimate: Estimate, margins: (f64, f64), alpha: f64) -> Result<Equivalence, ModelError> {
    let (low, high) = (ModelError::finite("lower margin", margins.0)?, ModelError::finite("upper margin", margins.1)?);
    if low >= high {
        return Err(ModelError::OutOfRange { name: "upper margin", rule: "above the lower margin", value: high });
    }
    if !(alpha > 0.0 && alpha < 0.5) {
        return Err(ModelError::OutOfRange { name: "alpha", rule: "above 0 and below 0.5", value: alpha });
    }
    let Estimate { kind, n, n_second, value, standard_error, degrees_of_freedom } = estimate.spread()?;
    let student = StudentT::new(degrees_of_freedom)?;
    let t_low = (value - low) / standard_error;
    let t_high = (value - high) / standard_error;
    let lower = OneSidedTest { margin: low, t: t_low, p: student.sf(t_low) };
    let upper = OneSidedTest { margin: high, t: t_high, p: student.cdf(t_high) };
    let p = lower.p.max(upper.p);
    let half = student.upper_quantile(alpha)? * standard_error;
    let interval = Interval::around(value, half, 1.0 - 2.0 * alpha);
    Ok(Equivalence {
        kind,
        n,
        n_second,
        estimate: value,
        standard_error,
        degrees_of_freedom,
        lower,
        upper,
        p,
        alpha,
        interval,
        equivalent: p < alpha,
    })
}

/// Whether a mean lies between two margins, by two one-sided t tests.
///
/// # Formula
/// `t_L = (x̄ - θ_L)/(s/√n)`, `t_U = (x̄ - θ_U)/(s/√n)`; `p = max(P(T > t_L), P(T < t_U))`, `ν = n - 1`.
///
/// # Source
/// Schuirmann 1987, J. Pharmacokin. Biopharm. 15, 657 (from memory).
///
/// # Errors
/// Fewer than two values; values that are all equal; margins in the wrong order; alpha outside (0, 0.5).
pub fn equivalent_mean<T: Observation>(
    values: &[T],
    margins: (f64, f64),
    alpha: f64,
) -> Result<Equivalence, ModelError> {
    decide(Estimate::one_sample(values)?, margins, alpha)
}

/// Whether the mean difference of pairs, first minus second, lies between two margins.
///
/// # Formula
/// As [`equivalent_mean`], on the differences.
///
/// # Source
/// Schuirmann 1987 (from memory).
///
/// # Errors
/// As [`equivalent_mean`]; series of different length.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::hypothesis::equivalent_paired;
/// let (new, old) = ([52.31, 48.02, 50.55, 49.80], [52.28, 48.05, 50.50, 49.79]);
/// assert!(equivalent_paired(&new, &old, (-0.1, 0.1), 0.05)?.equivalent);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn equivalent_paired<T: Observation, U: Observation>(
    first: &[T],
    second: &[U],
    margins: (f64, f64),
    alpha: f64,
) -> Result<Equivalence, ModelError> {
    decide(Estimate::paired(first, second)?, margins, alpha)
}

/// Whether two means, first minus second, differ by an amount between two margins.
///
/// # Formula
/// As [`equivalent_mean`] with the standard error of Welch's test, or of the pooled test when `equal_variances`.
///
/// # Source
/// Schuirmann 1987; Welch 1947 (from memory).
///
/// # Errors
/// Fewer than two values in a series; no spread in either; margins in the wrong order; alpha outside (0, 0.5).
pub fn equivalent_means<T: Observation, U: Observation>(
    first: &[T],
    second: &[U],
    margins: (f64, f64),
    alpha: f64,
    equal_variances: bool,
) -> Result<Equivalence, ModelError> {
    let kind = if equal_variances { MeanTestKind::Pooled } else { MeanTestKind::Welch };
    decide(Estimate::two_series(kind, first, second)?, margins, alpha)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equivalence_holds_exactly_when_the_interval_lies_between_the_margins() {
        let values = [0.2, -0.1, 0.4, 0.1, 0.3, 0.05];
        for margin in [0.1, 0.2, 0.25, 0.29, 0.3, 0.35, 0.5] {
            let result = equivalent_mean(&values, (-margin, margin), 0.05).unwrap();
            let inside = -margin < result.interval.low && result.interval.high < margin;
            assert_eq!(result.equivalent, inside, "{margin}");
        }
    }

    #[test]
    fn margins_in_the_wrong_order_are_refused() {
        assert!(matches!(equivalent_mean(&[1.0, 2.0], (1.0, -1.0), 0.05), Err(ModelError::OutOfRange { .. })));
        assert!(matches!(equivalent_mean(&[1.0, 2.0], (-1.0, 1.0), 0.6), Err(ModelError::OutOfRange { .. })));
    }
}
