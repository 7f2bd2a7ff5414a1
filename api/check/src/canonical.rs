//! JSON in its canonical form (RFC 8785): one text for one value, so that a digest over it means something.

use std::fmt::Write as _;

use serde_json::Value;

/// The canonical text of a value.
///
/// # Example
/// ```
/// let value = serde_json::json!({ "b": 1e21, "a": [0.000001, "\u{e9}\n"] });
/// assert_eq!(ferrotitre_check::canonical::text(&value), "{\"a\":[0.000001,\"\u{e9}\\n\"],\"b\":1e+21}");
/// ```
#[must_use]
pub fn text(value: &Value) -> String {
    let mut page = String::new();
    write(&mut page, value);
    page
}

/// Adds the canonical text of a value.
pub fn write(page: &mut String, value: &Value) {
    match value {
        Value::Null => page.push_str("null"),
        Value::Bool(true) => page.push_str("true"),
        Value::Bool(false) => page.push_str("false"),
        Value::Number(number) => match (number.as_u64(), number.as_i64(), number.as_f64()) {
            // Whole numbers of our forms are counts, far below 2^53.
            (Some(whole), ..) if whole < 1 << 53 => {
                let _ = write!(page, "{whole}");
            }
            (_, Some(whole), _) if whole.unsigned_abs() < 1 << 53 => {
                let _ = write!(page, "{whole}");
            }
            (.., double) => page.push_str(&number_text(double.unwrap_or(f64::NAN))),
        },
        Value::String(words) => string(page, words),
        Value::Array(items) => {
            page.push('[');
            for (at, item) in items.iter().enumerate() {
                if at > 0 {
                    page.push(',');
                }
                write(page, item);
            }
            page.push(']');
        }
        Value::Object(fields) => {
            let mut names: Vec<&String> = fields.keys().collect();
            // By UTF-16 code units, as the RFC has it (section 3.2.3).
            names.sort_by(|a, b| a.encode_utf16().cmp(b.encode_utf16()));
            page.push('{');
            for (at, name) in names.into_iter().enumerate() {
                if at > 0 {
                    page.push(',');
                }
                string(page, name);
                page.push(':');
                write(page, &fields[name]);
            }
            page.push('}');
        }
    }
}

/// A string as RFC 8785, 3.2.2.2, has it.
pub fn string(page: &mut String, words: &str) {
    page.push('"');
    for letter in words.chars() {
        match letter {
            '"' => page.push_str("\\\""),
            '\\' => page.push_str("\\\\"),
            '\u{8}' => page.push_str("\\b"),
            '\t' => page.push_str("\\t"),
            '\n' => page.push_str("\\n"),
            '\u{c}' => page.push_str("\\f"),
            '\r' => page.push_str("\\r"),
            control if control < ' ' => {
                let _ = write!(page, "\\u{:04x}", u32::from(control));
            }
            other => page.push(other),
        }
    }
    page.push('"');
}

/// A double as ECMAScript prints it (RFC 8785, 3.2.2.3); the shortest digits that read back as the same double.
#[must_use]
pub fn number_text(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        // JSON has no infinities; none of our forms holds one.
        return if value == 0.0 { "0" } else { "null" }.to_owned();
    }
    let sign = if value < 0.0 { "-" } else { "" };
    let shortest = format!("{:e}", value.abs());
    let (mantissa, exponent) = shortest.split_once('e').unwrap_or((&shortest, "0"));
    let digits = mantissa.replace('.', "");
    let (count, exponent) = (i32::try_from(digits.len()).unwrap_or(i32::MAX), exponent.parse::<i32>().unwrap_or(0));
    // Place of the decimal point, counted from before the first digit.
    let point = exponent + 1;
    let zeros = |n: i32| "0".repeat(usize::try_from(n).unwrap_or(0));
    let body = if (count..=21).contains(&point) {
        format!("{digits}{}", zeros(point - count))
    } else if (1..=21).contains(&point) {
        let (whole, fraction) = digits.split_at(usize::try_from(point).unwrap_or(0));
        format!("{whole}.{fraction}")
    } else if (-5..=0).contains(&point) {
        format!("0.{}{digits}", zeros(-point))
    } else {
        let (first, rest) = digits.split_at(1);
        let fraction = if rest.is_empty() { String::new() } else { format!(".{rest}") };
        format!("{first}{fraction}e{}{}", if exponent < 0 { '-' } else { '+' }, exponent.abs())
    };
    format!("{sign}{body}")
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    /// RFC 8785, Appendix B: bits of a double and its text.
    #[test]
    fn doubles_are_printed_as_the_appendix_of_the_rfc_prints_them() {
        let cases: [(u64, &str); 17] = [
            (0x0000_0000_0000_0000, "0"),
            (0x8000_0000_0000_0000, "0"),
            (0x0000_0000_0000_0001, "5e-324"),
            (0x8000_0000_0000_0001, "-5e-324"),
            (0x7fef_ffff_ffff_ffff, "1.7976931348623157e+308"),
            (0x4340_0000_0000_0000, "9007199254740992"),
            (0xc340_0000_0000_0000, "-9007199254740992"),
            (0x4430_0000_0000_0000, "295147905179352830000"),
            (0x44b5_2d02_c7e1_4af5, "9.999999999999997e+22"),
            (0x44b5_2d02_c7e1_4af6, "1e+23"),
            (0x44b5_2d02_c7e1_4af7, "1.0000000000000001e+23"),
            (0x444b_1ae4_d6e2_ef4e, "999999999999999700000"),
            (0x444b_1ae4_d6e2_ef4f, "999999999999999900000"),
            (0x444b_1ae4_d6e2_ef50, "1e+21"),
            (0x3eb0_c6f7_a0b5_ed8c, "9.999999999999997e-7"),
            (0x3eb0_c6f7_a0b5_ed8d, "0.000001"),
            (0x41b3_de43_5555_5553, "333333333.3333332"),
        ];
        for (bits, text) in &cases {
            assert_eq!(number_text(f64::from_bits(*bits)), *text, "{bits:x}");
        }
    }

    /// RFC 8785, section 3.2.3: sorting by UTF-16 code units; and 3.2.2.2: escapes.
    #[test]
    fn names_are_sorted_by_code_units_and_strings_escaped_as_the_rfc_has_it() {
        let value = json!({
            "\u{20ac}": "Euro Sign", "\r": "Carriage Return", "\u{fb33}": "Hebrew Letter Dalet With Dagesh", "1": "One",
            "\u{1f600}": "Emoji: Grinning Face", "\u{80}": "Control", "\u{f6}": "Latin Small Letter O With Diaeresis"
        });
        let sorted = text(&value);
        let places: Vec<usize> = ["Carriage", "One", "Control", "Latin", "Euro", "Emoji", "Hebrew"]
            .iter()
            .map(|word| sorted.find(word).unwrap())
            .collect();
        assert!(places.is_sorted(), "{sorted}");
        assert_eq!(text(&json!("\u{20ac}$\u{f}\nA'B\"\\\\\"/")), "\"\u{20ac}$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"");
    }
}
