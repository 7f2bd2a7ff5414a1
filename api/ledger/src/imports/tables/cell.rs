//! Cells of a sheet or a text table, and what a field makes of one.

use chrono::{DateTime, FixedOffset, Months, NaiveDate, NaiveDateTime, NaiveTime, SecondsFormat, Timelike, Utc};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::zone;
use ferrotitre_html::form::{Choice, Kind};
use serde_json::Value;

/// What stands in a cell.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum Cell {
    /// Nothing, or blanks.
    #[default]
    Empty,
    /// Text.
    Text(String),
    /// A number, as workbooks keep it.
    Number(f64),
    /// A day with or without a time, by the laboratory's clock.
    Moment(NaiveDateTime),
    /// True or false.
    Truth(bool),
    /// A span of time, as a sheet keeps 8:30 without a day.
    Span,
    /// A formula that came to an error.
    Error(String),
    /// A formula whose value the workbook does not hold.
    Uncomputed,
    /// Hidden under a merged cell.
    Merged,
}

/// What sheets show for formulas that came to no value (ECMA-376-1, 18.17.3; OpenDocument 1.2 part 2, 5.12).
const ERRORS: [&str; 8] = ["#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!", "#GETTING_DATA"];

impl Cell {
    /// A cell of text; blanks around it are not part of it, and nothing else is empty.
    pub fn text(text: &str) -> Self {
        let text = text.trim_matches([' ', '\t', '\n', '\u{a0}']);
        let ours = text.strip_prefix("Err:").is_some_and(|number| number.len() == 3 && number.parse::<u16>().is_ok());
        match text {
            "" => Self::Empty,
            _ if ours || ERRORS.contains(&text) => Self::Error(text.to_owned()),
            _ => Self::Text(text.to_owned()),
        }
    }

    /// Whether nothing stands in it.
    pub fn is_empty(&self) -> bool {
        *self == Self::Empty
    }

    /// As a person sees it.
    pub fn shown(&self) -> String {
        match self {
            Self::Empty => String::new(),
            Self::Text(text) | Self::Error(text) => text.clone(),
            Self::Number(number) => shortest(*number),
            Self::Moment(at) if at.time() == NaiveTime::MIN => at.date().to_string(),
            Self::Moment(at) => at.format("%Y-%m-%d %H:%M:%S").to_string(),
            Self::Truth(truth) => truth.to_string(),
            Self::Span => "a time without a day".to_owned(),
            Self::Uncomputed => "a formula without its value".to_owned(),
            Self::Merged => "under a merged cell".to_owned(),
        }
    }
}

/// The shortest decimal that gives a double back.
fn shortest(number: f64) -> String {
    // Zero has a sign as a double, which nobody entered.
    if number == 0.0 { "0".to_owned() } else { number.to_string() }
}

/// Order of day, month and year in texts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dates {
    /// 2025-03-04, ISO 8601.
    Iso,
    /// 04.03.2025.
    DayMonthYearDots,
    /// 04/03/2025.
    DayMonthYear,
    /// 03/04/2025.
    MonthDayYear,
}

impl Dates {
    /// All of them by what they are called, with how they look.
    pub const ALL: [(&str, Self); 4] = [
        ("YYYY-MM-DD", Self::Iso),
        ("DD.MM.YYYY", Self::DayMonthYearDots),
        ("DD/MM/YYYY", Self::DayMonthYear),
        ("MM/DD/YYYY", Self::MonthDayYear),
    ];

    /// The one of that name.
    pub fn of(name: &str) -> Option<Self> {
        Self::ALL.iter().find(|(found, _)| *found == name).map(|(_, dates)| *dates)
    }

    fn name(self) -> &'static str {
        Self::ALL.iter().find(|(_, dates)| *dates == self).map_or("", |(name, _)| name)
    }

    /// A day: all of it digits, the year with four, from 1900 on.
    fn day(self, text: &str) -> Option<NaiveDate> {
        let mark = match self {
            Self::Iso => '-',
            Self::DayMonthYearDots => '.',
            Self::DayMonthYear | Self::MonthDayYear => '/',
        };
        let parts: Vec<&str> = text.split(mark).collect();
        let [first, second, third] = parts.as_slice() else { return None };
        let (year, month, day) = match self {
            Self::Iso => (first, second, third),
            Self::DayMonthYearDots | Self::DayMonthYear => (third, second, first),
            Self::MonthDayYear => (third, first, second),
        };
        let digits = |part: &str, most: usize| {
            (1..=most).contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_digit())
        };
        if year.len() != 4 || !digits(year, 4) || !digits(month, 2) || !digits(day, 2) {
            return None;
        }
        NaiveDate::from_ymd_opt(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?)
    }

    /// A day with a time behind it.
    fn moment(self, text: &str) -> Option<NaiveDateTime> {
        let (day, time) = text.split_once([' ', 'T']).unwrap_or((text, ""));
        let time = time.trim();
        let formats: &[&str] = match self {
            Self::MonthDayYear => &["%H:%M", "%H:%M:%S", "%I:%M %p", "%I:%M:%S %p"],
            _ => &["%H:%M", "%H:%M:%S"],
        };
        let time = match time {
            "" => NaiveTime::MIN,
            _ => formats.iter().find_map(|format| NaiveTime::parse_from_str(time, format).ok())?,
        };
        Some(self.day(day)?.and_time(time))
    }
}

/// What the marks of a file mean: declared, never guessed.
#[derive(Debug, Clone, Copy)]
pub struct Marks {
    /// The decimal mark of texts is the comma.
    pub comma: bool,
    /// How days are written in texts.
    pub dates: Dates,
}

/// Rule and message of what is wrong with a cell.
pub type Wrong = (&'static str, String);

fn wrong<T>(rule: &'static str, message: impl Into<String>) -> Result<T, Wrong> {
    Err((rule, message.into()))
}

/// What a field makes of a cell: none of an empty one, else the value as the API takes it.
///
/// # Errors
/// Rule and message of what cannot be read as it was declared.
pub fn read(cell: &Cell, kind: &Kind, marks: Marks) -> Result<Option<Value>, Wrong> {
    match cell {
        Cell::Empty => return Ok(None),
        Cell::Error(_) => return wrong("formula_error", "is a formula that came to an error"),
        Cell::Uncomputed => {
            return wrong(
                "formula_value",
                "is a formula whose value is not in the file: open it in a spreadsheet and save it",
            );
        }
        Cell::Merged => return wrong("merged", "lies under a merged cell: undo the merging and fill every cell"),
        Cell::Text(text) => {
            if let Some(found) = text.chars().find(|c| c.is_control() && !matches!(c, '\n' | '\t')) {
                let message = format!("holds the control character U+{:04X}", u32::from(found));
                return wrong("control_character", message);
            }
        }
        _ => {}
    }
    match kind {
        Kind::Decimal => decimal(cell, marks).map(|text| Some(text.into())),
        Kind::Whole => whole(cell).map(|number| Some(number.into())),
        Kind::Day => day(cell, marks).map(|day| Some(day.to_string().into())),
        Kind::Time { .. } => time(cell, marks).map(|at| Some(at.to_rfc3339_opts(SecondsFormat::Secs, true).into())),
        Kind::YesNo => match cell {
            Cell::Truth(truth) => Ok(Some((*truth).into())),
            _ => match words(cell)?.to_ascii_lowercase().as_str() {
                "yes" | "true" => Ok(Some(true.into())),
                "no" | "false" => Ok(Some(false.into())),
                _ => wrong("one_of", "must be yes or no"),
            },
        },
        Kind::Choice(choices) | Kind::List(choices) | Kind::Thing(choices) => {
            let given = words(cell)?;
            let same = |choice: &&Choice| {
                choice.value.eq_ignore_ascii_case(&given) || choice.code.eq_ignore_ascii_case(&given)
            };
            match choices.iter().find(same) {
                Some(choice) => Ok(Some(choice.value.clone().into())),
                None => {
                    let known: Vec<&str> = choices.iter().map(|choice| choice.code.as_str()).collect();
                    wrong("one_of", format!("must be one of {}", known.join(", ")))
                }
            }
        }
        _ => words(cell).map(|text| Some(text.into())),
    }
}

/// Several values of a cell, with semicolons between them.
///
/// # Errors
/// As [`read`], for any of them.
pub fn read_several(cell: &Cell, kind: &Kind, marks: Marks) -> Result<Option<Value>, Wrong> {
    let Cell::Text(text) = cell else {
        return Ok(read(cell, kind, marks)?.map(|value| vec![value].into()));
    };
    let parts = text.split(';').map(Cell::text).filter(|part| !part.is_empty());
    let values = parts.map(|part| read(&part, kind, marks)).collect::<Result<Vec<_>, Wrong>>()?;
    Ok(Some(values.into_iter().flatten().collect()))
}

/// Text as it stands there; a number in its shortest form. A code that a spreadsheet took for a day is not guessed back.
fn words(cell: &Cell) -> Result<String, Wrong> {
    match cell {
        Cell::Text(_) | Cell::Number(_) => Ok(cell.shown()),
        Cell::Moment(_) | Cell::Span => {
            wrong("text", "is a day or a time in the sheet: format the column as text and enter it anew")
        }
        _ => wrong("text", "must be text"),
    }
}

/// A number with its digits. Of a workbook's number, which is a double, the shortest decimal that gives it back.
fn decimal(cell: &Cell, marks: Marks) -> Result<String, Wrong> {
    let plain = match cell {
        Cell::Number(number) => shortest(*number),
        Cell::Text(text) => written(text, marks.comma)?,
        Cell::Moment(_) | Cell::Span => {
            return wrong("number", "is a day or a time in the sheet, where a number is wanted");
        }
        _ => return wrong("number", "must be a number"),
    };
    match plain.parse::<Decimal>() {
        Ok(_) => Ok(plain),
        Err(error) => wrong(error.rule(), error.to_string()),
    }
}

/// A number written as text, by its declared mark.
fn written(text: &str, comma: bool) -> Result<String, Wrong> {
    if text.contains(['\u{a0}', '\u{2009}', '\u{202f}', '\'', ' ']) {
        return wrong("thousands", "must not group digits with spaces or marks, and has no unit behind it");
    }
    let (mark, other) = if comma { (',', '.') } else { ('.', ',') };
    if text.contains(other) {
        let message = format!("holds \"{other}\", but the file was declared to mark decimals with \"{mark}\"");
        return wrong("decimal_mark", message);
    }
    if text.matches(mark).count() > 1 {
        return wrong("decimal_mark", "has more than one decimal mark");
    }
    if text.contains(['e', 'E']) && text.starts_with(|c: char| c.is_ascii_digit() || c == '-') {
        return wrong("plain", "must be written out, not in powers of ten");
    }
    // A minus sign as typographers write it means the same.
    Ok(text.replace('\u{2212}', "-").replace(mark, "."))
}

fn whole(cell: &Cell) -> Result<i64, Wrong> {
    match cell.shown().parse() {
        Ok(number) if matches!(cell, Cell::Number(_) | Cell::Text(_)) => Ok(number),
        _ => wrong("whole_number", "must be a whole number"),
    }
}

/// No record of a titration laboratory is older, and a year of two digits is none.
fn since_1900(day: NaiveDate) -> Result<NaiveDate, Wrong> {
    let first = NaiveDate::from_ymd_opt(1900, 1, 1).unwrap_or_default();
    let last = Utc::now().date_naive().checked_add_months(Months::new(12 * 100)).unwrap_or(NaiveDate::MAX);
    if (first..=last).contains(&day) { Ok(day) } else { wrong("year", "lies before 1900 or more than a century ahead") }
}

fn day(cell: &Cell, marks: Marks) -> Result<NaiveDate, Wrong> {
    let at = match cell {
        Cell::Moment(at) => *at,
        Cell::Text(text) => match marks.dates.day(text) {
            Some(day) => day.and_time(NaiveTime::MIN),
            None => return wrong("date", format!("must be a day as {}, as declared", marks.dates.name())),
        },
        Cell::Number(_) => return wrong("date", "is a number and not a day: format the column as a date"),
        _ => return wrong("date", "must be a day"),
    };
    if at.time() != NaiveTime::MIN {
        return wrong("date", "holds a time of day, where a day is wanted");
    }
    since_1900(at.date())
}

/// A moment: with the offset that stands with it, else by the laboratory's clock. A day alone stands for its beginning.
fn time(cell: &Cell, marks: Marks) -> Result<DateTime<FixedOffset>, Wrong> {
    let at = match cell {
        Cell::Moment(at) => *at,
        Cell::Text(text) => {
            if marks.dates == Dates::Iso
                && let Ok(moment) = DateTime::parse_from_rfc3339(text)
            {
                since_1900(moment.date_naive())?;
                return Ok(moment);
            }
            match marks.dates.moment(text) {
                Some(at) => at,
                None => {
                    let message =
                        format!("must be a day as {} with or without a time as 08:30, as declared", marks.dates.name());
                    return wrong("date", message);
                }
            }
        }
        Cell::Number(_) => return wrong("date", "is a number and not a day: format the column as a date"),
        _ => return wrong("date", "must be a day with or without a time"),
    };
    since_1900(at.date())?;
    let at = at.with_nanosecond(0).unwrap_or(at);
    let moment = if at.time() == NaiveTime::MIN { zone::midnight(at.date()) } else { zone::moment(at) };
    match moment {
        Some(moment) => Ok(zone::local(moment)),
        None => wrong("date", "is a time that the laboratory's clock skipped"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const POINT: Marks = Marks { comma: false, dates: Dates::Iso };
    const COMMA: Marks = Marks { comma: true, dates: Dates::DayMonthYearDots };

    fn rule(cell: &Cell, kind: &Kind, marks: Marks) -> &'static str {
        read(cell, kind, marks).unwrap_err().0
    }

    fn value(cell: &Cell, kind: &Kind, marks: Marks) -> Value {
        read(cell, kind, marks).unwrap().unwrap_or_default()
    }

    #[test]
    fn a_double_is_the_shortest_decimal_that_gives_it_back_and_text_keeps_its_digits() {
        for (number, text) in [(23.1, "23.1"), (0.1, "0.1"), (-0.0, "0"), (50.0, "50"), (0.000_2, "0.0002")] {
            assert_eq!(value(&Cell::Number(number), &Kind::Decimal, COMMA), text);
        }
        assert_eq!(value(&Cell::text("23,10"), &Kind::Decimal, COMMA), "23.10");
        assert_eq!(value(&Cell::text("\u{2212}0.30"), &Kind::Decimal, POINT), "-0.30");
        assert_eq!(value(&Cell::Number(4711.0), &Kind::Text, POINT), "4711");
        // What arithmetic left behind is named, not rounded.
        assert_eq!(rule(&Cell::Number(0.1 + 0.2), &Kind::Decimal, POINT), "digits");
    }

    #[test]
    fn what_could_be_read_two_ways_is_refused_by_name() {
        for (cell, marks, expected) in [
            ("1.234", COMMA, "decimal_mark"),
            ("1,234", POINT, "decimal_mark"),
            ("1,2,3", COMMA, "decimal_mark"),
            ("1 234,5", COMMA, "thousands"),
            ("12.5 mL", POINT, "thousands"),
            ("1.2e3", POINT, "plain"),
            ("#DIV/0!", POINT, "formula_error"),
            ("Err:502", POINT, "formula_error"),
            ("a\u{7}b", POINT, "control_character"),
        ] {
            assert_eq!(rule(&Cell::text(cell), &Kind::Decimal, marks), expected, "{cell}");
        }
        assert_eq!(rule(&Cell::Merged, &Kind::Text, POINT), "merged");
        assert_eq!(rule(&Cell::Uncomputed, &Kind::Text, POINT), "formula_value");
    }

    #[test]
    fn days_are_read_as_declared_and_only_so() {
        let day = |text: &str, name: &str| {
            let marks = Marks { comma: false, dates: Dates::of(name).unwrap() };
            read(&Cell::text(text), &Kind::Day, marks).map(|value| value.unwrap().as_str().unwrap().to_owned())
        };
        assert_eq!(day("04.03.2025", "DD.MM.YYYY").unwrap(), "2025-03-04");
        assert_eq!(day("4.3.2025", "DD.MM.YYYY").unwrap(), "2025-03-04");
        assert_eq!(day("04/03/2025", "DD/MM/YYYY").unwrap(), "2025-03-04");
        assert_eq!(day("03/04/2025", "MM/DD/YYYY").unwrap(), "2025-03-04");
        assert_eq!(day("2025-03-04", "YYYY-MM-DD").unwrap(), "2025-03-04");
        for (text, name) in [
            ("04.03.25", "DD.MM.YYYY"),
            ("29.02.2025", "DD.MM.YYYY"),
            ("2025-03-04", "DD.MM.YYYY"),
            ("13/25/2025", "MM/DD/YYYY"),
            ("2025-03-04 08:30", "YYYY-MM-DD"),
            ("45720", "YYYY-MM-DD"),
            ("+4.03.2025", "DD.MM.YYYY"),
        ] {
            assert_eq!(day(text, name).unwrap_err().0, "date", "{text} as {name}");
        }
        assert_eq!(day("04.03.0025", "DD.MM.YYYY").unwrap_err().0, "year");
        assert_eq!(rule(&Cell::Number(45720.0), &Kind::Day, POINT), "date");
    }

    #[test]
    fn a_time_keeps_its_offset_or_is_the_laboratorys() {
        let time = Kind::Time { now: false };
        let at = |text: &str, marks: Marks| -> DateTime<Utc> {
            value(&Cell::text(text), &time, marks).as_str().unwrap().parse().unwrap()
        };
        assert_eq!(at("2025-03-04T08:30:00+05:00", POINT).to_rfc3339(), "2025-03-04T03:30:00+00:00");
        let local = NaiveDate::from_ymd_opt(2025, 3, 4).unwrap().and_hms_opt(8, 30, 0).unwrap();
        assert_eq!(at("04.03.2025 08:30", COMMA), zone::moment(local).unwrap());
        assert_eq!(at("04.03.2025", COMMA), zone::midnight(local.date()).unwrap());
        let noon = Marks { comma: false, dates: Dates::MonthDayYear };
        assert_eq!(at("03/04/2025 08:30 AM", noon), zone::moment(local).unwrap());
        assert_eq!(rule(&Cell::text("04.03.2025 25:00"), &time, COMMA), "date");
    }

    #[test]
    fn several_numbers_stand_in_one_cell() {
        let several = |text: &str| read_several(&Cell::text(text), &Kind::Decimal, COMMA);
        assert_eq!(several("10,00; 20,00;30,00;").unwrap().unwrap(), serde_json::json!(["10.00", "20.00", "30.00"]));
        assert_eq!(several("10,00; 20.00").unwrap_err().0, "decimal_mark");
        assert_eq!(
            read_several(&Cell::Number(5.5), &Kind::Decimal, COMMA).unwrap().unwrap(),
            serde_json::json!(["5.5"])
        );
        assert_eq!(read_several(&Cell::Empty, &Kind::Decimal, COMMA).unwrap(), None);
    }

    #[test]
    fn a_code_that_a_sheet_took_for_a_day_is_not_guessed_back() {
        let moment = Cell::Moment(NaiveDate::from_ymd_opt(2025, 3, 4).unwrap().and_time(NaiveTime::MIN));
        assert_eq!(rule(&moment, &Kind::Text, POINT), "text");
        assert_eq!(value(&moment, &Kind::Day, POINT), "2025-03-04");
        let kinds = Kind::Choice(vec![Choice::word("burette"), Choice::word("flask")]);
        assert_eq!(value(&Cell::text("Burette"), &kinds, POINT), "burette");
        assert_eq!(rule(&Cell::text("beaker"), &kinds, POINT), "one_of");
    }
}
