//! Reproducibility expected from the concentration alone.

use crate::statistics::model_error::ModelError;

/// Which form of Horwitz's curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PredictedRsd {
    /// `2 C^-0.15`.
    Exponent015,
    /// `2 C^-0.1505`.
    Exponent01505,
    /// `2^(1 - 0.5 log₁₀ C)`.
    Logarithmic,
}

fn mass_fraction(value: f64) -> Result<f64, ModelError> {
    if value > 0.0 && value <= 1.0 {
        Ok(value)
    } else {
        Err(ModelError::OutOfRange { name: "mass fraction", rule: "greater than 0 and at most 1", value })
    }
}

/// Predicted relative reproducibility standard deviation in per cent, PRSD_R.
///
/// # Formula
/// See [`PredictedRsd`]; C is the mass fraction, 1 for the pure substance.
///
/// # Source
/// Horwitz, Kamps and Boyer 1980; AOAC guidelines (exponent 0.15); from memory and two web pages.
///
/// # Errors
/// A mass fraction outside (0, 1].
///
/// # Example
/// ```
/// use ferrotitre_core::validation::{PredictedRsd, predicted_rsd_percent};
/// assert!((predicted_rsd_percent(0.1, PredictedRsd::Exponent015)? - 2.825).abs() < 5e-4);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn predicted_rsd_percent(c: f64, form: PredictedRsd) -> Result<f64, ModelError> {
    let c = mass_fraction(c)?;
    Ok(match form {
        PredictedRsd::Exponent015 => 2.0 * c.powf(-0.15),
        PredictedRsd::Exponent01505 => 2.0 * c.powf(-0.1505),
        PredictedRsd::Logarithmic => (1.0 - 0.5 * c.log10()).exp2(),
    })
}

/// Predicted reproducibility standard deviation as a mass fraction, Horwitz's curve as modified by Thompson.
///
/// # Formula
/// `0.22 C` below 1.2e-7, `0.02 C^0.8495` up to 0.138, `0.01 C^0.5` above.
///
/// # Source
/// Thompson 2000, Analyst 125, 385 (limits read; last branch from memory).
///
/// # Errors
/// A mass fraction outside (0, 1].
pub fn thompson_sd(c: f64) -> Result<f64, ModelError> {
    let c = mass_fraction(c)?;
    Ok(if c < 1.2e-7 {
        0.22 * c
    } else if c <= 0.138 {
        0.02 * c.powf(0.8495)
    } else {
        0.01 * c.sqrt()
    })
}

/// A ratio of found to predicted relative standard deviation, with its verdict.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HorRat {
    /// Found over predicted.
    pub ratio: f64,
    /// Predicted relative standard deviation, per cent.
    pub predicted_percent: f64,
    /// Range that is taken as normal: 0.5 to 2.0 between laboratories, 0.3 to 1.3 within one.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// Whether the ratio lies in it. A value below the range asks whether averages were reported as single results;
    /// titrimetry of major iron is legitimately better than the curve.
    pub within: bool,
}

/// HorRat of a found relative standard deviation in per cent, between laboratories or within one.
///
/// # Formula
/// `HorRat = RSD/PRSD_R` with `PRSD_R = 2 C^-0.15`.
///
/// # Source
/// Horwitz and Albert 2006; AOAC guidelines for single-laboratory validation (from memory).
///
/// # Errors
/// A mass fraction outside (0, 1]; a negative relative standard deviation.
pub fn horrat(found_rsd_percent: f64, c: f64, between_laboratories: bool) -> Result<HorRat, ModelError> {
    let found = ModelError::not_negative("relative standard deviation", found_rsd_percent)?;
    let predicted_percent = predicted_rsd_percent(c, PredictedRsd::Exponent015)?;
    let ratio = found / predicted_percent;
    let (low, high) = if between_laboratories { (0.5, 2.0) } else { (0.3, 1.3) };
    Ok(HorRat { ratio, predicted_percent, low, high, within: low <= ratio && ratio <= high })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentages_given_as_fractions_are_refused() {
        assert!(predicted_rsd_percent(52.4, PredictedRsd::Exponent015).is_err());
        assert!(thompson_sd(0.0).is_err());
        assert!(horrat(-1.0, 0.1, true).is_err());
    }

    #[test]
    fn the_range_depends_on_who_repeated() {
        // PRSD_R is exactly 2 % for a pure substance.
        assert!(horrat(3.9, 1.0, true).unwrap().within && !horrat(3.9, 1.0, false).unwrap().within);
        assert!(!horrat(0.7, 1.0, true).unwrap().within && horrat(0.7, 1.0, false).unwrap().within);
    }
}
