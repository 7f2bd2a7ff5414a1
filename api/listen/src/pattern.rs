//! How a line of an instrument is read: a pattern that the user writes, or a regular expression with named groups.

use regex::Regex;

/// Why a pattern cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(crate) enum PatternError {
    /// A brace that is not closed, or closes nothing.
    #[error("a brace at character {0} has no partner; write {{{{ or }}}} for a brace that the instrument prints")]
    Brace(usize),
    /// A word in braces that means nothing.
    #[error(
        "{{{0}}} is not known: there are {{value}}, {{unit}}, {{unit?}}, {{stable=...}}, {{unstable=...}} and {{any}}"
    )]
    Unknown(String),
    /// The same thing twice.
    #[error("{{{0}}} stands there twice")]
    Twice(&'static str),
    /// No value.
    #[error("it has no {{value}}: nothing would be read")]
    NoValue,
    /// Two ways of telling a stable reading.
    #[error("{{stable=...}} and {{unstable=...}} exclude each other, and either excludes {{unit?}}")]
    TwoMarks,
    /// A regular expression that is none.
    #[error("it is not a regular expression: {0}")]
    Expression(String),
    /// A regular expression without its group.
    #[error("the regular expression has no group (?<value>...)")]
    NoGroup,
}

/// What a line says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Fields<'a> {
    pub(crate) value: &'a str,
    pub(crate) unit: Option<&'a str>,
    pub(crate) stable: bool,
}

/// A pattern ready to read lines.
#[derive(Debug)]
pub(crate) struct Pattern {
    regex: Regex,
    unit: bool,
    /// An absent unit means that the reading is not stable.
    unit_marks: bool,
    stable: bool,
    begins_fixed: bool,
}

const VALUE: &str = r"(?<value>[+-]?[ \t]*[0-9]+(?:[.,][0-9]+)?)";
const UNIT: &str = r"(?<unit>[A-Za-zµμ°%]+)";
/// Between two things any number of blanks, or none, may stand.
const BLANKS: &str = r"[ \t]*";

/// A part of a pattern.
enum Part {
    Value,
    Unit,
    UnitOfStable,
    Stable(String),
    Unstable(String),
    Any,
    Blanks,
    Letter(char),
}

fn named(word: &str) -> Result<Part, PatternError> {
    let unknown = || PatternError::Unknown(word.to_owned());
    match word.split_once('=') {
        Some((_, "")) => Err(unknown()),
        Some(("stable", mark)) => Ok(Part::Stable(mark.to_owned())),
        Some(("unstable", mark)) => Ok(Part::Unstable(mark.to_owned())),
        Some(_) => Err(unknown()),
        None => match word {
            "value" => Ok(Part::Value),
            "unit" => Ok(Part::Unit),
            "unit?" => Ok(Part::UnitOfStable),
            "any" => Ok(Part::Any),
            _ => Err(unknown()),
        },
    }
}

fn parts(text: &str) -> Result<Vec<Part>, PatternError> {
    let mut parts = Vec::new();
    let mut letters = text.trim().chars().enumerate().peekable();
    while let Some((at, letter)) = letters.next() {
        match letter {
            '{' | '}' if letters.next_if(|(_, next)| *next == letter).is_some() => parts.push(Part::Letter(letter)),
            '}' => return Err(PatternError::Brace(at + 1)),
            '{' => {
                let mut word = String::new();
                loop {
                    match letters.next() {
                        None => return Err(PatternError::Brace(at + 1)),
                        Some((_, '}')) => break,
                        Some((_, letter)) => word.push(letter),
                    }
                }
                parts.push(named(&word)?);
            }
            ' ' | '\t' => {
                if !matches!(parts.last(), Some(Part::Blanks)) {
                    parts.push(Part::Blanks);
                }
            }
            letter => parts.push(Part::Letter(letter)),
        }
    }
    Ok(parts)
}

/// Marks that may stand in one place, by `|`.
fn marks(text: &str) -> String {
    text.split('|').map(regex::escape).collect::<Vec<_>>().join("|")
}

impl Pattern {
    /// A pattern as an analyst writes it; the README of this crate describes it.
    ///
    /// # Errors
    /// What is wrong with it, and where.
    pub(crate) fn of(text: &str) -> Result<Self, PatternError> {
        let parts = parts(text)?;
        let count = |is: fn(&Part) -> bool| parts.iter().filter(|part| is(part)).count();
        let values = count(|part| matches!(part, Part::Value));
        let units = count(|part| matches!(part, Part::Unit | Part::UnitOfStable));
        let (stable, unstable) =
            (count(|part| matches!(part, Part::Stable(_))), count(|part| matches!(part, Part::Unstable(_))));
        let unit_marks = count(|part| matches!(part, Part::UnitOfStable)) > 0;
        for (name, times) in [("value", values), ("unit", units), ("stable", stable), ("unstable", unstable)] {
            if times > 1 {
                return Err(PatternError::Twice(name));
            }
        }
        if values == 0 {
            return Err(PatternError::NoValue);
        }
        if stable + unstable + usize::from(unit_marks) > 1 {
            return Err(PatternError::TwoMarks);
        }
        let begins_fixed = matches!(parts.first(), Some(Part::Letter(_) | Part::Stable(_)));
        let mut expression = String::new();
        for part in &parts {
            match part {
                Part::Value => expression.push_str(VALUE),
                Part::Unit => expression.push_str(UNIT),
                Part::UnitOfStable => expression.push_str(&format!("{UNIT}?")),
                Part::Stable(mark) => expression.push_str(&format!(r"(?:(?<stable>{})|[^ \t]*?)", marks(mark))),
                Part::Unstable(mark) => expression.push_str(&format!("(?<unstable>{})?", marks(mark))),
                Part::Any => expression.push_str(".*?"),
                Part::Blanks => expression.push_str(BLANKS),
                Part::Letter(letter) => expression.push_str(&regex::escape(&letter.to_string())),
            }
        }
        Ok(Self { unit_marks, begins_fixed, ..Self::compiled(&expression)? })
    }

    /// A regular expression over the whole line, with the groups `value`, and where the instrument prints them `unit`, `stable`
    /// (there only when it is) or `unstable` (there only when it is not).
    ///
    /// # Errors
    /// It cannot be compiled, or has no group `value`.
    pub(crate) fn expression(text: &str) -> Result<Self, PatternError> {
        let pattern = Self::compiled(text)?;
        if !pattern.regex.capture_names().flatten().any(|name| name == "value") {
            return Err(PatternError::NoGroup);
        }
        Ok(pattern)
    }

    fn compiled(expression: &str) -> Result<Self, PatternError> {
        let regex = Regex::new(&format!("^(?:{expression})$"));
        let regex = regex.map_err(|error| PatternError::Expression(error.to_string()))?;
        let has = |name: &str| regex.capture_names().flatten().any(|found| found == name);
        let (unit, stable) = (has("unit"), has("stable"));
        Ok(Self { unit, unit_marks: false, stable, begins_fixed: false, regex })
    }

    /// Whether every line it takes begins with something that a line's middle does not begin with.
    pub(crate) fn begins_fixed(&self) -> bool {
        self.begins_fixed
    }

    /// Whether lines carry their unit.
    pub(crate) fn has_unit(&self) -> bool {
        self.unit
    }

    /// What a line says, if it is as the pattern has it.
    pub(crate) fn read<'a>(&self, line: &'a str) -> Option<Fields<'a>> {
        let found = self.regex.captures(line)?;
        let group = |name: &str| found.name(name).map(|group| group.as_str()).filter(|text| !text.is_empty());
        let unit = group("unit");
        let marked = !self.stable || group("stable").is_some();
        let stable = marked && group("unstable").is_none() && (!self.unit_marks || unit.is_some());
        Some(Fields { value: group("value")?, unit, stable })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(pattern: &str, line: &str) -> Option<(String, Option<String>, bool)> {
        let pattern = Pattern::of(pattern).unwrap();
        let fields = pattern.read(line)?;
        Some((fields.value.to_owned(), fields.unit.map(str::to_owned), fields.stable))
    }

    fn stable(value: &str, unit: &str) -> Option<(String, Option<String>, bool)> {
        Some((value.to_owned(), Some(unit.to_owned()), true))
    }

    #[test]
    fn a_mark_of_stable_readings_is_looked_at() {
        let pattern = "{stable=OK} NET {value} {unit}";
        assert_eq!(read(pattern, "OK  NET +   0.4903 g"), stable("+   0.4903", "g"));
        assert!(!read(pattern, "?? NET 0.4903 g").unwrap().2);
        assert!(!read(pattern, "NET 0.4903 g").unwrap().2);
        assert_eq!(read(pattern, "OK GROSS 0.4903 g"), None);
        assert_eq!(read("{value} {unit} {stable=S|s}", "12,5mL s"), stable("12,5", "mL"));
        assert!(!read("{value} {unit} {stable=S}", "12.5 mL").unwrap().2);
    }

    #[test]
    fn a_mark_of_unstable_ones_too_and_a_unit_that_is_missing() {
        let pattern = "{value} {unit}{unstable=?}";
        assert_eq!(read(pattern, "0.4903 g"), stable("0.4903", "g"));
        assert!(!read(pattern, "0.4903 g?").unwrap().2);
        let pattern = "N {value} {unit?}";
        assert_eq!(read(pattern, "N - 0.4903 g"), stable("- 0.4903", "g"));
        assert_eq!(read(pattern, "N + 0.4903"), Some(("+ 0.4903".to_owned(), None, false)));
    }

    #[test]
    fn the_whole_line_must_be_as_the_pattern_says() {
        for line in ["0.4903 g x", "x 0.4903 g", "0.49.03 g", "0.4903", "g", "", "0x4 g", "1e3 g"] {
            assert_eq!(read("{value} {unit}", line), None, "{line}");
        }
        assert_eq!(read("{any}: {value} {unit}", "2026-11-30 09:12: 0.4903 g"), stable("0.4903", "g"));
        assert_eq!(read("{{{value}}} {unit}", "{1.0} g"), stable("1.0", "g"));
        assert_eq!(read("V({value}){unit}", "V(1.0)mL"), stable("1.0", "mL"));
        assert_eq!(read("{any} {value} {unit}", "N1 12.34 g"), stable("12.34", "g"));
    }

    #[test]
    fn what_is_wrong_with_a_pattern_is_said() {
        let wrong = |text: &str| Pattern::of(text).unwrap_err();
        assert_eq!(wrong("{value"), PatternError::Brace(1));
        assert_eq!(wrong("{value} }g"), PatternError::Brace(9));
        assert_eq!(wrong("{weight} g"), PatternError::Unknown("weight".to_owned()));
        assert_eq!(wrong("{value} {stable=}"), PatternError::Unknown("stable=".to_owned()));
        assert_eq!(wrong("{value} {value}"), PatternError::Twice("value"));
        assert_eq!(wrong("N {unit}"), PatternError::NoValue);
        assert_eq!(wrong("{stable=S} {value} {unit?}"), PatternError::TwoMarks);
        assert!(matches!(Pattern::expression("(").unwrap_err(), PatternError::Expression(_)));
        assert_eq!(Pattern::expression("[0-9]+").unwrap_err(), PatternError::NoGroup);
    }

    #[test]
    fn a_regular_expression_has_the_same_groups() {
        let pattern = Pattern::expression(r"\[(?<value>-?\d+\.\d+)\](?<unit>g|mL)(?<unstable>~)?").unwrap();
        assert_eq!(pattern.read("[0.4903]g"), Some(Fields { value: "0.4903", unit: Some("g"), stable: true }));
        assert!(!pattern.read("[0.4903]g~").unwrap().stable);
        assert_eq!(pattern.read("a[0.4903]g"), None);
        assert!(!pattern.begins_fixed());
    }

    #[test]
    fn only_some_patterns_know_the_beginning_of_a_line() {
        for (text, knows) in [
            ("N {value} {unit}", true),
            ("{stable=S} {value}", true),
            ("{value} {unit}", false),
            ("{any}{value}", false),
        ] {
            assert_eq!(Pattern::of(text).unwrap().begins_fixed(), knows, "{text}");
        }
    }
}
