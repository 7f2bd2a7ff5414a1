//! Critical range factors: quantiles of the range of n standard normal values.

use std::collections::HashMap;
use std::sync::{Mutex, OnceLock, PoisonError};

use crate::statistics::distribution::{DistributionError, normal_cdf, normal_density, normal_sf};
use crate::statistics::quadrature::{Rule, solve_increasing};

/// P(range of n standard normal values <= q).
///
/// # Formula
/// n integral of phi(x) (Phi(x + q) - Phi(x))^(n-1) dx
///
/// # Source
/// David, Order Statistics, 2.3 (from memory).
#[must_use]
pub fn range_cdf(n: u32, q: f64) -> f64 {
    static RULE: OnceLock<Rule> = OnceLock::new();
    if n < 2 || q <= 0.0 {
        return if n < 2 { 1.0 } else { 0.0 };
    }
    let rule = RULE.get_or_init(|| Rule::new(120));
    let exponent = i32::try_from(n - 1).unwrap_or(i32::MAX);
    let p = f64::from(n)
        * rule.integrate(-9.0, 9.0, |x| {
            let inside = if x > 0.0 { normal_sf(x) - normal_sf(x + q) } else { normal_cdf(x + q) - normal_cdf(x) };
            normal_density(x) * inside.powi(exponent)
        });
    p.clamp(0.0, 1.0)
}

/// Critical range factor: the range of `n` results exceeds this times sigma_r with probability 1 - p.
///
/// # Source
/// ISO 5725-6, 5.2 (f(n) in its table is this quantile for p = 0.95, rounded to one decimal; from memory).
///
/// # Errors
/// A probability outside (0, 1).
///
/// # Example
/// ```
/// let f = ferrotitre_core::statistics::agreement::critical_range_factor(3, 0.95).unwrap();
/// assert!((f - 3.3145).abs() < 5e-5); // data/06_critical_range_factors.csv
/// ```
pub fn critical_range_factor(n: u32, p: f64) -> Result<f64, DistributionError> {
    static MEMORY: OnceLock<Mutex<HashMap<(u32, u64), f64>>> = OnceLock::new();
    if !(p > 0.0 && p < 1.0) {
        return Err(DistributionError::Probability { value: p });
    }
    let memory = MEMORY.get_or_init(Mutex::default);
    let key = (n, p.to_bits());
    if let Some(known) = memory.lock().unwrap_or_else(PoisonError::into_inner).get(&key) {
        return Ok(*known);
    }
    let factor = solve_increasing(0.0, 20.0, p, |q| range_cdf(n, q));
    memory.lock().unwrap_or_else(PoisonError::into_inner).insert(key, factor);
    Ok(factor)
}

/// The factor as the standard prints it, one decimal, for n = 2 to 10 (ISO 5725-6, from memory).
#[must_use]
pub fn rounded_factor(n: u32) -> Option<f64> {
    const PRINTED: [f64; 9] = [2.8, 3.3, 3.6, 3.9, 4.0, 4.2, 4.3, 4.4, 4.5];
    PRINTED.get(usize::try_from(n.checked_sub(2)?).ok()?).copied()
}
