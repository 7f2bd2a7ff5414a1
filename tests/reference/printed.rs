//! Compares with a figure as it is printed: to half a unit of its last digit.

use bigdecimal::BigDecimal;
use serde_json::Value;
use std::str::FromStr;

/// Half a unit of the last printed digit of a number such as `0.0391932534`, `7.5756e-06` or `-.316E-14`.
fn half_unit(text: &str) -> f64 {
    let lower = text.to_lowercase();
    let (mantissa, exponent) = lower.split_once('e').unwrap_or((&lower, "0"));
    let decimals = mantissa.split_once('.').map_or(0, |(_, fraction)| fraction.len());
    let exponent: i32 = exponent.parse().unwrap_or_else(|_| panic!("{text}"));
    0.5 * 10f64.powi(exponent - i32::try_from(decimals).unwrap())
}

/// Asserts agreement with printed text. Figures printed with all digits of a double carry that program's own rounding,
/// hence the relative floor of 2e-13 (see `core/NUMERICS.md`).
#[track_caller]
pub fn agrees(what: &str, found: f64, text: &str) {
    let expected: f64 = text.parse().unwrap_or_else(|_| panic!("{what}: {text}"));
    let tolerance = (1.0 + 1e-9) * half_unit(text).max(2e-13 * expected.abs());
    assert!((found - expected).abs() <= tolerance, "{what}: {found} is not {text}");
}

/// The same for a JSON number.
#[track_caller]
pub fn agrees_json(what: &str, found: f64, expected: &Value) {
    assert!(expected.is_number(), "{what}: the table holds {expected}");
    agrees(what, found, &expected.to_string());
}

/// Asserts agreement to a relative tolerance; zero must be met exactly.
#[track_caller]
pub fn close(what: &str, found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{what}: {found} is not {expected}");
}

/// Number of significant decimal digits in which two numbers agree, at most 17.
pub fn digits(found: f64, expected: f64) -> f64 {
    if found == expected {
        return 17.0;
    }
    let error = if expected == 0.0 { found.abs() } else { ((found - expected) / expected).abs() };
    (-error.log10()).clamp(0.0, 17.0)
}

/// A JSON array of numbers.
pub fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

/// A JSON array of decimals written as strings.
pub fn decimals(value: &Value) -> Vec<BigDecimal> {
    value.as_array().unwrap().iter().map(|v| BigDecimal::from_str(v.as_str().unwrap()).unwrap()).collect()
}

/// The record with an id in a table that is an array of records.
pub fn record<'a>(table: &'a Value, id: &str) -> &'a Value {
    table.as_array().unwrap().iter().find(|r| r["id"] == id).unwrap_or_else(|| panic!("no record {id}"))
}
