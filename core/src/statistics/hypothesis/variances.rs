//! Chi-square and F tests for one or two variances.

use super::{Interval, PValues};
use crate::statistics::distribution::{ChiSquared, FisherF};
use crate::statistics::double_double::{Moments, Observation};
use crate::statistics::model_error::ModelError;

/// Result of a test of one variance or of the ratio of two.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VarianceTest {
    /// Sample variance, or ratio of the sample variances, first over second.
    pub estimate: f64,
    /// Variance or ratio it is compared with.
    pub hypothesised: f64,
    /// Chi-square for one variance, F for two.
    pub statistic: f64,
    /// Degrees of freedom of the (first) variance.
    pub degrees_of_freedom: f64,
    /// Degrees of freedom of the second variance; `None` for one.
    pub second_degrees_of_freedom: Option<f64>,
    /// Probabilities of the statistic in both tails.
    pub p: PValues,
    /// Confidence interval of the variance or of the ratio.
    pub interval: Interval,
}

/// Test of one variance against a stated one.
///
/// # Formula
/// `χ² = ν s²/σ₀²`, `ν = n - 1`; interval `ν s²/χ²(1-α/2; ν)` to `ν s²/χ²(α/2; ν)`.
///
/// # Source
/// Any textbook of statistics; NIST/SEMATECH e-Handbook 1.3.5.8 (from memory).
///
/// # Errors
/// Fewer than two values; a stated standard deviation that is not positive; confidence outside (0, 1).
pub fn variance_chi_square<T: Observation>(
    values: &[T],
    hypothesised_sd: f64,
    confidence: f64,
) -> Result<VarianceTest, ModelError> {
    let hypothesised = ModelError::positive("stated standard deviation", hypothesised_sd)?.powi(2);
    let moments = Moments::new("values", 2, values)?;
    let (estimate, nu) = (moments.variance(), moments.n - 1.0);
    let distribution = ChiSquared::new(nu)?;
    let statistic = moments.squares.value() / hypothesised;
    let sd = sd_interval(estimate.sqrt(), nu, confidence)?;
    Ok(VarianceTest {
        estimate,
        hypothesised,
        statistic,
        degrees_of_freedom: nu,
        second_degrees_of_freedom: None,
        p: PValues::from_tails(distribution.cdf(statistic), distribution.sf(statistic)),
        interval: Interval { low: sd.low * sd.low, high: sd.high * sd.high, confidence },
    })
}

/// Confidence interval of a standard deviation with known degrees of freedom, effective ones included.
///
/// # Formula
/// `s √(ν/χ²(1-α/2; ν))` to `s √(ν/χ²(α/2; ν))`.
///
/// # Source
/// Any textbook of statistics.
///
/// # Errors
/// A negative `s`; degrees of freedom that are not positive; confidence outside (0, 1).
pub fn sd_interval(s: f64, degrees_of_freedom: f64, confidence: f64) -> Result<Interval, ModelError> {
    let s = ModelError::not_negative("standard deviation", s)?;
    let tail = 0.5 * (1.0 - ModelError::fraction("confidence", confidence)?);
    let distribution = ChiSquared::new(degrees_of_freedom)?;
    let bound = |chi: f64| s * (degrees_of_freedom / chi).sqrt();
    let (low, high) = (bound(distribution.upper_quantile(tail)?), bound(distribution.quantile(tail)?));
    Ok(Interval { low, high, confidence })
}

/// F test of two variances, first over second.
///
/// # Formula
/// `F = s₁²/(s₂² ρ₀)` with ν₁ = n₁ - 1, ν₂ = n₂ - 1; interval of the ratio `s₁²/s₂² / F(1-α/2)` to
/// `s₁²/s₂² / F(α/2)`.
///
/// # Source
/// Any textbook of statistics; NIST/SEMATECH e-Handbook 1.3.5.9 (from memory).
///
/// # Errors
/// Fewer than two values in a series; a second series without spread; confidence outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::hypothesis::variance_ratio_f;
/// let test = variance_ratio_f(&[22.53, 22.60, 22.54, 22.62], &[22.48, 22.40, 22.48, 22.43], 1.0, 0.95)?;
/// assert!((test.estimate - 1.25668).abs() < 5e-6);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn variance_ratio_f<T: Observation, U: Observation>(
    first: &[T],
    second: &[U],
    hypothesised_ratio: f64,
    confidence: f64,
) -> Result<VarianceTest, ModelError> {
    let hypothesised = ModelError::positive("stated ratio of variances", hypothesised_ratio)?;
    let tail = 0.5 * (1.0 - ModelError::fraction("confidence", confidence)?);
    let (a, b) = (Moments::new("first", 2, first)?, Moments::new("second", 2, second)?);
    if b.squares.value() <= 0.0 {
        return Err(ModelError::NoSpread {
            what: "the values of the second series",
            needed: "a ratio of variances needs a second variance above zero",
        });
    }
    let (estimate, nu_a, nu_b) = (a.variance() / b.variance(), a.n - 1.0, b.n - 1.0);
    let distribution = FisherF::new(nu_a, nu_b)?;
    let statistic = estimate / hypothesised;
    let low = estimate / distribution.upper_quantile(tail)?;
    Ok(VarianceTest {
        estimate,
        hypothesised,
        statistic,
        degrees_of_freedom: nu_a,
        second_degrees_of_freedom: Some(nu_b),
        p: PValues::from_tails(distribution.cdf(statistic), distribution.sf(statistic)),
        interval: Interval { low, high: estimate / distribution.quantile(tail)?, confidence },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn series_without_spread_are_answered_honestly() {
        assert!(matches!(variance_ratio_f(&[1.0, 2.0], &[3.0, 3.0], 1.0, 0.95), Err(ModelError::NoSpread { .. })));
        let none = variance_chi_square(&[3.0, 3.0, 3.0], 0.1, 0.95).unwrap();
        assert_eq!((none.estimate, none.statistic, none.p.less), (0.0, 0.0, 0.0));
        assert!(variance_chi_square(&[1.0, 2.0], 0.0, 0.95).is_err());
    }

    #[test]
    fn swapping_the_series_inverts_f_and_swaps_the_tails() {
        let (a, b) = ([1.0, 2.0, 4.0, 4.5], [0.3, 0.9, 0.7]);
        let (ab, ba) = (variance_ratio_f(&a, &b, 1.0, 0.9).unwrap(), variance_ratio_f(&b, &a, 1.0, 0.9).unwrap());
        assert!((ab.statistic * ba.statistic - 1.0).abs() < 1e-14);
        assert!((ab.p.greater / ba.p.less - 1.0).abs() < 1e-12);
        assert!((ab.interval.low * ba.interval.high - 1.0).abs() < 1e-12);
    }
}
