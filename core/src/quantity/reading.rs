//! A reading as a person or an instrument entered it: exact decimal digits, trailing zeros included.

use bigdecimal::BigDecimal;
use bigdecimal::num_bigint::BigInt;
use std::fmt;
use std::str::FromStr;

/// Most digits a reading may have; balances show eight, so fifteen leaves room and keeps every value exact in `f64`.
const MAXIMUM_DIGITS: usize = 15;
/// Most digits after the decimal point.
const MAXIMUM_DECIMALS: usize = 9;

/// A burette reading, a mass or a temperature with the digits as entered: 23.10 is not 23.1.
///
/// Only one spelling exists per value and resolution (no sign `+`, no superfluous leading zero, no bare point), so the
/// text shown again is the text typed.
///
/// # Example
/// ```
/// use ferrotitre_core::quantity::Reading;
/// let initial: Reading = "0.05".parse()?;
/// let last: Reading = "23.10".parse()?;
/// assert_eq!(last.to_string(), "23.10");
/// assert_eq!(last.minus(initial).to_string(), "23.05");
/// assert_ne!(last, "23.1".parse()?);
/// # Ok::<(), ferrotitre_core::quantity::ReadingError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Reading {
    digits: i64,
    decimals: u8,
}

/// Why a text is not a reading, with what to write instead.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReadingError {
    /// Nothing was entered.
    #[error("no reading entered; write digits with a decimal point, such as 23.10")]
    Empty,
    /// A comma stands where the decimal point belongs.
    #[error("{text:?} has a comma; write the decimal point, such as {advice}; thousands marks are not accepted")]
    Comma {
        /// As entered.
        text: String,
        /// The same with a point.
        advice: String,
    },
    /// More than one decimal separator or thousands mark.
    #[error("{text:?} has more than one separator; write one decimal point and no thousands marks")]
    MoreThanOneSeparator {
        /// As entered.
        text: String,
    },
    /// Scientific notation.
    #[error("{text:?} is in scientific notation; write the digits as read, such as 0.05")]
    Exponent {
        /// As entered.
        text: String,
    },
    /// A minus sign other than the keyboard's.
    #[error("{text:?} has a minus sign that is not the keyboard's hyphen-minus; type it again")]
    ForeignMinus {
        /// As entered.
        text: String,
    },
    /// Spaces, no-break spaces or other invisible characters.
    #[error("{text:?} has a space or an invisible character; write the digits without spaces")]
    Space {
        /// As entered.
        text: String,
    },
    /// Anything else that is not a decimal digit.
    #[error("{text:?} is not a number: {character:?} is not a decimal digit 0 to 9")]
    NotANumber {
        /// As entered.
        text: String,
        /// The first character that does not belong.
        character: char,
    },
    /// A spelling that would not come back as typed.
    #[error("{text:?} is written unusually; write {advice}")]
    Spelling {
        /// As entered.
        text: String,
        /// What to write instead.
        advice: String,
    },
    /// More digits than any instrument shows.
    #[error("{text:?} has {digits} digits; at most 15 in all and 9 after the point are accepted")]
    TooManyDigits {
        /// As entered, cut to a printable length.
        text: String,
        /// How many were found.
        digits: usize,
    },
}

/// A reading that the scale cannot show.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ResolutionError {
    /// The reading lies between two readable positions.
    #[error("{reading} is not a multiple of the reading resolution {resolution}")]
    NotAMultiple {
        /// As entered.
        reading: Reading,
        /// The stated resolution.
        resolution: Reading,
    },
    /// A resolution must be positive.
    #[error("the reading resolution {resolution} is not positive")]
    NotPositive {
        /// The stated resolution.
        resolution: Reading,
    },
}

impl Reading {
    /// A reading from its digits and the number of decimals: `(2310, 2)` is 23.10.
    ///
    /// # Errors
    /// [`ReadingError::TooManyDigits`] beyond 15 digits or 9 decimals.
    pub fn from_digits(digits: i64, decimals: u8) -> Result<Self, ReadingError> {
        let count = digits.unsigned_abs().to_string().len();
        if count > MAXIMUM_DIGITS || usize::from(decimals) > MAXIMUM_DECIMALS {
            return Err(ReadingError::TooManyDigits { text: format!("{digits}e-{decimals}"), digits: count });
        }
        Ok(Self { digits, decimals })
    }

    /// A reading from an arbitrary-precision decimal, its scale kept.
    ///
    /// # Errors
    /// [`ReadingError`] when the decimal has more digits than a reading or a negative scale.
    pub fn from_decimal(decimal: &BigDecimal) -> Result<Self, ReadingError> {
        decimal.to_plain_string().parse()
    }

    /// The same digits as an arbitrary-precision decimal.
    #[must_use]
    pub fn to_decimal(self) -> BigDecimal {
        BigDecimal::new(BigInt::from(self.digits), i64::from(self.decimals))
    }

    /// Number of digits after the decimal point.
    #[must_use]
    pub const fn decimals(self) -> u8 {
        self.decimals
    }

    /// The nearest `f64`; correctly rounded because both digits and power of ten are exact.
    #[must_use]
    pub fn to_f64(self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "at most 15 digits, below 2^53")]
        let digits = self.digits as f64;
        digits / 10f64.powi(i32::from(self.decimals))
    }

    /// The exact difference, with the decimals of the finer of the two.
    #[must_use]
    pub fn minus(self, other: Self) -> Self {
        let decimals = self.decimals.max(other.decimals);
        // Aligned digits stay below 10^24, so the difference is taken wide; both operands are readings of one
        // instrument, and a result beyond 15 digits is cut to the coarser decimals that still hold it.
        let mut digits = self.aligned(decimals) - other.aligned(decimals);
        let mut decimals = decimals;
        while i64::try_from(digits).is_err() && decimals > 0 {
            digits /= 10;
            decimals -= 1;
        }
        Self { digits: i64::try_from(digits).unwrap_or(i64::MAX), decimals }
    }

    /// The exact comparison by value: 23.10 and 23.1 are equal here.
    #[must_use]
    pub fn cmp_value(self, other: Self) -> std::cmp::Ordering {
        let decimals = self.decimals.max(other.decimals);
        self.aligned(decimals).cmp(&other.aligned(decimals))
    }

    /// Whether the value is below zero.
    #[must_use]
    pub const fn is_negative(self) -> bool {
        self.digits < 0
    }

    /// Refuses a reading that is not a multiple of the stated resolution.
    ///
    /// # Errors
    /// [`ResolutionError`] naming both.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::quantity::Reading;
    /// let fiftieth: Reading = "0.02".parse()?;
    /// assert!("23.14".parse::<Reading>()?.check_resolution(fiftieth).is_ok());
    /// assert!("23.15".parse::<Reading>()?.check_resolution(fiftieth).is_err());
    /// # Ok::<(), ferrotitre_core::quantity::ReadingError>(())
    /// ```
    pub fn check_resolution(self, resolution: Self) -> Result<(), ResolutionError> {
        if resolution.digits <= 0 {
            return Err(ResolutionError::NotPositive { resolution });
        }
        let decimals = self.decimals.max(resolution.decimals);
        if self.aligned(decimals) % resolution.aligned(decimals) == 0 {
            Ok(())
        } else {
            Err(ResolutionError::NotAMultiple { reading: self, resolution })
        }
    }

    fn aligned(self, decimals: u8) -> i128 {
        i128::from(self.digits) * 10i128.pow(u32::from(decimals - self.decimals))
    }
}

impl fmt::Display for Reading {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.digits < 0 { "-" } else { "" };
        let digits = self.digits.unsigned_abs();
        if self.decimals == 0 {
            return write!(formatter, "{sign}{digits}");
        }
        let power = 10u64.pow(u32::from(self.decimals));
        write!(formatter, "{sign}{}.{:0width$}", digits / power, digits % power, width = usize::from(self.decimals))
    }
}

impl FromStr for Reading {
    type Err = ReadingError;

    fn from_str(text: &str) -> Result<Self, ReadingError> {
        let shown = || text.chars().take(40).collect::<String>();
        if text.is_empty() {
            return Err(ReadingError::Empty);
        }
        check_characters(text, &shown)?;
        let unsigned = text.strip_prefix('-').unwrap_or(text);
        let (whole, fraction) = unsigned.split_once('.').unwrap_or((unsigned, ""));
        let count = whole.len() + fraction.len();
        if count > MAXIMUM_DIGITS || fraction.len() > MAXIMUM_DECIMALS {
            return Err(ReadingError::TooManyDigits { text: shown(), digits: count });
        }
        // 15 digits fit an i64, and the characters were checked, so neither conversion has another way to fail.
        let digits: i64 = format!("{whole}{fraction}").parse().map_err(|_error| ReadingError::Empty)?;
        let negative = unsigned.len() != text.len();
        let decimals = u8::try_from(fraction.len()).unwrap_or(u8::MAX);
        let reading = Self { digits: if negative { -digits } else { digits }, decimals };
        if reading.to_string() != text {
            return Err(ReadingError::Spelling { text: shown(), advice: reading.to_string() });
        }
        Ok(reading)
    }
}

fn check_characters(text: &str, shown: &dyn Fn() -> String) -> Result<(), ReadingError> {
    if text.chars().any(|c| c.is_whitespace() || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2060}' | '\u{feff}')) {
        return if text.trim().is_empty() {
            Err(ReadingError::Empty)
        } else {
            Err(ReadingError::Space { text: shown() })
        };
    }
    if text.chars().any(|c| matches!(c, '\u{2010}'..='\u{2015}' | '\u{2212}' | '\u{fe63}' | '\u{ff0d}')) {
        return Err(ReadingError::ForeignMinus { text: shown() });
    }
    let separators = text.chars().filter(|c| matches!(c, '.' | ',' | '\'' | '\u{2019}' | '_')).count();
    if separators > 1 {
        return Err(ReadingError::MoreThanOneSeparator { text: shown() });
    }
    let numeric = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '-' | '+');
    if text.starts_with(|c: char| c.is_ascii_digit())
        && text.contains(['e', 'E'])
        && text.chars().all(|c| numeric(c) || matches!(c, 'e' | 'E'))
    {
        return Err(ReadingError::Exponent { text: shown() });
    }
    if let Some((index, character)) = text
        .char_indices()
        .find(|&(index, c)| !(c.is_ascii_digit() || matches!(c, '.' | ',') || (c == '-' && index == 0)))
    {
        if index == 0 && character == '+' {
            return Err(ReadingError::Spelling { text: shown(), advice: text.chars().skip(1).collect() });
        }
        return Err(ReadingError::NotANumber { text: shown(), character });
    }
    if text.contains(',') {
        return Err(ReadingError::Comma { text: shown(), advice: text.replace(',', ".") });
    }
    if !text.contains(|c: char| c.is_ascii_digit()) {
        return Err(ReadingError::NotANumber { text: shown(), character: text.chars().next().unwrap_or('?') });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn error(text: &str) -> ReadingError {
        text.parse::<Reading>().unwrap_err()
    }

    #[test]
    fn every_kind_of_bad_text_is_refused_with_its_own_advice() {
        assert_eq!(error(""), ReadingError::Empty);
        assert_eq!(error("  "), ReadingError::Empty);
        assert!(matches!(error("23,10"), ReadingError::Comma { advice, .. } if advice == "23.10"));
        assert!(matches!(error("1.234,5"), ReadingError::MoreThanOneSeparator { .. }));
        assert!(matches!(error("2.3.1"), ReadingError::MoreThanOneSeparator { .. }));
        assert!(matches!(error("1e3"), ReadingError::Exponent { .. }));
        assert!(matches!(error("1.2E-3"), ReadingError::Exponent { .. }));
        assert!(matches!(error("NaN"), ReadingError::NotANumber { character: 'N', .. }));
        assert!(matches!(error("inf"), ReadingError::NotANumber { .. }));
        assert!(matches!(error("\u{2212}1.0"), ReadingError::ForeignMinus { .. }));
        assert!(matches!(error("23.1\u{a0}0"), ReadingError::Space { .. }));
        assert!(matches!(error(" 23.10"), ReadingError::Space { .. }));
        assert!(matches!(error("+1.0"), ReadingError::Spelling { advice, .. } if advice == "1.0"));
        assert!(matches!(error(".5"), ReadingError::Spelling { advice, .. } if advice == "0.5"));
        assert!(matches!(error("5."), ReadingError::Spelling { advice, .. } if advice == "5"));
        assert!(matches!(error("007.1"), ReadingError::Spelling { advice, .. } if advice == "7.1"));
        assert!(matches!(error("-0.00"), ReadingError::Spelling { advice, .. } if advice == "0.00"));
        assert!(matches!(error("-"), ReadingError::NotANumber { .. }));
        assert!(matches!(error("."), ReadingError::NotANumber { .. }));
        assert!(matches!(error("٢٣"), ReadingError::NotANumber { .. }));
        assert!(matches!(error(&"1".repeat(5000)), ReadingError::TooManyDigits { digits: 5000, .. }));
    }

    #[test]
    fn trailing_zeros_survive_a_round_trip_through_decimals() {
        for text in ["23.10", "0.00", "-1.50", "7", "0.000000001", "123456789012345"] {
            let reading: Reading = text.parse().unwrap();
            assert_eq!(reading.to_string(), text);
            assert_eq!(Reading::from_decimal(&reading.to_decimal()).unwrap(), reading);
        }
    }

    #[test]
    fn the_difference_is_exact_where_binary_arithmetic_is_not() {
        let a: Reading = "0.3".parse().unwrap();
        let b: Reading = "0.1".parse().unwrap();
        assert_eq!(a.minus(b).to_string(), "0.2");
        assert!((0.3f64 - 0.1f64 - 0.2f64).abs() > 0.0, "the binary difference is not 0.2");
        assert_eq!("50.00".parse::<Reading>().unwrap().minus("0.125".parse().unwrap()).to_string(), "49.875");
    }

    #[test]
    fn a_resolution_of_zero_is_refused() {
        let zero: Reading = "0.00".parse().unwrap();
        assert!(matches!(zero.check_resolution(zero), Err(ResolutionError::NotPositive { .. })));
    }
}
