//! Decimal rounding, applied only to reported figures.
//!
//! Values are rounded as decimals, never as binary fractions: 2.675 is the number a person reads, and rounds as such.

use bigdecimal::num_bigint::Sign;
use bigdecimal::{BigDecimal, RoundingMode, Zero};

use crate::quantity::plain;

/// How a tie is rounded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ties {
    /// To the even neighbour (ISO 80000-1, Annex B, rule A; from memory).
    HalfEven,
    /// Away from zero (rule B; from memory).
    HalfUp,
}

impl Ties {
    fn mode(self) -> RoundingMode {
        match self {
            Self::HalfEven => RoundingMode::HalfEven,
            Self::HalfUp => RoundingMode::HalfUp,
        }
    }
}

/// The shortest decimal that denotes exactly this double; `None` for NaN and infinities.
///
/// # Example
/// ```
/// assert_eq!(ferrotitre_core::rounding::decimal_of(0.1).unwrap().to_string(), "0.1");
/// ```
#[must_use]
pub fn decimal_of(value: f64) -> Option<BigDecimal> {
    // Rust prints the shortest digits that read back as the same double.
    if value.is_finite() { format!("{value:e}").parse().ok() } else { None }
}

/// Rounds to decimal places; a zero has no sign.
///
/// # Example
/// ```
/// use ferrotitre_core::rounding::{Ties, to_places};
/// let value = "52.3650".parse().unwrap();
/// assert_eq!(to_places(&value, 2, Ties::HalfEven).to_string(), "52.36");
/// assert_eq!(to_places(&value, 2, Ties::HalfUp).to_string(), "52.37");
/// ```
#[must_use]
pub fn to_places(value: &BigDecimal, places: i64, ties: Ties) -> BigDecimal {
    value.with_scale_round(places, ties.mode())
}

/// Decimal places that show a value to so many significant figures, after rounding (0.0996 to two figures is 0.10).
#[must_use]
pub fn places_for_figures(value: &BigDecimal, figures: u32, ties: Ties) -> i64 {
    if value.is_zero() {
        return 0;
    }
    let exponent = |v: &BigDecimal| {
        let (digits, scale) = v.as_bigint_and_exponent();
        let count = digits.to_string().trim_start_matches('-').len();
        i64::try_from(count).unwrap_or(i64::MAX) - scale - 1
    };
    let places = i64::from(figures) - 1 - exponent(value);
    let rounded = to_places(value, places, ties);
    if exponent(&rounded) > exponent(value) { places - 1 } else { places }
}

/// Rounds to significant figures.
#[must_use]
pub fn to_figures(value: &BigDecimal, figures: u32, ties: Ties) -> BigDecimal {
    to_places(value, places_for_figures(value, figures, ties), ties)
}

/// Text with trailing zeros, without an exponent and never "-0.00".
#[must_use]
pub fn text(value: &BigDecimal) -> String {
    let plain = plain(value);
    if value.sign() == Sign::NoSign { plain.trim_start_matches('-').to_owned() } else { plain }
}

/// A value and its expanded uncertainty as they are reported.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reported {
    /// The value, to the decimal place of the uncertainty.
    pub value: String,
    /// The expanded uncertainty, two significant figures.
    pub expanded_uncertainty: String,
    /// Decimal places of both.
    pub places: i64,
}

/// Rounds an expanded uncertainty to two significant figures and its value to the same decimal place.
///
/// `None` for a negative uncertainty or a number that is not finite. An uncertainty of exactly zero has no significant
/// figure: the value is then shown with all its digits.
///
/// # Source
/// JCGM 100:2008, 7.2.6 (from memory).
///
/// # Example
/// ```
/// use ferrotitre_core::rounding::{Ties, report};
/// let reported = report(9.60534, 0.31721, Ties::HalfEven).unwrap();
/// assert_eq!((reported.value.as_str(), reported.expanded_uncertainty.as_str()), ("9.61", "0.32"));
/// ```
#[must_use]
pub fn report(value: f64, expanded_uncertainty: f64, ties: Ties) -> Option<Reported> {
    if let Some(short) = short::report(value, expanded_uncertainty, ties) {
        return Some(short);
    }
    let (value, uncertainty) = (decimal_of(value)?, decimal_of(expanded_uncertainty)?);
    let places = match uncertainty.sign() {
        Sign::Minus => return None,
        Sign::NoSign => value.normalized().fractional_digit_count().max(0),
        Sign::Plus => places_for_figures(&uncertainty, 2, ties),
    };
    Some(Reported {
        value: text(&to_places(&value, places, ties)),
        expanded_uncertainty: text(&to_places(&uncertainty, places, ties)),
        places,
    })
}

/// The same on whole numbers: nearly every figure of a laboratory has few digits, and integers of any size cost more than the
/// rest of an evaluation.
mod short {
    use super::{Reported, Ties};
    use std::io::Write as _;

    /// A decimal of at most 17 digits.
    #[derive(Clone, Copy)]
    struct Short {
        negative: bool,
        digits: u64,
        /// Decimal places; may be negative.
        places: i32,
    }

    impl Short {
        /// The shortest decimal that denotes exactly this double.
        fn of(value: f64) -> Option<Self> {
            let mut buffer = [0_u8; 32];
            let mut rest = buffer.as_mut_slice();
            // Rust prints the shortest digits that read back as the same double.
            write!(rest, "{:e}", value.abs()).ok()?;
            let unused = rest.len();
            let text = std::str::from_utf8(&buffer[..buffer.len() - unused]).ok()?;
            let (mantissa, exponent) = text.split_once('e')?;
            let mut digits = 0_u64;
            for digit in mantissa.bytes().filter(u8::is_ascii_digit) {
                digits = digits * 10 + u64::from(digit - b'0');
            }
            let fraction = i32::try_from(mantissa.split_once('.').map_or(0, |(_, fraction)| fraction.len())).ok()?;
            Some(Self { negative: value < 0.0, digits, places: fraction - exponent.parse::<i32>().ok()? })
        }

        /// Rounded to places, 0 or more; none where the digits would not fit.
        fn rounded(self, places: i32, ties: Ties) -> Option<Self> {
            let cut = self.places - places;
            let digits = if cut <= 0 {
                self.digits.checked_mul(10_u64.checked_pow(cut.unsigned_abs())?)?
            } else {
                let step = 10_u64.checked_pow(cut.unsigned_abs())?;
                let (whole, rest) = (self.digits / step, self.digits % step);
                let up = match (rest.cmp(&(step / 2)), ties) {
                    (std::cmp::Ordering::Less, _) => false,
                    (std::cmp::Ordering::Greater, _) | (_, Ties::HalfUp) => true,
                    (std::cmp::Ordering::Equal, Ties::HalfEven) => whole % 2 == 1,
                };
                whole + u64::from(up)
            };
            Some(Self { digits, places, ..self })
        }

        /// With all its trailing zeros; a zero has no sign.
        fn text(self) -> String {
            let places = usize::try_from(self.places).unwrap_or(0);
            let digits = self.digits.to_string();
            let sign = if self.negative && self.digits != 0 { "-" } else { "" };
            if places == 0 {
                return format!("{sign}{digits}");
            }
            let digits = format!("{digits:0>width$}", width = places + 1);
            let (whole, fraction) = digits.split_at(digits.len() - places);
            format!("{sign}{whole}.{fraction}")
        }
    }

    pub(super) fn report(value: f64, uncertainty: f64, ties: Ties) -> Option<Reported> {
        if !value.is_finite() || !uncertainty.is_finite() || uncertainty <= 0.0 {
            return None;
        }
        let (value, uncertainty) = (Short::of(value)?, Short::of(uncertainty)?);
        let figures = |of: Short| i32::try_from(of.digits.ilog10()).map(|last| last - of.places).ok();
        let first = figures(uncertainty)?;
        let mut places = 1 - first;
        // 0.0996 to two figures is 0.10.
        if places >= 0 && figures(uncertainty.rounded(places, ties)?)? > first {
            places -= 1;
        }
        if places < 0 {
            return None;
        }
        Some(Reported {
            value: value.rounded(places, ties)?.text(),
            expanded_uncertainty: uncertainty.rounded(places, ties)?.text(),
            places: i64::from(places),
        })
    }
}

/// What the first of the two steps of ISO 2597-1 does with the fifth decimal, which its text leaves open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FourthDecimal {
    /// The fourth decimal is cut off.
    Cut,
    /// The fourth decimal is rounded (half to even).
    Rounded,
}

/// Rounds a percentage to two decimals in the two steps of ISO 2597-1: first to four decimals, then half-even to two.
///
/// # Source
/// ISO 2597-1:2006, 8.2.5 (read in a scan; the first step's kind is a choice of the method).
#[must_use]
pub fn two_steps(value: &BigDecimal, first: FourthDecimal) -> BigDecimal {
    let mode = match first {
        FourthDecimal::Cut => RoundingMode::Down,
        FourthDecimal::Rounded => RoundingMode::HalfEven,
    };
    value.with_scale_round(4, mode).with_scale_round(2, RoundingMode::HalfEven)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// The rounding of whole numbers against that of integers of any size.
        #[test]
        fn short_decimals_round_as_long_ones(
            value in -1e6f64..1e6, scale in -6i32..7, uncertainty in 1e-7f64..1e3, up in any::<bool>(), digits in 0i64..4,
        ) {
            let ties = if up { Ties::HalfUp } else { Ties::HalfEven };
            let few = decimal_of(value).unwrap().with_scale_round(digits, RoundingMode::Down).to_string();
            for value in [value * 10f64.powi(scale), few.parse().unwrap()] {
                let found = report(value, uncertainty, ties).unwrap();
                let (value, of) = (decimal_of(value).unwrap(), decimal_of(uncertainty).unwrap());
                let places = places_for_figures(&of, 2, ties);
                prop_assert_eq!(found.places, places);
                prop_assert_eq!(found.value, text(&to_places(&value, places, ties)));
                prop_assert_eq!(found.expanded_uncertainty, text(&to_places(&of, places, ties)));
            }
        }
    }

    fn decimal(text: &str) -> BigDecimal {
        text.parse().unwrap()
    }

    #[test]
    fn the_two_step_rule_depends_on_the_first_step_only_at_the_edge() {
        // Rule read in ISO 2597-1:2006 8.2.5: 5 followed by 0 goes to even, 5 followed by another digit goes up.
        for (value, cut, rounded) in [
            ("52.3649", "52.36", "52.36"),
            ("52.36495", "52.36", "52.36"),
            ("52.3650", "52.36", "52.36"),
            ("52.3651", "52.37", "52.37"),
            ("52.3750", "52.38", "52.38"),
        ] {
            assert_eq!(text(&two_steps(&decimal(value), FourthDecimal::Cut)), cut, "{value} cut");
            assert_eq!(text(&two_steps(&decimal(value), FourthDecimal::Rounded)), rounded, "{value} rounded");
        }
        // Where the two readings part, by hand: 52.36506 is cut to 52.3650 (tie, to even) but rounded to 52.3651 (up).
        assert_eq!(text(&two_steps(&decimal("52.36506"), FourthDecimal::Cut)), "52.36");
        assert_eq!(text(&two_steps(&decimal("52.36506"), FourthDecimal::Rounded)), "52.37");
        // 52.36505 tells both from rounding once: 52.3650 either way, hence 52.36, while the value is above the tie.
        assert_eq!(text(&two_steps(&decimal("52.36505"), FourthDecimal::Cut)), "52.36");
        assert_eq!(text(&two_steps(&decimal("52.36505"), FourthDecimal::Rounded)), "52.36");
        assert_eq!(text(&to_places(&decimal("52.36505"), 2, Ties::HalfEven)), "52.37");
        assert_eq!(text(&two_steps(&decimal("52.36496"), FourthDecimal::Cut)), "52.36");
    }

    #[test]
    fn figures_are_counted_after_rounding_and_zero_has_no_sign() {
        assert_eq!(text(&to_figures(&decimal("0.0996"), 2, Ties::HalfEven)), "0.10");
        assert_eq!(text(&to_figures(&decimal("0.0994"), 2, Ties::HalfEven)), "0.099");
        assert_eq!(text(&to_figures(&decimal("-1234.5"), 2, Ties::HalfEven)), "-1200");
        assert_eq!(text(&to_places(&decimal("-0.004"), 2, Ties::HalfEven)), "0.00");
        assert_eq!(text(&to_places(&decimal("2.675"), 2, Ties::HalfEven)), "2.68");
        let reported = report(-0.04, 0.4, Ties::HalfEven).unwrap();
        assert_eq!((reported.value.as_str(), reported.expanded_uncertainty.as_str()), ("-0.04", "0.40"));
        assert!(report(f64::NAN, 1.0, Ties::HalfEven).is_none());
        assert!(report(1.0, -0.1, Ties::HalfEven).is_none());
        assert_eq!(report(23.175, 0.0, Ties::HalfEven).unwrap().value, "23.175");
        assert_eq!(report(-0.001, 0.3, Ties::HalfEven).unwrap().value, "0.00");
        assert_eq!(report(1234.0, 56.0, Ties::HalfEven).unwrap().value, "1234");
        assert_eq!(report(1234.0, 560.0, Ties::HalfEven).unwrap().value, "1230");
    }
}
