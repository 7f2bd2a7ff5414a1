//! A reading with the digits as they were entered.

use std::str::FromStr;

use bigdecimal::{BigDecimal, ToPrimitive, Zero};

/// A decimal reading with its trailing zeros.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Reading(BigDecimal);

/// Why a text is not a reading.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReadingError {
    /// Nothing was entered.
    #[error("must not be empty")]
    Empty,
    /// A comma was used.
    #[error("use a decimal point, not a comma: {0}")]
    Comma(String),
    /// More than one decimal separator.
    #[error("has more than one decimal separator: {0}")]
    TwoSeparators(String),
    /// Not a plain decimal number.
    #[error(
        "must be a plain decimal number such as 23.10, without exponent, spaces or signs other than a leading minus: {0}"
    )]
    NotDecimal(String),
    /// More digits than any instrument gives.
    #[error("has more digits than any instrument gives (at most 9 before and 9 after the point): {0}")]
    TooLong(String),
}

impl ReadingError {
    /// Name of the rule that is broken.
    #[must_use]
    pub fn rule(&self) -> &'static str {
        match self {
            Self::Empty => "required",
            Self::Comma(_) => "decimal_point",
            Self::TwoSeparators(_) => "one_separator",
            Self::NotDecimal(_) => "decimal",
            Self::TooLong(_) => "digits",
        }
    }
}

const DIGITS: usize = 9;

impl FromStr for Reading {
    type Err = ReadingError;

    fn from_str(text: &str) -> Result<Self, ReadingError> {
        if text.is_empty() {
            return Err(ReadingError::Empty);
        }
        let shown: String = text.chars().take(60).collect();
        let separators = text.chars().filter(|c| matches!(c, '.' | ',')).count();
        if separators > 1 {
            return Err(ReadingError::TwoSeparators(shown));
        }
        if text.contains(',') {
            return Err(ReadingError::Comma(shown));
        }
        let digits = text.strip_prefix('-').unwrap_or(text);
        let (whole, fraction) = digits.split_once('.').unwrap_or((digits, "0"));
        let plain = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
        if !plain(whole) || !plain(fraction) {
            return Err(ReadingError::NotDecimal(shown));
        }
        if whole.len() > DIGITS || fraction.len() > DIGITS {
            return Err(ReadingError::TooLong(shown));
        }
        BigDecimal::from_str(text).map(Self).map_err(|_error| ReadingError::NotDecimal(shown))
    }
}

impl Reading {
    /// The exact decimal.
    #[must_use]
    pub fn decimal(&self) -> &BigDecimal {
        &self.0
    }

    /// A reading from a decimal out of a record.
    #[must_use]
    pub fn of(decimal: BigDecimal) -> Self {
        Self(decimal)
    }

    /// As a double; readings have at most 18 digits, so this is the nearest one.
    #[must_use]
    pub fn value(&self) -> f64 {
        nearest_double(&self.0)
    }

    /// Text as entered, trailing zeros kept.
    #[must_use]
    pub fn text(&self) -> String {
        plain(&self.0)
    }

    /// Whether the reading is a multiple of a step.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::quantity::Reading;
    /// let (reading, step): (Reading, Reading) = ("23.16".parse().unwrap(), "0.02".parse().unwrap());
    /// assert!(reading.is_multiple_of(&step));
    /// assert!(!"23.15".parse::<Reading>().unwrap().is_multiple_of(&step));
    /// ```
    #[must_use]
    pub fn is_multiple_of(&self, step: &Self) -> bool {
        !step.0.is_zero() && (&self.0 % &step.0).is_zero()
    }

    /// Exact difference.
    #[must_use]
    pub fn minus(&self, other: &Self) -> BigDecimal {
        &self.0 - &other.0
    }
}

/// Powers of ten that a double holds exactly.
const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20,
    1e21, 1e22,
];
/// Up to here a double holds every whole number.
const WHOLE: u64 = 1 << 53;

/// The double nearest to a decimal.
///
/// # Formula
/// digits / 10^places, where a double holds both exactly: one division, rounded once
///
/// # Source
/// Clinger, How to read floating point numbers accurately, 1990 (from memory).
#[must_use]
pub fn nearest_double(decimal: &BigDecimal) -> f64 {
    let (digits, places) = decimal.as_bigint_and_scale();
    let power = usize::try_from(places).ok().and_then(|places| TENS.get(places));
    match (digits.to_i64().filter(|digits| digits.unsigned_abs() <= WHOLE), power) {
        #[expect(clippy::cast_precision_loss, reason = "at most 2^53")]
        (Some(digits), Some(power)) => digits as f64 / power,
        _ => decimal.to_f64().unwrap_or(f64::NAN),
    }
}

/// A decimal without exponent, trailing zeros kept.
#[must_use]
pub fn plain(decimal: &BigDecimal) -> String {
    let (digits, places) = decimal.as_bigint_and_scale();
    let (Some(digits), Ok(places)) = (digits.to_i64(), usize::try_from(places)) else {
        return decimal.to_plain_string();
    };
    let magnitude = digits.unsigned_abs().to_string();
    let whole = magnitude.len().saturating_sub(places);
    let mut text = String::with_capacity(magnitude.len().max(places) + 3);
    if digits < 0 {
        text.push('-');
    }
    text.push_str(if whole == 0 { "0" } else { &magnitude[..whole] });
    if places > 0 {
        text.push('.');
        text.extend(std::iter::repeat_n('0', places.saturating_sub(magnitude.len())));
        text.push_str(&magnitude[whole..]);
    }
    text
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn doubles_and_texts_are_those_of_the_digits(digits: i64, places in 0_i64..25) {
            let decimal = BigDecimal::new(digits.into(), places);
            // The text by the library, the double by the standard library's parser, which rounds correctly.
            let text = decimal.to_plain_string();
            prop_assert_eq!(plain(&decimal), text.clone());
            prop_assert_eq!(nearest_double(&decimal), text.parse::<f64>().unwrap());
            let short = BigDecimal::new((digits >> 20).into(), places);
            prop_assert_eq!(nearest_double(&short), short.to_plain_string().parse::<f64>().unwrap());
            prop_assert_eq!(plain(&short), short.to_plain_string());
        }
    }

    #[test]
    fn digits_are_kept_as_entered() {
        for text in ["23.10", "0.00", "25", "-0.04", "0.020"] {
            assert_eq!(text.parse::<Reading>().unwrap().text(), text);
        }
        let difference = "24.10".parse::<Reading>().unwrap().minus(&"0.90".parse().unwrap());
        assert_eq!(difference.to_plain_string(), "23.20");
    }

    #[test]
    fn what_is_not_a_plain_decimal_names_its_rule() {
        for (text, rule) in [
            ("", "required"),
            ("23,10", "decimal_point"),
            ("1,234.5", "one_separator"),
            ("1.2.3", "one_separator"),
            ("NaN", "decimal"),
            ("1e308", "decimal"),
            ("inf", "decimal"),
            ("+3", "decimal"),
            (".5", "decimal"),
            ("5.", "decimal"),
            (" 5", "decimal"),
            ("\u{2212}5", "decimal"),
            ("12345678901", "digits"),
            ("0.1234567891", "digits"),
        ] {
            assert_eq!(text.parse::<Reading>().unwrap_err().rule(), rule, "{text}");
        }
    }
}
