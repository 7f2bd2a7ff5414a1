//! A newtype per bench quantity, in the unit written in the notebook.
//!
//! What belongs here: the types, their ranges, the operators that are dimensionally true, and readings as entered.
//! What does not: corrections, stoichiometry, rounding. Every constructor refuses NaN and infinity, so arithmetic on a
//! quantity that exists cannot start from a non-number.
//!
//! | type | noun | unit | smallest | largest |
//! |---|---|---|---|---|
//! | [`Millilitres`] | volume | mL | −1 000 000 | 1 000 000 |
//! | [`Grams`] | mass | g | −100 000 | 100 000 |
//! | [`Milligrams`] | mass | mg | −100 000 000 | 100 000 000 |
//! | [`Millimoles`] | amount of substance | mmol | −1 000 000 | 1 000 000 |
//! | [`MolesPerLitre`] | amount concentration | mol/L | −100 | 100 |
//! | [`EquivalentsPerLitre`] | equivalent concentration | eq/L | −1 000 | 1 000 |
//! | [`GramsPerLitre`] | mass concentration | g/L | −25 000 | 25 000 |
//! | [`MilligramsPerLitre`] | mass concentration | mg/L | −25 000 000 | 25 000 000 |
//! | [`MassFraction`] | mass fraction | g/g | −10 | 10 |
//! | [`DegreesCelsius`] | temperature | °C | −50 | 500 |
//! | [`GramsPerCubicCentimetre`] | density | g/cm³ | 0.000 01 | 25 |
//! | [`GramsPerMole`] | molar mass | g/mol | 1 | 10 000 |
//!
//! Volumes, amounts and concentrations may be negative because a blank may exceed a titre and iron(III) by difference
//! may fall below zero; facts that cannot be negative are refused where the fact is checked.

mod operators;
mod reading;

pub use reading::{Reading, ReadingError, ResolutionError};

use std::fmt;

/// A value outside the range declared for its quantity, or not a number at all.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{noun} {value} {unit} is outside {minimum} to {maximum} {unit}")]
pub struct RangeError {
    /// What the quantity is called.
    pub noun: &'static str,
    /// Unit symbol.
    pub unit: &'static str,
    /// The value refused.
    pub value: f64,
    /// Smallest value accepted.
    pub minimum: f64,
    /// Largest value accepted.
    pub maximum: f64,
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $noun:literal, $unit:literal, $minimum:literal ..= $maximum:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// What the quantity is called in messages.
            pub const NOUN: &'static str = $noun;
            /// Unit symbol.
            pub const UNIT: &'static str = $unit;
            /// Smallest value accepted.
            pub const MINIMUM: f64 = $minimum;
            /// Largest value accepted.
            pub const MAXIMUM: f64 = $maximum;

            /// Takes a value in the unit of the type.
            ///
            /// # Errors
            /// [`RangeError`] when the value is NaN, infinite or outside the declared range.
            pub const fn new(value: f64) -> Result<Self, RangeError> {
                if value >= $minimum && value <= $maximum {
                    Ok(Self(value))
                } else {
                    Err(RangeError { noun: $noun, unit: $unit, value, minimum: $minimum, maximum: $maximum })
                }
            }

            /// A literal of the program itself; meant for constants, where a bad value stops compilation.
            ///
            /// # Panics
            /// When the value is outside the declared range.
            #[must_use]
            pub const fn literal(value: f64) -> Self {
                assert!(value >= $minimum && value <= $maximum, "literal outside the declared range");
                Self(value)
            }

            /// The value in the unit of the type.
            #[must_use]
            pub const fn value(self) -> f64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(formatter, "{} {}", self.0, $unit)
            }
        }
    };
}

quantity! {
    /// A volume in millilitres.
    Millilitres, "volume", "mL", -1e6 ..= 1e6
}
quantity! {
    /// A mass in grams.
    Grams, "mass", "g", -1e5 ..= 1e5
}
quantity! {
    /// A mass in milligrams.
    Milligrams, "mass", "mg", -1e8 ..= 1e8
}
quantity! {
    /// An amount of substance in millimoles.
    Millimoles, "amount of substance", "mmol", -1e6 ..= 1e6
}
quantity! {
    /// An amount concentration in moles per litre.
    MolesPerLitre, "amount concentration", "mol/L", -100.0 ..= 100.0
}
quantity! {
    /// A concentration in equivalents per litre (normality): the number of electrons per formula unit times mol/L.
    EquivalentsPerLitre, "equivalent concentration", "eq/L", -1000.0 ..= 1000.0
}
quantity! {
    /// A mass concentration in grams per litre.
    GramsPerLitre, "mass concentration", "g/L", -25_000.0 ..= 25_000.0
}
quantity! {
    /// A mass concentration in milligrams per litre.
    MilligramsPerLitre, "mass concentration", "mg/L", -2.5e7 ..= 2.5e7
}
quantity! {
    /// A mass fraction, 1 meaning the whole.
    MassFraction, "mass fraction", "g/g", -10.0 ..= 10.0
}
quantity! {
    /// A Celsius temperature.
    DegreesCelsius, "temperature", "°C", -50.0 ..= 500.0
}
quantity! {
    /// A density in grams per cubic centimetre.
    GramsPerCubicCentimetre, "density", "g/cm³", 1e-5 ..= 25.0
}
quantity! {
    /// A molar mass in grams per mole.
    GramsPerMole, "molar mass", "g/mol", 1.0 ..= 1e4
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_that_is_not_a_number_or_out_of_range_is_refused_and_named() {
        assert!(Millilitres::new(f64::NAN).is_err());
        assert!(Grams::new(f64::INFINITY).is_err());
        assert!(GramsPerMole::new(0.0).is_err());
        let error = DegreesCelsius::new(1000.0).unwrap_err();
        assert_eq!(error.to_string(), "temperature 1000 °C is outside -50 to 500 °C");
    }

    #[test]
    fn the_ends_of_the_range_are_accepted() {
        assert!(MassFraction::new(MassFraction::MAXIMUM).is_ok());
        assert!(MassFraction::new(MassFraction::MINIMUM).is_ok());
    }
}
