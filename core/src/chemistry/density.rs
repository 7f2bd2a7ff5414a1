//! Densities of water and air, buoyancy, and the volume of water from its weighing.

use crate::quantity::{DegreesCelsius, Grams, GramsPerCubicCentimetre, Millilitres, RangeError};

/// Density of air-free water at 20 °C by [`water`].
pub const WATER_20: GramsPerCubicCentimetre = GramsPerCubicCentimetre::literal(0.998_206_745_559_616_7);
/// Density of the reference weights to which balances are adjusted (OIML D 28, from memory).
pub const REFERENCE_WEIGHTS: GramsPerCubicCentimetre = GramsPerCubicCentimetre::literal(8.0);
/// Conventional density of air (OIML D 28, from memory).
pub const CONVENTIONAL_AIR: GramsPerCubicCentimetre = GramsPerCubicCentimetre::literal(0.0012);

/// Density of air-free water between 0 and 40 °C at 101.325 kPa; `None` outside.
///
/// # Formula
/// `ρ = a₅ [1 − (t + a₁)² (t + a₂) / (a₃ (t + a₄))]`, relative standard uncertainty below 1e-6
///
/// # Source
/// Tanaka, Girard, Davis, Peuto, Bignell: Recommended table for the density of water, Metrologia 38 (2001) 301, eq. 1.
///
/// # Example
/// ```
/// use ferrotitre_core::{chemistry::density::water, quantity::DegreesCelsius};
/// let density = water(DegreesCelsius::new(25.0)?).ok_or("outside 0 to 40 °C")?;
/// assert!((density.value() - 0.9970470).abs() < 5e-8);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[must_use]
pub fn water(temperature: DegreesCelsius) -> Option<GramsPerCubicCentimetre> {
    const A1: f64 = -3.983_035;
    const A2: f64 = 301.797;
    const A3: f64 = 522_528.9;
    const A4: f64 = 69.348_81;
    const A5: f64 = 0.999_974_950;
    let t = temperature.value();
    if !(0.0..=40.0).contains(&t) {
        return None;
    }
    GramsPerCubicCentimetre::new(A5 * (1.0 - (t + A1).powi(2) * (t + A2) / (A3 * (t + A4)))).ok()
}

/// Density of air-saturated water between 0 and 25 °C; `None` outside.
///
/// # Formula
/// `ρ = ρ(air-free) + (−4.612e-6 + 0.106e-6 t)` g/cm³
///
/// # Source
/// Tanaka and others (2001), correction for dissolved air; coefficients from memory.
#[must_use]
pub fn water_air_saturated(temperature: DegreesCelsius) -> Option<GramsPerCubicCentimetre> {
    let t = temperature.value();
    if t > 25.0 {
        return None;
    }
    GramsPerCubicCentimetre::new(water(temperature)?.value() - 4.612e-6 + 0.106e-6 * t).ok()
}

/// The state of the air in the weighing room.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Temperature, 15 to 27 °C for the full formula.
    pub temperature: DegreesCelsius,
    /// Pressure in hectopascals, 600 to 1100.
    pub pressure_hpa: f64,
    /// Relative humidity in per cent, 0 to 100.
    pub relative_humidity_percent: f64,
}

/// Air outside the range of the formula.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{field} {value} is outside {minimum} to {maximum}, the range of the air-density formula")]
pub struct AirError {
    /// Field that breaks the rule.
    pub field: &'static str,
    /// Value given.
    pub value: f64,
    /// Smallest value accepted.
    pub minimum: f64,
    /// Largest value accepted.
    pub maximum: f64,
}

impl Air {
    fn check(&self, coolest: f64, warmest: f64) -> Result<(), AirError> {
        for (field, value, minimum, maximum) in [
            ("temperature (°C)", self.temperature.value(), coolest, warmest),
            ("pressure (hPa)", self.pressure_hpa, 600.0, 1100.0),
            ("relative humidity (%)", self.relative_humidity_percent, 0.0, 100.0),
        ] {
            if !(minimum..=maximum).contains(&value) {
                return Err(AirError { field, value, minimum, maximum });
            }
        }
        Ok(())
    }

    /// Density of moist air.
    ///
    /// # Formula
    /// `ρ = 3.483740e-3 p/(Z T) (1 − 0.3780 xᵥ)` kg/m³ with p in Pa, at a carbon-dioxide fraction of 0.0004
    ///
    /// # Source
    /// Picard, Davis, Gläser, Fujii: CIPM-2007, Metrologia 45 (2008) 149; coefficients from memory.
    ///
    /// # Errors
    /// [`AirError`] outside 10 to 35 °C (the formula is recommended for 15 to 27 °C), 600 to 1100 hPa, 0 to 100 %.
    pub fn density(&self) -> Result<GramsPerCubicCentimetre, AirError> {
        self.check(10.0, 35.0)?;
        let t = self.temperature.value();
        let kelvin = t + 273.15;
        let p = 100.0 * self.pressure_hpa;
        let saturation =
            (1.237_884_7e-5 * kelvin * kelvin - 1.912_131_6e-2 * kelvin + 33.937_110_47 - 6.343_164_5e3 / kelvin).exp();
        let enhancement = 1.000_62 + 3.14e-8 * p + 5.6e-7 * t * t;
        let vapour = self.relative_humidity_percent / 100.0 * enhancement * saturation / p;
        let compressibility = 1.0
            - p / kelvin
                * (1.581_23e-6 - 2.933_1e-8 * t
                    + 1.104_3e-10 * t * t
                    + (5.707e-6 - 2.051e-8 * t) * vapour
                    + (1.989_8e-4 - 2.376e-6 * t) * vapour * vapour)
            + (p / kelvin).powi(2) * (1.83e-11 - 0.765e-8 * vapour * vapour);
        let density = 3.483_740e-3 * p / (compressibility * kelvin) * (1.0 - 0.378_0 * vapour);
        Ok(GramsPerCubicCentimetre::literal(density / 1000.0))
    }

    /// Density of moist air by the short formula, good to a few parts in ten thousand.
    ///
    /// # Formula
    /// `ρ = (0.34848 p − 0.009 h exp(0.061 t)) / (273.15 + t)` kg/m³, p in hPa, h in %
    ///
    /// # Source
    /// OIML R 111-1 (2004), eq. E.3-1; from memory.
    ///
    /// # Errors
    /// [`AirError`] outside 10 to 35 °C, 600 to 1100 hPa, 0 to 100 %.
    pub fn density_simplified(&self) -> Result<GramsPerCubicCentimetre, AirError> {
        self.check(10.0, 35.0)?;
        let t = self.temperature.value();
        let density =
            (0.348_48 * self.pressure_hpa - 0.009 * self.relative_humidity_percent * (0.061 * t).exp()) / (273.15 + t);
        Ok(GramsPerCubicCentimetre::literal(density / 1000.0))
    }
}

/// True mass over balance reading.
///
/// # Formula
/// `B = (1 − ρa/ρref) / (1 − ρa/ρs)`, ρref = 8.0 g/cm³
///
/// # Source
/// Requirement 3.2; the definition of conventional mass (OIML D 28, from memory).
///
/// # Example
/// ```
/// use ferrotitre_core::{chemistry::density::{CONVENTIONAL_AIR, buoyancy}, quantity::GramsPerCubicCentimetre};
/// let dichromate = GramsPerCubicCentimetre::new(2.676)?;
/// assert!((buoyancy(CONVENTIONAL_AIR, dichromate) - 1.000299).abs() < 5e-7);
/// # Ok::<(), ferrotitre_core::quantity::RangeError>(())
/// ```
#[must_use]
pub fn buoyancy(air: GramsPerCubicCentimetre, substance: GramsPerCubicCentimetre) -> f64 {
    (1.0 - air.value() / REFERENCE_WEIGHTS.value()) / (1.0 - air.value() / substance.value())
}

/// Volume in millilitres per gram of balance reading when water is weighed, for a vessel referred to 20 °C.
///
/// # Formula
/// `Z = (1 − ρa/ρref) / (ρw − ρa) × [1 − γ (T − 20)]`
///
/// # Source
/// ISO 4787 and ISO 8655-6 (from memory).
///
/// # Errors
/// [`super::volume::VolumeError::Temperature`] outside 0 to 40 °C.
pub fn z_factor(
    temperature: DegreesCelsius,
    air: GramsPerCubicCentimetre,
    glass_expansion_per_k: f64,
) -> Result<f64, super::volume::VolumeError> {
    let t = temperature.value();
    let water = water(temperature).ok_or(super::volume::VolumeError::Temperature { temperature: t })?;
    let (air, water) = (air.value(), water.value());
    Ok((1.0 - air / REFERENCE_WEIGHTS.value()) / (water - air) * (1.0 - glass_expansion_per_k * (t - 20.0)))
}

/// Volume at 20 °C of a vessel from the balance reading of the water it holds.
///
/// # Errors
/// [`RangeError`] when the volume is outside its range.
pub fn volume_from_water(reading: Grams, z_factor: f64) -> Result<Millilitres, RangeError> {
    Millilitres::new(reading.value() * z_factor)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_constant_for_20_degrees_is_the_formula_there() {
        assert!((water(DegreesCelsius::literal(20.0)).unwrap().value() - WATER_20.value()).abs() < 1e-15);
    }

    #[test]
    fn air_outside_the_formula_is_refused_by_field() {
        let air = Air {
            temperature: DegreesCelsius::literal(20.0),
            pressure_hpa: 101_325.0,
            relative_humidity_percent: 50.0,
        };
        assert_eq!(air.density().unwrap_err().field, "pressure (hPa)");
        assert!(water(DegreesCelsius::literal(41.0)).is_none());
    }
}
