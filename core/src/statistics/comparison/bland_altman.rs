//! Limits of agreement.

use crate::statistics::distribution::{Normal, StudentT};
use crate::statistics::double_double::{DoubleDouble, Moments, Observation, series};
use crate::statistics::hypothesis::Interval;
use crate::statistics::model_error::ModelError;

/// Multiple of the standard deviation of the differences that makes the limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LimitMultiplier {
    /// 1.96: later practice.
    OnePointNineSix,
    /// 2: the paper of 1986.
    Two,
    /// The normal quantile for a share of the differences, 0 to 1.
    Content(f64),
}

/// Agreement of two methods.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlandAltman {
    /// Number of pairs.
    pub n: usize,
    /// Mean difference, first minus second.
    pub mean_difference: f64,
    /// Confidence interval of the mean difference.
    pub mean_interval: Interval,
    /// Standard deviation of the differences.
    pub sd_difference: f64,
    /// Standard error of the mean difference.
    pub standard_error_mean: f64,
    /// Lower limit of agreement.
    pub lower_limit: f64,
    /// Upper limit of agreement.
    pub upper_limit: f64,
    /// Standard error of a limit as the paper gives it, `s√(3/n)`.
    pub standard_error_limit_1986: f64,
    /// Standard error of a limit, `s√(1/n + z²/(2(n-1)))`.
    pub standard_error_limit: f64,
    /// Confidence interval of the lower limit (from `standard_error_limit`).
    pub lower_limit_interval: Interval,
    /// Confidence interval of the upper limit.
    pub upper_limit_interval: Interval,
    /// Correlation of difference and mean of the pairs: far from 0 the limits depend on the level; `None` when one of
    /// both does not vary.
    pub proportional_correlation: Option<f64>,
}

/// Bland-Altman limits of agreement of two methods on the same samples.
///
/// # Formula
/// `d = first - second`; limits `d̄ ± z s_d`; `d̄ ± t(1-α/2; n-1) s_d/√n`; limits ± t times their standard error.
///
/// # Source
/// Bland and Altman 1986, Lancet i, 307; 1999, Stat. Methods Med. Res. 8, 135 (from memory).
///
/// # Errors
/// Series of different length; fewer than three pairs; equal differences; confidence or content outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::comparison::{LimitMultiplier, bland_altman};
/// let (new, old) = ([52.3, 48.0, 50.6, 49.8], [52.2, 48.1, 50.5, 49.8]);
/// let agreement = bland_altman(&new, &old, LimitMultiplier::OnePointNineSix, 0.95)?;
/// assert!((agreement.mean_difference - 0.025).abs() < 1e-12);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn bland_altman<T: Observation, U: Observation>(
    first: &[T],
    second: &[U],
    multiplier: LimitMultiplier,
    confidence: f64,
) -> Result<BlandAltman, ModelError> {
    ModelError::paired(("first", first.len()), ("second", second.len()))?;
    ModelError::need("pairs", 3, first.len())?;
    let tail = 0.5 * (1.0 - ModelError::fraction("confidence", confidence)?);
    let z = match multiplier {
        LimitMultiplier::OnePointNineSix => 1.96,
        LimitMultiplier::Two => 2.0,
        LimitMultiplier::Content(content) => {
            Normal.upper_quantile(0.5 * (1.0 - ModelError::fraction("content", content)?))?
        }
    };
    let (first, second) = (series("first", first)?, series("second", second)?);
    let pairs = || first.iter().zip(&second);
    let differences: Vec<DoubleDouble> = pairs().map(|(a, b)| *a - *b).collect();
    let sums: Vec<DoubleDouble> = pairs().map(|(a, b)| *a + *b).collect();
    let moments = Moments::of(&differences);
    let (n, mean, sd) = (moments.n, moments.mean.value(), moments.sd());
    if sd <= 0.0 {
        return Err(ModelError::NoSpread {
            what: "the differences",
            needed: "limits of agreement need differences that vary, for instance from readings with finer resolution",
        });
    }
    let t = StudentT::new(n - 1.0)?.upper_quantile(tail)?;
    let standard_error_mean = sd / n.sqrt();
    let standard_error_limit = sd * (1.0 / n + z * z / (2.0 * (n - 1.0))).sqrt();
    let (lower_limit, upper_limit) = (mean - z * sd, mean + z * sd);
    let around_limit = |limit: f64| Interval::around(limit, t * standard_error_limit, confidence);
    Ok(BlandAltman {
        n: first.len(),
        mean_difference: mean,
        mean_interval: Interval::around(mean, t * standard_error_mean, confidence),
        sd_difference: sd,
        standard_error_mean,
        lower_limit,
        upper_limit,
        standard_error_limit_1986: sd * (3.0 / n).sqrt(),
        standard_error_limit,
        lower_limit_interval: around_limit(lower_limit),
        upper_limit_interval: around_limit(upper_limit),
        proportional_correlation: correlation(&differences, &sums),
    })
}

/// Correlation of two series; `None` when one does not vary.
pub(super) fn correlation(a: &[DoubleDouble], b: &[DoubleDouble]) -> Option<f64> {
    let (ma, mb) = (Moments::of(a), Moments::of(b));
    let product = DoubleDouble::sum(a.iter().zip(b).map(|(x, y)| (*x - ma.mean) * (*y - mb.mean)));
    let scale = ma.squares.sqrt() * mb.squares.sqrt();
    (scale.value() > 0.0).then(|| (product / scale).value().clamp(-1.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_differences_and_too_few_pairs_are_refused() {
        let agreement = |a: &[f64], b: &[f64]| bland_altman(a, b, LimitMultiplier::Two, 0.95);
        assert!(matches!(agreement(&[1.0, 2.0, 3.0], &[0.0, 1.0, 2.0]), Err(ModelError::NoSpread { .. })));
        assert!(matches!(agreement(&[1.0, 2.0], &[0.0, 1.5]), Err(ModelError::NotEnoughData { .. })));
    }
}
