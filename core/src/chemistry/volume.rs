//! Burette corrections and the reduction of volumes to 20 °C.

use crate::quantity::{DegreesCelsius, Millilitres, RangeError};

/// Fewest points a calibration table may have.
pub const MINIMUM_POINTS: usize = 5;

/// A burette's corrections by reading, from its certificate.
///
/// The correction at a reading is what is added to the volume delivered from the zero mark to that reading.
#[derive(Debug, Clone, PartialEq)]
pub struct CorrectionTable {
    points: Vec<CorrectionPoint>,
}

/// One line of a calibration table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CorrectionPoint {
    /// Scale reading.
    pub reading: Millilitres,
    /// Correction to be added to the volume from zero to that reading.
    pub correction: Millilitres,
}

/// What is wrong with a calibration table or its use.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum VolumeError {
    /// Too few points.
    #[error("the calibration table has {points} points; at least {MINIMUM_POINTS} are needed")]
    TooFewPoints {
        /// How many there are.
        points: usize,
    },
    /// The readings do not rise.
    #[error("the calibration table's readings must rise; {second} mL follows {first} mL")]
    NotRising {
        /// The earlier reading.
        first: f64,
        /// The one after it.
        second: f64,
    },
    /// A correction so large that the corrected scale would run backwards.
    #[error("the corrections at {first} mL and {second} mL would make the corrected scale run backwards")]
    NotMonotone {
        /// The earlier reading.
        first: f64,
        /// The one after it.
        second: f64,
    },
    /// A reading beyond the table.
    #[error("the reading {reading} mL is outside the calibration table, {first} to {last} mL")]
    OutsideTable {
        /// The reading.
        reading: f64,
        /// First reading of the table.
        first: f64,
        /// Last reading of the table.
        last: f64,
    },
    /// A temperature at which the density of water is not given.
    #[error("{temperature} °C is outside 0 to 40 °C, where the water formula holds")]
    Temperature {
        /// The temperature.
        temperature: f64,
    },
    /// A value outside its range.
    #[error(transparent)]
    Range(#[from] RangeError),
}

impl CorrectionTable {
    /// Takes the lines of a certificate.
    ///
    /// # Errors
    /// [`VolumeError`] for fewer than five points, readings that do not rise, or corrections that would make the
    /// corrected scale run backwards.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::chemistry::volume::{CorrectionPoint, CorrectionTable};
    /// use ferrotitre_core::quantity::Millilitres;
    /// let point = |reading, correction| CorrectionPoint {
    ///     reading: Millilitres::literal(reading),
    ///     correction: Millilitres::literal(correction),
    /// };
    /// let table = CorrectionTable::new(vec![
    ///     point(0.0, 0.0), point(10.0, 0.02), point(20.0, 0.01), point(30.0, 0.0), point(50.0, -0.02),
    /// ])?;
    /// assert!((table.at(Millilitres::literal(15.0))?.value() - 0.015).abs() < 1e-15);
    /// assert!(table.at(Millilitres::literal(50.02)).is_err());
    /// # Ok::<(), ferrotitre_core::chemistry::volume::VolumeError>(())
    /// ```
    pub fn new(points: Vec<CorrectionPoint>) -> Result<Self, VolumeError> {
        if points.len() < MINIMUM_POINTS {
            return Err(VolumeError::TooFewPoints { points: points.len() });
        }
        for pair in points.windows(2) {
            let (first, second) = (pair[0].reading.value(), pair[1].reading.value());
            if first >= second {
                return Err(VolumeError::NotRising { first, second });
            }
            if first + pair[0].correction.value() >= second + pair[1].correction.value() {
                return Err(VolumeError::NotMonotone { first, second });
            }
        }
        Ok(Self { points })
    }

    /// The lines of the table.
    #[must_use]
    pub fn points(&self) -> &[CorrectionPoint] {
        &self.points
    }

    /// The correction at a reading, by linear interpolation.
    ///
    /// # Formula
    /// `d(R) = d₁ + (d₂ − d₁)(R − R₁)/(R₂ − R₁)` between the neighbouring points
    ///
    /// # Source
    /// Linear interpolation between calibrated points: common practice, no source.
    ///
    /// # Errors
    /// [`VolumeError::OutsideTable`]: nothing is extrapolated.
    pub fn at(&self, reading: Millilitres) -> Result<Millilitres, VolumeError> {
        let value = reading.value();
        let outside = || VolumeError::OutsideTable {
            reading: value,
            first: self.points.first().map_or(0.0, |point| point.reading.value()),
            last: self.points.last().map_or(0.0, |point| point.reading.value()),
        };
        let above = self.points.partition_point(|point| point.reading.value() < value);
        let upper = self.points.get(above).ok_or_else(outside)?;
        if above == 0 {
            return if upper.reading.value() <= value { Ok(upper.correction) } else { Err(outside()) };
        }
        let lower = &self.points[above - 1];
        let (r1, r2) = (lower.reading.value(), upper.reading.value());
        let (d1, d2) = (lower.correction.value(), upper.correction.value());
        Ok(Millilitres::new(d1 + (d2 - d1) * (value - r1) / (r2 - r1))?)
    }
}

/// Cubic expansion coefficient of borosilicate glass 3.3, per kelvin (ISO 4787, from memory).
pub const BOROSILICATE_EXPANSION_PER_K: f64 = 9.9e-6;
/// Cubic expansion coefficient of soda-lime glass, per kelvin (ISO 4787, from memory).
pub const SODA_LIME_EXPANSION_PER_K: f64 = 27e-6;

/// Factor that reduces a volume of a dilute aqueous solution, measured at `temperature` in glass marked for 20 °C, to
/// the volume the solution has at 20 °C.
///
/// # Formula
/// `V20 / V = [1 + γ (T − 20)] ρw(T) / ρw(20)`
///
/// # Source
/// ISO 4787 for the glass term (from memory); water by [`super::density::water`].
///
/// # Errors
/// [`VolumeError::Temperature`] outside 0 to 40 °C.
///
/// # Example
/// ```
/// use ferrotitre_core::chemistry::volume::{BOROSILICATE_EXPANSION_PER_K, to_20_celsius};
/// use ferrotitre_core::quantity::DegreesCelsius;
/// let factor = to_20_celsius(DegreesCelsius::new(24.0)?, BOROSILICATE_EXPANSION_PER_K)?;
/// assert!((factor - 0.99913).abs() < 5e-6);
/// # Ok::<(), ferrotitre_core::chemistry::volume::VolumeError>(())
/// ```
pub fn to_20_celsius(temperature: DegreesCelsius, glass_expansion_per_k: f64) -> Result<f64, VolumeError> {
    let t = temperature.value();
    let density = super::density::water(temperature).ok_or(VolumeError::Temperature { temperature: t })?;
    Ok((1.0 + glass_expansion_per_k * (t - 20.0)) * density.value() / super::density::WATER_20.value())
}
