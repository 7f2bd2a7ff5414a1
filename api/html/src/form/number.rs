//! Numbers as people type them: the unit behind them, a fraction, per cent.

use ferrotitre_core::quantity::{Reading, plain as plain_digits};

const HUNDREDTH: &str = "0.01";
/// Units that labels name; a comma in a label may stand before other words.
const UNITS: [&str; 11] = ["g", "mL", "\u{b0}C", "g/cm\u{b3}", "%", "mol/L", "eq/L", "g/L", "mg/L", "g/g", "h"];

/// The digits of a number that was typed into a field, for which its label names the unit behind a comma. What is no number goes on as
/// it is: the rules for readings say what is wrong with it.
///
/// # Errors
/// What to enter instead, where another number is meant than the digits say: nothing is converted unseen.
pub(super) fn read(given: &str, comma: bool, label: &str) -> Result<String, String> {
    let text = if comma { given.replace(',', ".") } else { given.to_owned() };
    let end = text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',' | '-'))).unwrap_or(text.len());
    let (digits, rest) = text.split_at(end);
    let named = label.rsplit_once(", ").and_then(|(_, words)| words.split(' ').next());
    let (rest, unit) = (rest.trim(), named.filter(|unit| UNITS.contains(unit)));
    let exponent = rest.strip_prefix(['e', 'E']).is_some_and(|power| power.parse::<i32>().is_ok());
    let Ok(number) = digits.parse::<Reading>() else { return Ok(text) };
    if rest.is_empty() || exponent {
        return Ok(text);
    }
    if let Some(below) = rest.strip_prefix('/').and_then(|below| below.split(' ').next()?.parse::<f64>().ok()) {
        let value = digits.parse::<f64>().unwrap_or(f64::NAN) / below;
        let value = format!("{value:.9}");
        let value = value.trim_end_matches('0').trim_end_matches('.');
        let meant = if below == 0.0 { String::new() } else { format!(": {digits}/{below} is {value}") };
        return Err(format!("enter a decimal number{meant}"));
    }
    match unit {
        Some(unit) if plain(unit) == plain(rest) => Ok(digits.to_owned()),
        None if rest == "%" && label.contains("fraction") => {
            let fraction = HUNDREDTH.parse::<Reading>().map(|hundredth| number.decimal() * hundredth.decimal());
            let meant =
                fraction.map(|fraction| format!(": {digits} % is {}", plain_digits(&fraction))).unwrap_or_default();
            Err(format!("enter it as a fraction{meant}"))
        }
        Some(unit) => Err(format!("enter it in {unit}, without a unit")),
        None => Err(format!("enter the number alone, without {rest:?}")),
    }
}

/// A unit whichever way its signs are typed.
fn plain(unit: &str) -> String {
    unit.replace(['\u{b0}', ' '], "").replace('\u{b3}', "3").replace('\u{b5}', "u").to_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fields_own_unit_may_stand_behind_a_number_and_nothing_is_converted_unseen() {
        let taken = |given: &str, label: &str| read(given, false, label);
        assert_eq!(taken("50 mL", "Volume, mL").unwrap(), "50");
        assert_eq!(taken("50.00mL", "Volume, mL").unwrap(), "50.00");
        assert_eq!(taken("-0.02 ml", "Correction, mL").unwrap(), "-0.02");
        assert_eq!(taken("21.5 C", "Temperature, \u{b0}C").unwrap(), "21.5");
        assert_eq!(read("23,10 mL", true, "Volume, mL").unwrap(), "23.10");
        assert_eq!(taken("50 L", "Volume, mL").unwrap_err(), "enter it in mL, without a unit");
        assert_eq!(
            taken("99.98 %", "Certified mass fraction").unwrap_err(),
            "enter it as a fraction: 99.98 % is 0.9998"
        );
        assert_eq!(
            taken("1/60 mol/L", "Nominal concentration").unwrap_err(),
            "enter a decimal number: 1/60 is 0.016666667"
        );
        assert_eq!(taken("1/4 mol/L", "Nominal concentration").unwrap_err(), "enter a decimal number: 1/4 is 0.25");
        assert_eq!(taken("1/0", "Number").unwrap_err(), "enter a decimal number");
        // Words behind a comma are no unit, and a per cent of something is no fraction.
        assert_eq!(taken("0.3 %", "Replicates may differ by, % of their mean").unwrap(), "0.3");
        assert_eq!(taken("118 g/L", "Centre, of a target").unwrap_err(), "enter the number alone, without \"g/L\"");
        assert_eq!(taken("0.02 %", "Expanded uncertainty").unwrap_err(), "enter the number alone, without \"%\"");
        assert_eq!(taken("7 apples", "Number").unwrap_err(), "enter the number alone, without \"apples\"");
    }

    #[test]
    fn what_is_no_number_goes_on_to_the_rules_for_readings() {
        for given in ["", "23,10", "1.2.3", "about 3", "1e5", "--1"] {
            assert_eq!(read(given, false, "Volume, mL").unwrap(), given);
        }
    }
}
