//! Grubbs' test for one value at either end.

use crate::statistics::distribution::{student_t_quantile, student_t_sf};
use crate::statistics::outliers::{Finding, OutlierError, Sidedness, no_decision, sorted};
use crate::statistics::summary::Summary;

/// What Grubbs' test says about the value farthest from the mean.
#[derive(Debug, Clone, PartialEq)]
pub struct GrubbsTest {
    /// Number of values.
    pub n: usize,
    /// |suspect - mean| / s.
    pub statistic: f64,
    /// Suspect value.
    pub suspect: f64,
    /// Two-sided critical value at 5 %.
    pub critical_5: f64,
    /// Two-sided critical value at 1 %.
    pub critical_1: f64,
    /// Two-sided p-value (Bonferroni bound, exact while at most one value can exceed).
    pub p: f64,
    /// Verdict.
    pub finding: Finding,
}

fn degrees(n: usize) -> Result<f64, OutlierError> {
    if n >= 3 { Ok(n as f64 - 2.0) } else { Err(OutlierError::Size { low: 3, high: usize::MAX, found: n }) }
}

/// Critical value of max |x - mean| / s.
///
/// # Formula
/// (n-1)/sqrt(n) sqrt(t^2 / (n - 2 + t^2)), t the upper alpha/n (one-sided) or alpha/2n (two-sided) quantile, n - 2 df
///
/// # Source
/// Grubbs 1969; ISO 5725-2 (from memory).
///
/// # Errors
/// Fewer than three values or a level outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::{Sidedness, grubbs::critical};
/// assert!((critical(6, 0.05, Sidedness::TwoSided).unwrap() - 1.8871).abs() < 5e-5);
/// ```
pub fn critical(n: usize, alpha: f64, sidedness: Sidedness) -> Result<f64, OutlierError> {
    let nu = degrees(n)?;
    let count = n as f64;
    let tail = match sidedness {
        Sidedness::OneSided => alpha / count,
        Sidedness::TwoSided => alpha / (2.0 * count),
    };
    // The lower quantile, negated, keeps the digits of a small tail.
    let t = -student_t_quantile(tail, nu)?;
    Ok((count - 1.0) / count.sqrt() * (t * t / (nu + t * t)).sqrt())
}

/// p-value of the statistic by inverting [`critical`].
///
/// # Errors
/// Fewer than three values.
pub fn p_value(n: usize, statistic: f64, sidedness: Sidedness) -> Result<f64, OutlierError> {
    let nu = degrees(n)?;
    let count = n as f64;
    let largest = (count - 1.0) / count.sqrt();
    let g = statistic / largest;
    if g >= 1.0 {
        return Ok(0.0);
    }
    let t = g * (nu / (1.0 - g * g)).sqrt();
    let ends = match sidedness {
        Sidedness::OneSided => 1.0,
        Sidedness::TwoSided => 2.0,
    };
    Ok((ends * count * student_t_sf(t, nu)?).min(1.0))
}

/// Tests the value farthest from the mean, two-sided.
///
/// # Errors
/// Fewer than three values, or values that do not differ.
pub fn test(values: &[f64], resolution: f64) -> Result<GrubbsTest, OutlierError> {
    let x = sorted(values, 3, usize::MAX)?;
    let n = x.len();
    let not_finite = |_| OutlierError::NoSpread;
    let summary = Summary::of(&x).map_err(not_finite)?;
    let (mean, s) = (summary.mean().map_err(not_finite)?, summary.sample_sd().map_err(not_finite)?);
    if s <= 0.0 {
        return Err(OutlierError::NoSpread);
    }
    let suspect = if x[n - 1] - mean >= mean - x[0] { x[n - 1] } else { x[0] };
    let statistic = (suspect - mean).abs() / s;
    let critical_5 = critical(n, 0.05, Sidedness::TwoSided)?;
    let critical_1 = critical(n, 0.01, Sidedness::TwoSided)?;
    let finding = match no_decision(&x, resolution) {
        Some(reason) => Finding::NoDecision { reason },
        None if statistic > critical_1 => Finding::Outlier,
        None if statistic > critical_5 => Finding::Straggler,
        None => Finding::None,
    };
    Ok(GrubbsTest {
        n,
        statistic,
        suspect,
        critical_5,
        critical_1,
        p: p_value(n, statistic, Sidedness::TwoSided)?,
        finding,
    })
}
