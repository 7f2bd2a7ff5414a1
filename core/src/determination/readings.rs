//! Refuses readings a burette cannot have shown.

use crate::determination::facts::Segment;
use crate::quantity::Reading;

/// Why readings are refused. Fields count segments from 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReadingsError {
    /// Nothing was read.
    #[error("a titration needs an initial and a final reading")]
    None,
    /// The resolution is not positive.
    #[error("the reading resolution must be above 0 mL, not {0}")]
    Resolution(String),
    /// The final reading is below the initial one.
    #[error("segment {segment}: the final reading {last} mL is below the initial reading {initial} mL")]
    Reversed {
        /// Segment.
        segment: usize,
        /// Initial reading as entered.
        initial: String,
        /// Final reading as entered.
        last: String,
    },
    /// A reading outside the scale.
    #[error("segment {segment}: {reading} mL is outside the scale, 0 to {capacity} mL")]
    OutsideScale {
        /// Segment.
        segment: usize,
        /// Reading as entered.
        reading: String,
        /// End of the scale as stated.
        capacity: String,
    },
    /// A reading between two readable positions.
    #[error("segment {segment}: {reading} mL is not a multiple of the reading resolution {resolution} mL")]
    NotAMultiple {
        /// Segment.
        segment: usize,
        /// Reading as entered.
        reading: String,
        /// Resolution as stated.
        resolution: String,
    },
}

/// Checks the readings of a titration or blank against the burette's scale, in exact decimals.
///
/// # Source
/// Marks of a burette: ISO 385 (from memory).
///
/// # Errors
/// The first reading that breaks a rule.
///
/// # Example
/// ```
/// use ferrotitre_core::determination::{Segment, check_readings};
/// let (capacity, resolution) = ("50.00".parse().unwrap(), "0.02".parse().unwrap());
/// let segment = |initial: &str, last: &str| Segment { initial: initial.parse().unwrap(), last: last.parse().unwrap() };
/// assert!(check_readings(&[segment("0.02", "23.18")], &capacity, &resolution).is_ok());
/// assert!(check_readings(&[segment("23.18", "0.02")], &capacity, &resolution).is_err());
/// ```
pub fn check_readings(segments: &[Segment], capacity: &Reading, resolution: &Reading) -> Result<(), ReadingsError> {
    if segments.is_empty() {
        return Err(ReadingsError::None);
    }
    if resolution.value() <= 0.0 {
        return Err(ReadingsError::Resolution(resolution.text()));
    }
    for (at, Segment { initial, last }) in segments.iter().enumerate() {
        let segment = at + 1;
        for reading in [initial, last] {
            if reading.value() < 0.0 || reading.decimal() > capacity.decimal() {
                return Err(ReadingsError::OutsideScale {
                    segment,
                    reading: reading.text(),
                    capacity: capacity.text(),
                });
            }
            if !reading.is_multiple_of(resolution) {
                let (reading, resolution) = (reading.text(), resolution.text());
                return Err(ReadingsError::NotAMultiple { segment, reading, resolution });
            }
        }
        if last.decimal() < initial.decimal() {
            return Err(ReadingsError::Reversed { segment, initial: initial.text(), last: last.text() });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(pairs: &[(&str, &str)], resolution: &str) -> Result<(), ReadingsError> {
        let segments: Vec<Segment> =
            pairs.iter().map(|(a, b)| Segment { initial: a.parse().unwrap(), last: b.parse().unwrap() }).collect();
        check_readings(&segments, &"50.00".parse().unwrap(), &resolution.parse().unwrap())
    }

    #[test]
    fn each_broken_rule_is_named_with_its_segment() {
        assert_eq!(check(&[("0.00", "50.00"), ("0.00", "3.10")], "0.02"), Ok(()));
        assert_eq!(check(&[("5.00", "5.00")], "0.02"), Ok(()));
        assert_eq!(check(&[], "0.02"), Err(ReadingsError::None));
        assert!(matches!(check(&[("0.00", "1.00")], "0.00"), Err(ReadingsError::Resolution(_))));
        assert!(matches!(
            check(&[("0.00", "1.00"), ("2.00", "1.98")], "0.02"),
            Err(ReadingsError::Reversed { segment: 2, .. })
        ));
        assert!(matches!(check(&[("0.00", "50.02")], "0.02"), Err(ReadingsError::OutsideScale { .. })));
        assert!(matches!(check(&[("-0.02", "5.00")], "0.02"), Err(ReadingsError::OutsideScale { .. })));
        assert!(matches!(check(&[("0.00", "23.15")], "0.02"), Err(ReadingsError::NotAMultiple { .. })));
    }
}
