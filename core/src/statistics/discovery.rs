//! Which of many tests to show, so that few of those shown are false alarms.

use crate::statistics::integrity::IntegrityError;

/// One test among many after false-discovery control.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Discovery {
    /// p-value given.
    pub p: f64,
    /// Smallest false-discovery rate at which this test would be shown.
    pub adjusted: f64,
    /// Whether it is shown at the rate asked for.
    pub shown: bool,
}

/// Controls the share of false alarms among those shown, for independent or positively dependent tests.
///
/// # Formula
/// adjusted p of rank i among m: the least of `m p₍ⱼ₎ / j` over j >= i.
///
/// # Source
/// Y. Benjamini and Y. Hochberg (1995), J. R. Statist. Soc. B 57, 289 (from memory).
///
/// # Errors
/// A p-value outside 0 to 1; a rate outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::discovery::benjamini_hochberg;
/// let tests = benjamini_hochberg(&[0.01, 0.04, 0.03, 0.5], 0.05)?;
/// let adjusted: Vec<f64> = tests.iter().map(|test| test.adjusted).collect();
/// assert!((adjusted[0] - 0.04).abs() < 1e-15); // 4 · 0.01 / 1, by hand
/// assert!((adjusted[2] - 0.16 / 3.0).abs() < 1e-15); // min(4 · 0.03/2, 4 · 0.04/3)
/// # Ok::<(), ferrotitre_core::statistics::integrity::IntegrityError>(())
/// ```
pub fn benjamini_hochberg(p_values: &[f64], rate: f64) -> Result<Vec<Discovery>, IntegrityError> {
    if !(rate > 0.0 && rate < 1.0) {
        return Err(IntegrityError::Setting { name: "false-discovery rate", rule: "between 0 and 1", value: rate });
    }
    if let Some(value) = p_values.iter().find(|p| !(0.0..=1.0).contains(*p)) {
        return Err(IntegrityError::Setting { name: "p-value", rule: "between 0 and 1", value: *value });
    }
    let mut order: Vec<usize> = (0..p_values.len()).collect();
    order.sort_by(|a, b| p_values[*b].total_cmp(&p_values[*a]));
    let count = p_values.len();
    let mut adjusted = vec![1.0; count];
    let mut least: f64 = 1.0;
    for (i, at) in order.into_iter().enumerate() {
        // The factor first: it is never below 1, so no adjusted value falls below its own by rounding.
        least = least.min(p_values[at] * (count as f64 / (count - i) as f64));
        adjusted[at] = least;
    }
    let shown = |(p, adjusted): (&f64, f64)| Discovery { p: *p, adjusted, shown: adjusted <= rate };
    Ok(p_values.iter().zip(adjusted).map(shown).collect())
}
