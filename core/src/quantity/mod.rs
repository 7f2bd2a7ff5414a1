//! Readings as entered, and the ranges every quantity must lie in.
//!
//! A reading keeps the digits a person or an instrument gave (23.10 is not 23.1); arithmetic on it is exact. Converted to
//! double precision it becomes one of the newtypes below, in the unit written in the notebook.

mod reading;

pub use reading::{Reading, ReadingError, nearest_double, plain};

/// A value outside the range of its quantity.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{noun} must be from {low} to {high} {unit}, not {value}")]
pub struct OutOfRange {
    /// Quantity.
    pub noun: &'static str,
    /// Unit.
    pub unit: &'static str,
    /// Lowest value.
    pub low: f64,
    /// Highest value.
    pub high: f64,
    /// Offending value.
    pub value: f64,
}

macro_rules! quantities {
    ($($(#[$doc:meta])* $name:ident: $noun:literal, $unit:literal, $low:expr, $high:expr;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// Unit symbol.
            pub const UNIT: &'static str = $unit;

            /// Makes the quantity.
            ///
            /// # Errors
            /// [`OutOfRange`], also for NaN.
            pub fn new(value: f64) -> Result<Self, OutOfRange> {
                if ($low..=$high).contains(&value) {
                    Ok(Self(value))
                } else {
                    Err(OutOfRange { noun: $noun, unit: $unit, low: $low, high: $high, value })
                }
            }

            /// The number in the quantity's unit.
            #[must_use]
            pub fn value(self) -> f64 {
                self.0
            }
        }
    )+};
}

quantities! {
    /// Volume, mL.
    Millilitres: "a volume", "mL", 0.0, 100_000.0;
    /// Mass, g.
    Grams: "a mass", "g", 0.0, 10_000.0;
    /// Amount concentration, mol/L.
    MolesPerLitre: "a concentration", "mol/L", 1e-9, 20.0;
    /// Temperature, degrees Celsius.
    Celsius: "a temperature", "C", -20.0, 120.0;
    /// Density, g/cm3.
    GramsPerCubicCentimetre: "a density", "g/cm3", 0.1, 25.0;
    /// Mass fraction, at most a little above 1 for a certified assay.
    MassFraction: "a mass fraction", "g/g", 1e-9, 1.0005;
}
