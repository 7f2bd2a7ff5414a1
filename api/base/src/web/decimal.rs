//! Decimals on the wire: text, so that trailing zeros are kept, and the store's NUMERIC, which keeps them too.

use std::fmt;

use bigdecimal::BigDecimal;
use diesel::deserialize::{self, FromSql, FromSqlRow};
use diesel::expression::AsExpression;
use diesel::pg::data_types::PgNumeric;
use diesel::pg::{Pg, PgValue};
use diesel::serialize::{self, Output, ToSql};
use diesel::sql_types::Numeric;
use ferrotitre_core::quantity::{Reading, ReadingError};
use serde::de::{self, Deserializer, Visitor};
use serde::{Deserialize, Serialize, Serializer};
use utoipa::ToSchema;

use crate::refusal::FieldErrors;

/// A decimal exactly as entered, such as "23.10"; what is sent has at most nine digits before and nine after the point, what was
/// computed has all its digits.
#[derive(Debug, Clone, PartialEq, Eq, AsExpression, FromSqlRow, ToSchema)]
#[diesel(sql_type = Numeric)]
#[schema(value_type = String, example = "23.10", pattern = r"^-?[0-9]+(\.[0-9]+)?$")]
pub struct Decimal(Reading);

/// Stands between rule and message in the text of a parse error; see [`crate::web::body`].
pub const RULE_MARK: char = '\u{1f}';

impl Decimal {
    /// As a reading.
    #[must_use]
    pub fn reading(&self) -> &Reading {
        &self.0
    }

    /// As a double.
    #[must_use]
    pub fn value(&self) -> f64 {
        self.0.value()
    }

    /// A computed figure, every digit of the double kept.
    #[must_use]
    pub fn of(value: f64) -> Option<Self> {
        ferrotitre_core::rounding::decimal_of(value).map(|decimal| Self(Reading::of(decimal)))
    }
}

impl std::str::FromStr for Decimal {
    type Err = ReadingError;

    fn from_str(text: &str) -> Result<Self, ReadingError> {
        text.parse().map(Self)
    }
}

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.text())
    }
}

impl Serialize for Decimal {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.0.text())
    }
}

struct DecimalVisitor;

impl Visitor<'_> for DecimalVisitor {
    type Value = Decimal;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a decimal as text in quotes, such as \"23.10\", so that trailing zeros are kept")
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<Decimal, E> {
        text.parse::<Reading>().map(Decimal).map_err(|error| E::custom(format!("{}{RULE_MARK}{error}", error.rule())))
    }
}

impl<'de> Deserialize<'de> for Decimal {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_str(DecimalVisitor)
    }
}

/// A NUMERIC of few digits as the store sends it: their number, the weight of the first, sign, decimals, then the digits
/// to the base of ten thousand. A table holds millions of them, so they go without the big integers of the library.
fn short(bytes: &[u8]) -> Option<BigDecimal> {
    let mut words = bytes.chunks_exact(2).map(|word| i16::from_be_bytes([word[0], word[1]]));
    let (count, weight, sign, scale) = (words.next()?, words.next()?, words.next()?, words.next()?);
    // Four of them fit a whole number, and stay inside it with every decimal a reading has.
    if !(0..=4).contains(&count) || !(0..=18).contains(&scale) || !matches!(sign, 0 | 0x4000) {
        return None;
    }
    let digits =
        words.try_fold(0_i64, |sum, word| (0..10_000).contains(&word).then(|| sum * 10_000 + i64::from(word)))?;
    let shift = 4 * (i32::from(weight) - i32::from(count) + 1) + i32::from(scale);
    let power = 10_i64.checked_pow(shift.unsigned_abs())?;
    let digits = if shift < 0 { digits / power } else { digits.checked_mul(power)? };
    Some(BigDecimal::new(if sign == 0 { digits } else { -digits }.into(), i64::from(scale)))
}

impl FromSql<Numeric, Pg> for Decimal {
    fn from_sql(value: PgValue<'_>) -> deserialize::Result<Self> {
        if let Some(decimal) = short(value.as_bytes()) {
            return Ok(Self(Reading::of(decimal)));
        }
        // The conversion of the library drops the decimals of a zero: 0.00 would come back as 0.
        let stored = <PgNumeric as FromSql<Numeric, Pg>>::from_sql(value)?;
        let (PgNumeric::Positive { scale, .. } | PgNumeric::Negative { scale, .. }) = stored else {
            return Err("a reading is stored as NaN".into());
        };
        let decimal = BigDecimal::try_from(&stored)?;
        Ok(Self(Reading::of(decimal.with_scale(i64::from(scale)))))
    }
}

impl ToSql<Numeric, Pg> for Decimal {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
        let decimal = self.0.decimal();
        let mut stored = PgNumeric::from(decimal);
        if let PgNumeric::Positive { scale, .. } | PgNumeric::Negative { scale, .. } = &mut stored {
            // A computed figure may have more decimals than the column's 16-bit count holds; readings never do.
            *scale = u16::try_from(decimal.fractional_digit_count().max(0))?;
        }
        <PgNumeric as ToSql<Numeric, Pg>>::to_sql(&stored, &mut out.reborrow())
    }
}

/// Requires a value in a range, naming the field.
pub fn in_range(errors: &mut FieldErrors, field: &str, value: &Decimal, low: f64, high: f64, unit: &str) {
    let holds = (low..=high).contains(&value.value());
    errors.require(holds, field, "range", format!("must be from {low} to {high} {unit}"), value);
}

/// Requires text that is not blank and not endless.
pub fn words(errors: &mut FieldErrors, field: &str, text: &str) {
    errors.require(!text.trim().is_empty(), field, "required", "must not be empty", text);
    errors.require(text.chars().count() <= 2000, field, "length", "must have at most 2000 characters", text);
}

/// Requires a code as it can stand on a label.
pub fn code(errors: &mut FieldErrors, field: &str, text: &str) {
    let mut characters = text.chars();
    let first = characters.next().is_some_and(|c| c.is_ascii_alphanumeric());
    let rest = characters.all(|c| c.is_ascii_alphanumeric() || "._/-".contains(c));
    let message =
        "must have 1 to 64 letters, digits, dots, underscores, slashes or hyphens and begin with a letter or digit";
    errors.require(first && rest && text.len() <= 64, field, "code", message, text);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A number as the store sends it, by the library.
    fn sent(text: &str) -> Vec<u8> {
        let PgNumeric::Positive { weight, digits, .. } =
            PgNumeric::from(&text.trim_start_matches('-').parse().unwrap())
        else {
            panic!("{text}")
        };
        let scale = text.split_once('.').map_or(0, |(_, decimals)| i16::try_from(decimals.len()).unwrap());
        let sign = if text.starts_with('-') { 0x4000 } else { 0 };
        let head = [i16::try_from(digits.len()).unwrap(), weight, sign, scale];
        head.iter().chain(&digits).flat_map(|word| word.to_be_bytes()).collect()
    }

    #[test]
    fn numbers_of_few_digits_come_as_they_were_entered() {
        for text in
            ["23.10", "0.00", "0", "25", "-0.04", "0.020", "100000.0", "10000", "123456789.123", "-50.000000000"]
        {
            assert_eq!(ferrotitre_core::quantity::plain(&short(&sent(text)).unwrap()), text);
        }
        for text in ["123456789.123456789", "0.00000000000000000001"] {
            assert_eq!(short(&sent(text)), None, "{text}");
        }
        assert_eq!(short(&[0, 0, 0, 0, 0xC0, 0, 0, 0]), None);
    }
}
