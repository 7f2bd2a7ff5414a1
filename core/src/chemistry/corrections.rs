//! Corrections of volumes for temperature and calibration, and of masses for air buoyancy.

/// Cubic expansion of borosilicate glass 3.3, per kelvin (ISO 4787, from memory).
pub const BOROSILICATE_EXPANSION: f64 = 9.9e-6;
/// Conventional density of air, g/cm3 (OIML D 28, from memory).
pub const AIR_DENSITY: f64 = 0.0012;
/// Conventional density of weights, g/cm3 (OIML D 28, from memory).
pub const WEIGHT_DENSITY: f64 = 8.0;

/// What is wrong with an argument.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CorrectionError {
    /// A temperature outside the formula's range.
    #[error("the temperature must be from {low} to {high} C, not {value}")]
    Temperature {
        /// Lowest.
        low: f64,
        /// Highest.
        high: f64,
        /// Offending value.
        value: f64,
    },
    /// A reading outside the corrections table.
    #[error("the reading {value} mL is outside the corrections table, which runs from {low} to {high} mL")]
    OutsideTable {
        /// First reading of the table.
        low: f64,
        /// Last reading of the table.
        high: f64,
        /// Offending value.
        value: f64,
    },
}

/// Density of air-free water at 101.325 kPa, g/cm3, for 0 to 40 C.
///
/// # Formula
/// rho = a5 (1 - (t + a1)^2 (t + a2) / (a3 (t + a4)))
///
/// # Source
/// Tanaka et al., Metrologia 38 (2001) 301, equation (1), recommended by the CIPM.
///
/// # Errors
/// A temperature outside 0 to 40 C.
pub fn water_density(celsius: f64) -> Result<f64, CorrectionError> {
    if !(0.0..=40.0).contains(&celsius) {
        return Err(CorrectionError::Temperature { low: 0.0, high: 40.0, value: celsius });
    }
    const A: [f64; 5] = [-3.983_035, 301.797, 522_528.9, 69.348_81, 0.999_974_950];
    let t = celsius;
    Ok(A[4] * (1.0 - (t + A[0]).powi(2) * (t + A[1]) / (A[2] * (t + A[3]))))
}

/// Factor from a volume measured at a temperature, in glass marked for 20 C, to the volume at 20 C of a dilute aqueous
/// solution whose concentration is stated at 20 C.
///
/// # Formula
/// F = (1 + gamma (T - 20)) rho_w(T) / rho_w(20)
///
/// # Source
/// ISO 4787 (from memory); water density by Tanaka 2001.
///
/// # Errors
/// A temperature outside 0 to 40 C.
///
/// # Example
/// ```
/// let factor = ferrotitre_core::chemistry::temperature_factor(24.0).unwrap();
/// assert!((factor - 0.99913).abs() < 5e-6); // requirements, 3.2
/// ```
pub fn temperature_factor(celsius: f64) -> Result<f64, CorrectionError> {
    Ok((1.0 + BOROSILICATE_EXPANSION * (celsius - 20.0)) * water_density(celsius)? / water_density(20.0)?)
}

/// Factor from a balance reading to the mass.
///
/// # Formula
/// B = (1 - rho_air / rho_weights) / (1 - rho_air / rho_sample)
///
/// # Source
/// OIML D 28 (from memory); K2Cr2O7 in air of 0.0012 g/cm3: 1.000299.
#[must_use]
pub fn buoyancy(sample_density: f64, air_density: f64) -> f64 {
    (1.0 - air_density / WEIGHT_DENSITY) / (1.0 - air_density / sample_density)
}

/// Density of moist air, g/cm3, from temperature (C), pressure (hPa) and relative humidity (%).
///
/// # Formula
/// rho = (0.34848 p - 0.009 h exp(0.061 t)) / (273.15 + t) kg/m3
///
/// # Source
/// OIML R 111-1, E.3-1 (from memory); within 2e-4 relative for ordinary laboratory air.
#[must_use]
pub fn air_density(celsius: f64, hectopascal: f64, humidity: f64) -> f64 {
    (0.348_48 * hectopascal - 0.009 * humidity * (0.061 * celsius).exp()) / (273.15 + celsius) / 1000.0
}

/// Volume at 20 C of glass per balance reading of water, mL/g (equal to uL/mg).
///
/// # Formula
/// Z = (1 - rho_a/rho_w8) / (rho_w - rho_a) (1 - gamma (t - 20))
///
/// # Source
/// ISO 4787, ISO 8655-6 (from memory). `expansion` 0 leaves the glass out, as the tables for piston instruments do.
///
/// # Errors
/// A temperature outside 0 to 40 C.
pub fn z_factor(celsius: f64, air_density: f64, expansion: f64) -> Result<f64, CorrectionError> {
    let water = water_density(celsius)?;
    Ok((1.0 - air_density / WEIGHT_DENSITY) / (water - air_density) * (1.0 - expansion * (celsius - 20.0)))
}

/// Correction at a burette reading, mL, by linear interpolation in the calibration's table of (reading, correction), which
/// has rising readings. An empty table means no corrections.
///
/// # Source
/// ISO 385, ISO 4787 (from memory).
///
/// # Errors
/// A reading outside the table.
pub fn burette_correction(table: &[(f64, f64)], reading: f64) -> Result<f64, CorrectionError> {
    let (Some(first), Some(last)) = (table.first(), table.last()) else { return Ok(0.0) };
    let above = table.partition_point(|(at, _)| *at < reading);
    match (above.checked_sub(1).and_then(|i| table.get(i)), table.get(above)) {
        (_, Some((at, correction))) if *at == reading => Ok(*correction),
        (Some((low, a)), Some((high, b))) => Ok(a + (b - a) * (reading - low) / (high - low)),
        _ => Err(CorrectionError::OutsideTable { low: first.0, high: last.0, value: reading }),
    }
}
