//! Critical range factors: quantiles of the range of n standard normal values.

use crate::statistics::memory::Memory;

use super::studentised_range::StudentisedRange;
pub use super::studentised_range::range_cdf;
use crate::statistics::distribution::DistributionError;

/// A critical range factor in both forms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CriticalRangeFactor {
    /// Number of results.
    pub n: u32,
    /// Probability that the range of results in control stays within factor × sigma_r.
    pub p: f64,
    /// The quantile itself.
    pub exact: f64,
    /// The factor as the standard prints it, for p = 0.95 and n up to 15.
    pub rounded: Option<f64>,
}

/// Critical range factor: the range of `n` results exceeds this times sigma_r with probability 1 − p.
///
/// # Source
/// ISO 5725-6, 5.2 (f(n) in its table is this quantile for p = 0.95, rounded to one decimal; from memory).
///
/// # Errors
/// Fewer than 2 or more than 1000 results; a probability outside (0, 1).
///
/// # Example
/// ```
/// let f = ferrotitre_core::statistics::agreement::critical_range_factor(3, 0.95).unwrap();
/// assert!((f - 3.3145).abs() < 5e-5); // independent computation
/// ```
pub fn critical_range_factor(n: u32, p: f64) -> Result<f64, DistributionError> {
    static MEMORY: Memory<(u32, u64), f64> = Memory::new();
    let key = (n, p.to_bits());
    match MEMORY.known(&key) {
        Some(known) => Ok(known),
        None => Ok(MEMORY.keep(key, StudentisedRange::new(n, f64::INFINITY)?.quantile(p)?)),
    }
}

/// The exact factor with the printed one beside it.
///
/// # Errors
/// Those of [`critical_range_factor`].
pub fn critical_range_factors(n: u32, p: f64) -> Result<CriticalRangeFactor, DistributionError> {
    let exact = critical_range_factor(n, p)?;
    Ok(CriticalRangeFactor { n, p, exact, rounded: if p == 0.95 { rounded_factor(n) } else { None } })
}

/// The factor as the standard prints it, one decimal, for n = 2 to 15 (ISO 5725-6, from memory).
#[must_use]
pub fn rounded_factor(n: u32) -> Option<f64> {
    const PRINTED: [f64; 14] = [2.8, 3.3, 3.6, 3.9, 4.0, 4.2, 4.3, 4.4, 4.5, 4.6, 4.6, 4.7, 4.7, 4.8];
    PRINTED.get(usize::try_from(n.checked_sub(2)?).ok()?).copied()
}
