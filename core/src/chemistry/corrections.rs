//! Corrections of volumes for temperature and calibration, and of masses for air buoyancy.

use crate::working::Number;

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
    Ok(tanaka(celsius))
}

/// The formula of [`water_density`], for numbers and for nodes of a working.
pub(crate) fn tanaka<N: Number>(t: N) -> N {
    let n = |value| t.number(value);
    let (a1, a2, a3, a4, a5) = (-3.983_035, 301.797, 522_528.9, 69.348_81, 0.999_974_950);
    let squared = (t + n(a1)) * (t + n(a1));
    n(a5) * (n(1.0) - squared * (t + n(a2)) / (n(a3) * (t + n(a4))))
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
/// assert!((factor - 0.99913).abs() < 5e-6); // CIPM 2001 water formula, computed elsewhere
/// ```
pub fn temperature_factor(celsius: f64) -> Result<f64, CorrectionError> {
    Ok(to_20(celsius, BOROSILICATE_EXPANSION, water_density(celsius)?, tanaka(20.0)))
}

/// The formula of [`temperature_factor`], for numbers and for nodes of a working.
pub(crate) fn to_20<N: Number>(t: N, expansion: N, density: N, density_20: N) -> N {
    (t.number(1.0) + expansion * (t - t.number(20.0))) * density / density_20
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
    weighing_factor(air_density, WEIGHT_DENSITY, sample_density)
}

/// The formula of [`buoyancy`], for numbers and for nodes of a working.
pub(crate) fn weighing_factor<N: Number>(air: N, weights: N, sample: N) -> N {
    (air.number(1.0) - air / weights) / (air.number(1.0) - air / sample)
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

/// Air outside the range of a formula.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{field} must be from {low} to {high}, not {value}")]
pub struct AirError {
    /// Field that breaks the rule.
    pub field: &'static str,
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
    /// Offending value.
    pub value: f64,
}

/// Density of moist air, g/cm3, from temperature (C), pressure (hPa) and relative humidity (%), by the full formula.
///
/// # Formula
/// rho = 3.483740e-3 p / (Z T) (1 - x_v (1 - M_v / M_a)) kg/m3, p in Pa, M_v = 18.01528 and M_a = 28.96546 g/mol (a
/// carbon-dioxide fraction of 0.0004); the bracket is often printed with 1 - M_v / M_a rounded to 0.3780
///
/// # Source
/// Picard et al., CIPM-2007, Metrologia 45 (2008) 149; coefficients from memory.
///
/// # Errors
/// [`AirError`] outside 10 to 35 C (recommended are 15 to 27 C), 600 to 1100 hPa, 0 to 100 %.
pub fn air_density_cipm(celsius: f64, hectopascal: f64, humidity: f64) -> Result<f64, AirError> {
    for (field, value, low, high) in [
        ("temperature (C)", celsius, 10.0, 35.0),
        ("pressure (hPa)", hectopascal, 600.0, 1100.0),
        ("relative humidity (%)", humidity, 0.0, 100.0),
    ] {
        if !(low..=high).contains(&value) {
            return Err(AirError { field, low, high, value });
        }
    }
    let (t, kelvin, p) = (celsius, celsius + 273.15, 100.0 * hectopascal);
    let saturation =
        (1.237_884_7e-5 * kelvin * kelvin - 1.912_131_6e-2 * kelvin + 33.937_110_47 - 6.343_164_5e3 / kelvin).exp();
    let enhancement = 1.000_62 + 3.14e-8 * p + 5.6e-7 * t * t;
    let vapour = humidity / 100.0 * enhancement * saturation / p;
    let linear = 1.581_23e-6 - 2.933_1e-8 * t
        + 1.104_3e-10 * t * t
        + (5.707e-6 - 2.051e-8 * t) * vapour
        + (1.989_8e-4 - 2.376e-6 * t) * vapour * vapour;
    let ratio = p / kelvin;
    let compressibility = 1.0 - ratio * linear + ratio * ratio * (1.83e-11 - 0.765e-8 * vapour * vapour);
    Ok(3.483_740e-6 * ratio / compressibility * (1.0 - vapour * (1.0 - 18.015_28 / 28.965_46)))
}

/// Highest temperature at which the effect of dissolved air on the density of water was measured, C.
pub const DISSOLVED_AIR_UP_TO: f64 = 25.0;

/// Density of air-saturated water, g/cm3, for 0 to 40 C.
///
/// Above [`DISSOLVED_AIR_UP_TO`] the line is continued; since air dissolves less there and 5e-6 is the most it ever does,
/// that changes the sixth figure at most.
///
/// # Formula
/// rho = rho(air-free) + (-4.612e-6 + 0.106e-6 t)
///
/// # Source
/// Tanaka et al. 2001, correction for dissolved air, 0 to 25 C; coefficients from memory.
///
/// # Errors
/// A temperature outside 0 to 40 C.
pub fn water_density_air_saturated(celsius: f64) -> Result<f64, CorrectionError> {
    Ok(water_density(celsius)? - 4.612e-6 + 0.106e-6 * celsius)
}

/// Density of air-free water, g/cm3, for 0 to 40 C, by an older formula in use beside [`water_density`].
///
/// # Formula
/// A ratio of polynomials in the temperature on the scale of 1968, which at 20 C reads 0.005 C more than that of 1990
///
/// # Source
/// G. S. Kell, J. Chem. Eng. Data 20 (1975) 97, as printed by Jones and Harris 1992 (read; the denominator 16.87985e-3).
///
/// # Errors
/// A temperature outside 0 to 40 C.
pub fn water_density_kell(celsius: f64) -> Result<f64, CorrectionError> {
    if !(0.0..=40.0).contains(&celsius) {
        return Err(CorrectionError::Temperature { low: 0.0, high: 40.0, value: celsius });
    }
    const A: [f64; 6] = [999.839_52, 16.945_176, -7.987_040_1e-3, -46.170_461e-6, 105.563_02e-9, -280.542_53e-12];
    let above = A.iter().rev().fold(0.0, |sum, a| sum * celsius + a);
    Ok(above / (1.0 + 16.879_850e-3 * celsius) / 1000.0)
}

/// Density of water, g/cm3, for 5 to 40 C, by the polynomial of Jones and Harris.
///
/// # Source
/// F. E. Jones, G. L. Harris, J. Res. Natl. Inst. Stand. Technol. 97 (1992) 335: air-free, and air-saturated (the same with
/// the dissolved air of [`water_density_air_saturated`]); coefficients from memory.
///
/// # Errors
/// A temperature outside 5 to 40 C.
pub fn water_density_jones_harris(celsius: f64, air_saturated: bool) -> Result<f64, CorrectionError> {
    if !(5.0..=40.0).contains(&celsius) {
        return Err(CorrectionError::Temperature { low: 5.0, high: 40.0, value: celsius });
    }
    const A: [f64; 5] = [999.853_08, 6.326_93e-2, -8.523_829e-3, 6.943_248e-5, -3.821_216e-7];
    let air_free = A.iter().rev().fold(0.0, |sum, a| sum * celsius + a) / 1000.0;
    Ok(if air_saturated { air_free - 4.612e-6 + 0.106e-6 * celsius } else { air_free })
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

/// Fewest points of a burette's corrections table.
pub const MINIMUM_POINTS: usize = 5;

/// What is wrong with a corrections table.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum TableError {
    /// Too few points to interpolate between.
    #[error("the corrections table has {0} points; at least {MINIMUM_POINTS} are needed")]
    TooFewPoints(usize),
    /// A reading or a correction that is no number.
    #[error("the corrections table holds {0}, which is not a number")]
    NotANumber(f64),
    /// The readings do not rise.
    #[error("the readings of the corrections table must rise; {second} mL follows {first} mL")]
    NotRising {
        /// Reading before.
        first: f64,
        /// Reading after.
        second: f64,
    },
    /// The corrected scale would run backwards.
    #[error("the corrections at {first} and {second} mL make the corrected scale run backwards")]
    Backwards {
        /// Reading before.
        first: f64,
        /// Reading after.
        second: f64,
    },
    /// The table ends before the scale does, so that some readings could not be corrected.
    #[error("the corrections table runs from {low} to {high} mL, the scale from 0 to {capacity} mL")]
    NotTheWholeScale {
        /// First reading.
        low: f64,
        /// Last reading.
        high: f64,
        /// End of the scale.
        capacity: f64,
    },
}

/// Checks a corrections table of (reading, correction), mL, before it is accepted from a certificate.
///
/// # Source
/// Five points: common practice, no source; linear interpolation needs the rest.
///
/// # Errors
/// The first thing that is wrong with it.
pub fn check_corrections(table: &[(f64, f64)], capacity_ml: f64) -> Result<(), TableError> {
    if table.len() < MINIMUM_POINTS {
        return Err(TableError::TooFewPoints(table.len()));
    }
    if let Some(bad) = table.iter().flat_map(|(reading, d)| [*reading, *d]).find(|x| !x.is_finite()) {
        return Err(TableError::NotANumber(bad));
    }
    for pair in table.windows(2) {
        let ((first, a), (second, b)) = (pair[0], pair[1]);
        if first >= second {
            return Err(TableError::NotRising { first, second });
        }
        if first + a >= second + b {
            return Err(TableError::Backwards { first, second });
        }
    }
    let (low, high) = (table[0].0, table[table.len() - 1].0);
    if low > 0.0 || high < capacity_ml {
        return Err(TableError::NotTheWholeScale { low, high, capacity: capacity_ml });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const TABLE: [(f64, f64); 5] = [(0.0, 0.0), (10.0, 0.02), (20.0, 0.01), (30.0, 0.0), (50.0, -0.02)];

    #[test]
    fn corrections_are_interpolated_and_never_extrapolated() {
        assert!((burette_correction(&TABLE, 15.0).unwrap() - 0.015).abs() < 1e-15);
        assert_eq!(burette_correction(&TABLE, 0.0), Ok(0.0));
        assert_eq!(burette_correction(&TABLE, 50.0), Ok(-0.02));
        assert!(burette_correction(&TABLE, 50.02).is_err());
        assert!(burette_correction(&TABLE, -0.02).is_err());
    }

    #[test]
    fn a_table_that_cannot_be_interpolated_is_refused_by_its_fault() {
        assert_eq!(check_corrections(&TABLE, 50.0), Ok(()));
        assert_eq!(check_corrections(&TABLE[..4], 50.0), Err(TableError::TooFewPoints(4)));
        let changed = |at: usize, point| {
            let mut table = TABLE;
            table[at] = point;
            check_corrections(&table, 50.0)
        };
        assert!(matches!(changed(2, (f64::NAN, 0.0)), Err(TableError::NotANumber(_))));
        assert_eq!(changed(2, (10.0, 0.01)), Err(TableError::NotRising { first: 10.0, second: 10.0 }));
        assert_eq!(changed(2, (20.0, -11.0)), Err(TableError::Backwards { first: 10.0, second: 20.0 }));
        assert!(matches!(changed(4, (45.0, 0.0)), Err(TableError::NotTheWholeScale { .. })));
    }

    #[test]
    fn air_outside_the_formula_is_refused_by_field() {
        assert_eq!(air_density_cipm(20.0, 101_325.0, 50.0).unwrap_err().field, "pressure (hPa)");
        assert!(air_density_cipm(f64::NAN, 1013.25, 50.0).is_err());
    }
}
