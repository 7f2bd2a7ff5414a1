//! Median, quantiles, median absolute deviation and autocorrelation.
use super::moments::Compensated;
use super::{Summary, SummaryError, check_all, need};
use crate::statistics::distribution::DistributionError;

/// Factor that makes the median absolute deviation of normal values estimate sigma: `1 / Φ⁻¹(¾)`.
pub const MAD_CONSISTENCY: f64 = 1.482_602_218_505_602;

/// Definition of a sample quantile, by its number in Hyndman and Fan's list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum QuantileMethod {
    /// Inverse of the empirical distribution function.
    Type1,
    /// The same, with averages at its steps.
    Type2,
    /// Nearest even order statistic.
    Type3,
    /// Linear interpolation of the empirical distribution function.
    Type4,
    /// Interpolation midway between its steps (Hazen).
    Type5,
    /// `k / (n + 1)` (Weibull).
    Type6,
    /// `(k − 1) / (n − 1)` (Gumbel); the default of most numerical languages.
    #[default]
    Type7,
    /// `(k − 1/3) / (n + 1/3)`, approximately median-unbiased.
    Type8,
    /// `(k − 3/8) / (n + 1/4)`, approximately unbiased for normal values.
    Type9,
}

fn sorted(values: &[f64]) -> Result<Vec<f64>, SummaryError> {
    check_all(values)?;
    need(1, values.len() as u64)?;
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    Ok(sorted)
}

fn middle(sorted: &[f64]) -> f64 {
    let n = sorted.len();
    let (low, high) = (sorted[(n - 1) / 2], sorted[n / 2]);
    if low == high { low } else { 0.5 * (low + high) }
}

/// Median; the mean of the two middle values for an even number.
///
/// # Errors
/// No values; a value that is not finite.
pub fn median(values: &[f64]) -> Result<f64, SummaryError> {
    Ok(middle(&sorted(values)?))
}

/// Median of the absolute differences from the median, without any factor (see [`MAD_CONSISTENCY`]).
///
/// # Source
/// ISO 13528:2005, annex C (MAD; from memory).
///
/// # Errors
/// No values; a value that is not finite.
pub fn median_absolute_deviation(values: &[f64]) -> Result<f64, SummaryError> {
    let centre = median(values)?;
    let differences: Vec<f64> = values.iter().map(|x| (x - centre).abs()).collect();
    median(&differences)
}

/// Sample quantile at probability `p`, 0 to 1.
///
/// # Formula
/// `(1 − γ) x[j] + γ x[j+1]`, j and γ from `n p + m` as each type says.
///
/// # Source
/// Hyndman and Fan (1996), The American Statistician 50, 361 (from memory).
///
/// # Errors
/// No values; a value that is not finite; a probability outside 0 to 1.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::summary::{QuantileMethod, quantile};
/// let quartile = quantile(&[1.0, 2.0, 3.0, 4.0], 0.25, QuantileMethod::Type7)?;
/// assert_eq!(quartile, 1.75); // position 1 + 3 · 0.25, by hand
/// # Ok::<(), ferrotitre_core::statistics::summary::SummaryError>(())
/// ```
pub fn quantile(values: &[f64], p: f64, method: QuantileMethod) -> Result<f64, SummaryError> {
    if !(0.0..=1.0).contains(&p) {
        return Err(
            DistributionError::Parameter { name: "quantile probability", rule: "between 0 and 1", value: p }.into()
        );
    }
    let x = sorted(values)?;
    let n = x.len() as f64;
    let shift = match method {
        QuantileMethod::Type1 | QuantileMethod::Type2 | QuantileMethod::Type4 => 0.0,
        QuantileMethod::Type3 => -0.5,
        QuantileMethod::Type5 => 0.5,
        QuantileMethod::Type6 => p,
        QuantileMethod::Type7 => 1.0 - p,
        QuantileMethod::Type8 => (p + 1.0) / 3.0,
        QuantileMethod::Type9 => p / 4.0 + 3.0 / 8.0,
    };
    let position = n * p + shift;
    // A position that is a whole number but for rounding must not fall to the value before.
    let whole = (position + 4.0 * f64::EPSILON * position.abs().max(1.0)).floor();
    let fraction = (position - whole).max(0.0);
    let fraction = if fraction < 4.0 * f64::EPSILON * position.abs().max(1.0) { 0.0 } else { fraction };
    let at_step = fraction == 0.0;
    let weight = match method {
        QuantileMethod::Type1 if at_step => 0.0,
        QuantileMethod::Type2 if at_step => 0.5,
        QuantileMethod::Type3 if at_step && whole % 2.0 == 0.0 => 0.0,
        QuantileMethod::Type1 | QuantileMethod::Type2 | QuantileMethod::Type3 => 1.0,
        _ => fraction,
    };
    let value = |k: f64| x[(k.clamp(1.0, n) - 1.0) as usize];
    let (low, high) = (value(whole), value(whole + 1.0));
    Ok(if weight == 0.0 || low == high { low } else { low + weight * (high - low) })
}

/// Autocorrelation at lag 1.
///
/// # Formula
/// `Σ (xᵢ − x̄)(xᵢ₊₁ − x̄) / Σ (xᵢ − x̄)²`
///
/// # Source
/// NIST StRD, univariate summary statistics.
///
/// # Errors
/// Fewer than two values; all values equal; a value that is not finite.
pub fn lag1_autocorrelation(values: &[f64]) -> Result<f64, SummaryError> {
    let summary = Summary::of(values)?;
    need(2, summary.n())?;
    let squares = summary.sum_of_squares();
    if squares <= 0.0 {
        return Err(SummaryError::NoSpread);
    }
    let mean = summary.mean()?;
    let mut products = Compensated::default();
    values.windows(2).for_each(|pair| products.add((pair[0] - mean) * (pair[1] - mean)));
    Ok(products.value() / squares)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_quantile_type_matches_an_independent_implementation() {
        // NumPy 2.4.6 quantile, methods inverted_cdf to normal_unbiased, p = 0.1, 0.25, 0.5, 0.75.
        let values = [23.18, 23.16, 23.31, 23.02, 23.20, 23.11, 23.16, 23.44, 23.07, 23.25];
        let expected = [
            [23.02, 23.11, 23.16, 23.25],
            [23.045, 23.11, 23.17, 23.25],
            [23.02, 23.07, 23.16, 23.25],
            [23.02, 23.09, 23.16, 23.225],
            [23.045, 23.11, 23.17, 23.25],
            [23.025, 23.1, 23.17, 23.265],
            [23.065, 23.1225, 23.17, 23.2375],
            [23.03833333333, 23.10666666667, 23.17, 23.255],
            [23.04, 23.1075, 23.17, 23.25375],
        ];
        use QuantileMethod::*;
        let methods = [Type1, Type2, Type3, Type4, Type5, Type6, Type7, Type8, Type9];
        for (method, row) in methods.iter().zip(expected) {
            for (p, expected) in [0.1, 0.25, 0.5, 0.75].iter().zip(row) {
                let found = quantile(&values, *p, *method).unwrap();
                assert!((found - expected).abs() < 5e-12, "{method:?} {p}: {found}, not {expected}");
            }
        }
    }

    #[test]
    fn the_ends_and_a_single_value_are_themselves() {
        assert_eq!(quantile(&[3.0, 1.0, 2.0], 0.0, QuantileMethod::default()).unwrap(), 1.0);
        assert_eq!(quantile(&[3.0, 1.0, 2.0], 1.0, QuantileMethod::default()).unwrap(), 3.0);
        assert_eq!(quantile(&[3.0], 0.3, QuantileMethod::Type2).unwrap(), 3.0);
        assert!(quantile(&[3.0], 1.5, QuantileMethod::Type2).is_err());
        assert!(matches!(median(&[]), Err(SummaryError::NotEnoughData { needed: 1, found: 0 })));
        assert_eq!(median_absolute_deviation(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0]).unwrap(), 1.0); // by hand
    }
}
