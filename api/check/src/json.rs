//! Rows as events hold them: JSON text whose digits are the record.

use std::collections::BTreeMap;

use serde_json::value::RawValue;

/// A row with the text of each field.
#[derive(Debug)]
pub struct Row(BTreeMap<String, Box<RawValue>>);

impl Row {
    /// Reads the text of a row; none where it is no JSON object.
    #[must_use]
    pub fn read(text: &str) -> Option<Self> {
        serde_json::from_str(text).ok().map(Self)
    }

    /// Text of a field as it stands.
    #[must_use]
    pub fn raw(&self, field: &str) -> Option<&str> {
        self.0.get(field).map(|raw| raw.get())
    }

    /// A field that is words.
    #[must_use]
    pub fn words(&self, field: &str) -> Option<String> {
        serde_json::from_str(self.raw(field)?).ok()
    }

    /// The same, empty where there is no such field.
    #[must_use]
    pub fn text(&self, field: &str) -> String {
        self.words(field).unwrap_or_default()
    }

    /// A field that is a list of words.
    #[must_use]
    pub fn list(&self, field: &str) -> Option<Vec<String>> {
        serde_json::from_str(self.raw(field)?).ok()
    }

    /// Whether a field holds a number, alone or in a list or document: with these digits, or as this double.
    #[must_use]
    pub fn holds(&self, field: &str, value: f64, digits: Option<&str>) -> bool {
        self.raw(field).is_some_and(|raw| match digits {
            Some(digits) => numbers(raw).any(|number| number == digits),
            None => numbers(raw).any(|number| number.parse::<f64>().is_ok_and(|found| found == value)),
        })
    }

    /// Whether one field holds all these numbers.
    #[must_use]
    pub fn holds_table(&self, table: &[(f64, f64)]) -> bool {
        self.0.values().any(|raw| {
            let found: Vec<f64> = numbers(raw.get()).filter_map(|number| number.parse().ok()).collect();
            table.iter().all(|(x, y)| found.contains(x) && found.contains(y))
        })
    }
}

/// Every number in a piece of JSON, in or outside quotes, with its digits.
fn numbers(raw: &str) -> impl Iterator<Item = &str> {
    raw.split(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+' | 'e' | 'E')))
        .filter(|token| token.bytes().any(|byte| byte.is_ascii_digit()) && token.parse::<f64>().is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_of_a_row_are_found_as_they_were_entered() {
        let row = Row::read(r#"{"final_readings": [23.10, 4.5], "code": "D-1", "rules": {"k": "2.00"}}"#).unwrap();
        assert!(row.holds("final_readings", 23.1, Some("23.10")));
        assert!(!row.holds("final_readings", 23.1, Some("23.1")));
        assert!(row.holds("final_readings", 23.1, None));
        assert!(row.holds("rules", 2.0, Some("2.00")));
        assert!(!row.holds("missing", 2.0, None));
        assert_eq!(row.words("code").as_deref(), Some("D-1"));
        assert!(row.holds_table(&[(23.1, 4.5)]) && !row.holds_table(&[(23.1, 4.6)]));
    }
}
