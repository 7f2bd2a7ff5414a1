//! Limits of detection and quantification.

use crate::statistics::double_double::{Moments, Observation};
use crate::statistics::model_error::ModelError;
use crate::statistics::regression::StraightLine;

/// How results are averaged and corrected for blanks in routine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BlankScheme {
    /// Number of replicates whose mean is reported, at least 1.
    pub replicates: usize,
    /// Number of blanks whose mean is subtracted; `None` without a blank correction.
    pub blanks: Option<usize>,
}

/// Multiples of the standard deviation that make the limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DetectionFactors {
    /// For detection; commonly 3.
    pub detection: f64,
    /// For quantification, k_Q; commonly 10.
    pub quantification: f64,
}

impl Default for DetectionFactors {
    fn default() -> Self {
        Self { detection: 3.0, quantification: 10.0 }
    }
}

/// Limits, in the unit of the standard deviation (or of x for a calibration line).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DetectionLimits {
    /// Standard deviation near zero, s₀.
    pub s0: f64,
    /// s₀′, as it applies to a reported result.
    pub s0_adjusted: f64,
    /// Degrees of freedom of s₀.
    pub degrees_of_freedom: f64,
    /// Limit of detection.
    pub detection: f64,
    /// Limit of quantification.
    pub quantification: f64,
}

/// Limits from a standard deviation of single results near zero.
///
/// # Formula
/// `s₀′ = s₀ √(1/n + 1/n_b)`, without a blank correction `s₀/√n`; `LOD = 3 s₀′`, `LOQ = k_Q s₀′`.
///
/// # Source
/// Eurachem, The Fitness for Purpose of Analytical Methods, 2nd ed. 2014, section 6.2 (from memory).
///
/// # Errors
/// A negative standard deviation; degrees of freedom or factors that are not positive; no replicates or no blanks.
///
/// # Example
/// ```
/// use ferrotitre_core::validation::{BlankScheme, DetectionFactors, detection_limits};
/// let scheme = BlankScheme { replicates: 1, blanks: Some(1) };
/// let limits = detection_limits(0.02, 9.0, scheme, DetectionFactors::default())?;
/// assert!((limits.s0_adjusted - 0.02828).abs() < 5e-6 && (limits.detection - 0.08485).abs() < 5e-6);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn detection_limits(
    s0: f64,
    degrees_of_freedom: f64,
    scheme: BlankScheme,
    factors: DetectionFactors,
) -> Result<DetectionLimits, ModelError> {
    let s0 = ModelError::not_negative("standard deviation near zero", s0)?;
    ModelError::positive("degrees of freedom", degrees_of_freedom)?;
    ModelError::need("replicates", 1, scheme.replicates)?;
    let blank_part = match scheme.blanks {
        Some(blanks) => {
            ModelError::need("blanks", 1, blanks)?;
            1.0 / blanks as f64
        }
        None => 0.0,
    };
    let s0_adjusted = s0 * (1.0 / scheme.replicates as f64 + blank_part).sqrt();
    limits(s0, s0_adjusted, degrees_of_freedom, factors)
}

fn limits(
    s0: f64,
    s0_adjusted: f64,
    degrees_of_freedom: f64,
    factors: DetectionFactors,
) -> Result<DetectionLimits, ModelError> {
    let detection = s0_adjusted * ModelError::positive("detection factor", factors.detection)?;
    let quantification = s0_adjusted * ModelError::positive("quantification factor", factors.quantification)?;
    Ok(DetectionLimits { s0, s0_adjusted, degrees_of_freedom, detection, quantification })
}

/// Limits from measured blanks or samples near zero.
///
/// # Formula
/// [`detection_limits`] with the sample standard deviation of the values.
///
/// # Source
/// As [`detection_limits`].
///
/// # Errors
/// Fewer than two values; equal values, which show the resolution of the reading and not the scatter; what
/// [`detection_limits`] refuses.
pub fn detection_limits_from_blanks<T: Observation>(
    values: &[T],
    scheme: BlankScheme,
    factors: DetectionFactors,
) -> Result<DetectionLimits, ModelError> {
    let moments = Moments::new("blanks", 2, values)?;
    if moments.squares.value() <= 0.0 {
        return Err(ModelError::NoSpread {
            what: "the blanks",
            needed: "a limit of detection needs blanks that vary: read them with finer resolution",
        });
    }
    detection_limits(moments.sd(), moments.n - 1.0, scheme, factors)
}

/// Limits from a calibration line, in the unit of x.
///
/// # Formula
/// `LOD = 3 s(y/x)/|b|`, `LOQ = 10 s(y/x)/|b|`.
///
/// # Source
/// Miller and Miller, Statistics and Chemometrics for Analytical Chemistry (from memory).
///
/// # Errors
/// A slope of zero; factors that are not positive.
pub fn detection_limits_from_line(
    line: &StraightLine,
    factors: DetectionFactors,
) -> Result<DetectionLimits, ModelError> {
    let slope = line.slope.estimate.abs();
    if slope == 0.0 {
        return Err(ModelError::NoSolution { what: "the limit of detection", reason: "the slope is zero" });
    }
    let s0 = line.residual_sd / slope;
    limits(s0, s0, line.degrees_of_freedom, factors)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_blanks_give_no_limit_of_zero() {
        let scheme = BlankScheme { replicates: 1, blanks: None };
        let found = detection_limits_from_blanks(&[0.05; 10], scheme, DetectionFactors::default());
        assert!(matches!(found, Err(ModelError::NoSpread { .. })));
        let none = BlankScheme { replicates: 1, blanks: Some(0) };
        assert!(detection_limits(0.1, 9.0, none, DetectionFactors::default()).is_err());
    }
}
