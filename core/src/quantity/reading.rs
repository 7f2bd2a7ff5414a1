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
        self.0.to_f64().unwrap_or(f64::NAN)
    }

    /// Text as entered, trailing zeros kept.
    #[must_use]
    pub fn text(&self) -> String {
        self.0.to_plain_string()
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

#[cfg(test)]
mod tests {
    use super::*;

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
