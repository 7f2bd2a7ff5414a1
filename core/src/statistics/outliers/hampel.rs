//! Hampel's identifier: distance from the median in scaled median absolute deviations.

use super::{NoDecisionReason, OutlierError, no_decision, size};
use crate::statistics::summary::{MAD_CONSISTENCY, median, median_absolute_deviation};

/// What Hampel's identifier says.
#[derive(Debug, Clone, PartialEq)]
pub struct HampelResult {
    /// Number of values.
    pub n: usize,
    /// Median.
    pub median: f64,
    /// Median absolute deviation times 1.4826, an estimate of sigma; 0 if more than half the values are equal.
    pub scaled_mad: f64,
    /// Distance from the median, in scaled deviations, beyond which a value is conspicuous.
    pub threshold: f64,
    /// Distance of each value in scaled deviations, in the order given.
    pub distances: Vec<f64>,
    /// Positions (from 0) of the conspicuous values.
    pub conspicuous: Vec<usize>,
    /// Why the verdict must not decide, if so.
    pub no_decision: Option<NoDecisionReason>,
}

/// Marks values farther from the median than `threshold` scaled median absolute deviations.
///
/// It has no level: for normal values and threshold 3 a long series shows 0.27 % beyond it, a short one many more.
///
/// # Formula
/// `|x − median| / (1.4826 MAD) > threshold`
///
/// # Source
/// F. R. Hampel (1974), J. Am. Statist. Assoc. 69, 383; threshold 3 to 3.5 by common practice (both from memory).
///
/// # Errors
/// Fewer than three values; a threshold that is not positive; a median absolute deviation of zero.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::hampel::identify;
/// let result = identify(&[23.16, 23.18, 23.20, 23.14, 23.58], 3.0, 0.02)?;
/// assert_eq!(result.conspicuous, [4]); // median 23.18, MAD 0.02, distance 0.40/0.02965 = 13.5, by hand
/// # Ok::<(), ferrotitre_core::statistics::outliers::OutlierError>(())
/// ```
pub fn identify(values: &[f64], threshold: f64, resolution: f64) -> Result<HampelResult, OutlierError> {
    size(values.len(), 3, usize::MAX)?;
    if !(threshold > 0.0 && threshold.is_finite()) {
        return Err(OutlierError::Setting { name: "threshold", rule: "positive and finite", value: threshold });
    }
    let centre = median(values)?;
    let scaled_mad = MAD_CONSISTENCY * median_absolute_deviation(values)?;
    if scaled_mad <= 0.0 {
        return Err(OutlierError::NoSpread);
    }
    let distances: Vec<f64> = values.iter().map(|x| (x - centre).abs() / scaled_mad).collect();
    let conspicuous = distances.iter().enumerate().filter(|(_, d)| **d > threshold).map(|(at, _)| at).collect();
    let no_decision = no_decision(values, resolution);
    Ok(HampelResult { n: values.len(), median: centre, scaled_mad, threshold, distances, conspicuous, no_decision })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_values_and_unusable_thresholds_are_refused() {
        assert!(matches!(identify(&[1.0, 1.0, 1.0, 2.0], 3.0, 0.0), Err(OutlierError::NoSpread)));
        assert!(matches!(identify(&[1.0, 2.0, 3.0], 0.0, 0.0), Err(OutlierError::Setting { .. })));
        assert!(matches!(identify(&[1.0, 2.0], 3.0, 0.0), Err(OutlierError::Size { low: 3, .. })));
        let within = identify(&[23.16, 23.18, 23.22], 3.0, 0.02).unwrap();
        assert!(within.no_decision.is_some());
    }
}
