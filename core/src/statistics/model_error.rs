//! What can be wrong with the data given to a test, a model or an interval.

use crate::statistics::distribution::DistributionError;

/// Why a test, a model or an interval cannot be computed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ModelError {
    /// Too few values, levels or groups.
    #[error("not enough data: {what} needs at least {needed}, has {found}")]
    NotEnoughData {
        /// Which series or count.
        what: &'static str,
        /// How many are needed.
        needed: usize,
        /// How many there are.
        found: usize,
    },
    /// A value that is not a number, or so large that its square is not.
    #[error("{name}, value {position}: must be a finite number of magnitude at most 1e140, got {value}")]
    NotFinite {
        /// Which series.
        name: &'static str,
        /// Position, from 1.
        position: usize,
        /// Offending value.
        value: f64,
    },
    /// A setting outside its range.
    #[error("{name} must be {rule}, got {value}")]
    OutOfRange {
        /// Which setting.
        name: &'static str,
        /// The rule it breaks.
        rule: &'static str,
        /// Offending value.
        value: f64,
    },
    /// Series that belong together have different lengths.
    #[error("{first} has {first_len} values and {second} has {second_len}: they must be paired")]
    LengthsDiffer {
        /// First series.
        first: &'static str,
        /// Its length.
        first_len: usize,
        /// Second series.
        second: &'static str,
        /// Its length.
        second_len: usize,
    },
    /// All values are equal where the question needs them to differ.
    #[error("{what} do not differ: {needed}")]
    NoSpread {
        /// What does not vary.
        what: &'static str,
        /// What would be needed.
        needed: &'static str,
    },
    /// A column of a design is a combination of the columns before it.
    #[error("term {term} of the model is a combination of the terms before it: leave it out or add levels")]
    Collinear {
        /// Position of the term, from 1.
        term: usize,
    },
    /// No answer exists for these data.
    #[error("{what}: {reason}")]
    NoSolution {
        /// What was sought.
        what: &'static str,
        /// Why there is none.
        reason: &'static str,
    },
    /// A probability or degrees of freedom out of range.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

impl ModelError {
    /// Refuses a count below what is needed.
    pub(crate) fn need(what: &'static str, needed: usize, found: usize) -> Result<(), Self> {
        if found >= needed { Ok(()) } else { Err(Self::NotEnoughData { what, needed, found }) }
    }

    /// Refuses a number that is not positive and finite.
    pub(crate) fn positive(name: &'static str, value: f64) -> Result<f64, Self> {
        if value > 0.0 && value.is_finite() {
            Ok(value)
        } else {
            Err(Self::OutOfRange { name, rule: "greater than 0 and finite", value })
        }
    }

    /// Refuses a number that is negative or not finite.
    pub(crate) fn not_negative(name: &'static str, value: f64) -> Result<f64, Self> {
        if value >= 0.0 && value.is_finite() {
            Ok(value)
        } else {
            Err(Self::OutOfRange { name, rule: "0 or more and finite", value })
        }
    }

    /// Refuses a number that is not finite.
    pub(crate) fn finite(name: &'static str, value: f64) -> Result<f64, Self> {
        if value.is_finite() { Ok(value) } else { Err(Self::OutOfRange { name, rule: "a finite number", value }) }
    }

    /// Refuses what is not strictly between 0 and 1.
    pub(crate) fn fraction(name: &'static str, value: f64) -> Result<f64, Self> {
        if value > 0.0 && value < 1.0 {
            Ok(value)
        } else {
            Err(Self::OutOfRange { name, rule: "strictly between 0 and 1", value })
        }
    }

    /// Refuses series of different lengths.
    pub(crate) fn paired(
        (first, first_len): (&'static str, usize),
        (second, second_len): (&'static str, usize),
    ) -> Result<(), Self> {
        if first_len == second_len { Ok(()) } else { Err(Self::LengthsDiffer { first, first_len, second, second_len }) }
    }
}
