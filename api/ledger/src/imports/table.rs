//! Reads a delimited table strictly.

use chrono::{DateTime, NaiveDate, Utc};
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::web::decimal::Decimal;

use crate::imports::NewImport;

/// Wrong cells that are named before the rest is only counted.
const NAMED: usize = 100;

/// What the marks of a file mean.
#[derive(Debug, Clone, Copy)]
struct Convention {
    decimal_comma: bool,
    separator: u8,
}

/// Rows of a table with where they stand in the file.
#[derive(Debug)]
pub struct Table {
    convention: Convention,
    /// Rows of cells in the order of the expected columns.
    pub rows: Vec<Row>,
}

/// A row.
#[derive(Debug)]
pub struct Row {
    /// Line of the file, from 1.
    pub line: u64,
    cells: Vec<String>,
}

/// Collects what is wrong, cell by cell.
#[derive(Debug, Default)]
pub struct Problems {
    errors: FieldErrors,
    count: usize,
}

impl Problems {
    /// Adds a wrong cell.
    pub fn add(&mut self, line: u64, column: &str, rule: &str, message: &str, value: &str) {
        self.count += 1;
        if self.count <= NAMED {
            self.errors.add(&format!("line {line}, {column}"), rule, message, value);
        }
    }

    /// Whether nothing is wrong so far.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// `Ok` if nothing is wrong.
    pub fn check(self) -> Result<(), Refusal> {
        if self.count == 0 {
            return Ok(());
        }
        let mut refusal = self.errors.into_refusal();
        refusal.detail = match self.count {
            1 => format!("1 cell breaks a rule, so nothing was imported; {}", refusal.detail),
            count if count > NAMED => {
                format!("{count} cells break a rule, the first {NAMED} are named; nothing was imported")
            }
            count => format!("{count} cells break a rule, so nothing was imported"),
        };
        Err(refusal)
    }
}

fn convention(file: &NewImport) -> Result<Convention, Refusal> {
    let mut errors = FieldErrors::default();
    let decimal_comma = file.decimal_mark == "comma";
    let known = decimal_comma || file.decimal_mark == "point";
    errors.require(known, "decimal_mark", "one_of", "must be point or comma", &file.decimal_mark);
    let separator = match file.separator.as_str() {
        "semicolon" => b';',
        "tab" => b'\t',
        "comma" => b',',
        other => {
            errors.add("separator", "one_of", "must be comma, semicolon or tab", other);
            b','
        }
    };
    let distinct = !(decimal_comma && separator == b',');
    errors.require(distinct, "separator", "distinct", "the comma cannot separate columns and mark decimals", "comma");
    errors.require(!file.file_name.trim().is_empty(), "file_name", "required", "must not be empty", "");
    errors.check()?;
    Ok(Convention { decimal_comma, separator })
}

/// Reads a table: a version line, a header with the unit in its names, rows.
///
/// # Errors
/// Marks that are not known or not distinct; another version line or header; rows of another width; no rows.
pub fn read(file: &NewImport, version: &str, columns: &[&str]) -> Result<Table, Refusal> {
    let convention = convention(file)?;
    let text = file.text.strip_prefix('\u{feff}').unwrap_or(&file.text);
    let (first, rest) = text.split_once('\n').unwrap_or((text, ""));
    // The reader counts lines by their ends; two characters for one end would put it off by one.
    let rest = rest.replace("\r\n", "\n");
    let first = first.trim_end_matches(['\r', char::from(convention.separator)]);
    if first != version {
        let message = format!("the first line must be \"{version}\": it says what the columns mean");
        return Err(Refusal::invalid("text", "version_line", message, first));
    }
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(convention.separator)
        .has_headers(false)
        .flexible(true)
        .from_reader(rest.as_bytes());
    let mut records = reader.records();
    let header: Vec<String> = match records.next() {
        Some(Ok(header)) => {
            let names: Vec<String> = header.iter().map(|name| name.trim().to_owned()).collect();
            let end = names.iter().rposition(|name| !name.is_empty()).map_or(0, |last| last + 1);
            names.into_iter().take(end).collect()
        }
        Some(Err(error)) => return Err(Refusal::invalid("text", "csv", error.to_string(), "")),
        None => return Err(Refusal::invalid("text", "header", "there is no header line", "")),
    };
    if header != columns {
        let message = format!("the header must be \"{}\"", columns.join(&char::from(convention.separator).to_string()));
        return Err(Refusal::invalid("text", "header", message, header.join(" | ")));
    }
    let mut rows = Vec::new();
    let mut problems = Problems::default();
    for record in records {
        let record = record.map_err(|error| Refusal::invalid("text", "csv", error.to_string(), ""))?;
        // The version line stands before what the reader counts.
        let line = record.position().map_or(0, csv::Position::line) + 1;
        if record.iter().all(|cell| cell.trim().is_empty()) {
            continue;
        }
        // Spreadsheets write empty cells behind the last where another row once was longer.
        let behind = record.iter().skip(columns.len()).any(|cell| !cell.trim().is_empty());
        if record.len() < columns.len() || behind {
            let message = format!("{} cells where the header has {}", record.len(), columns.len());
            problems.add(line, "row", "width", &message, &record.iter().collect::<Vec<_>>().join(" | "));
            continue;
        }
        let cells = record.iter().take(columns.len()).map(|cell| cell.trim_matches([' ', '\t']).to_owned());
        rows.push(Row { line, cells: cells.collect() });
    }
    problems.check()?;
    if rows.is_empty() {
        return Err(Refusal::invalid("text", "rows", "there are no rows", ""));
    }
    Ok(Table { convention, rows })
}

impl Row {
    /// A cell as text.
    pub fn text(&self, column: usize) -> &str {
        self.cells.get(column).map_or("", String::as_str)
    }
}

impl Table {
    /// A cell as a decimal with its digits.
    pub fn decimal(&self, row: &Row, column: usize, name: &str, problems: &mut Problems) -> Option<Decimal> {
        let cell = row.text(column);
        let mut refuse = |rule: &str, message: &str| {
            problems.add(row.line, name, rule, message, cell);
            None
        };
        if cell.is_empty() {
            return refuse("required", "must not be empty");
        }
        if cell.contains(['\u{a0}', '\u{2009}', '\u{202f}', '\'', ' ']) {
            return refuse("thousands", "must not group digits with spaces or marks");
        }
        let (mark, other) = if self.convention.decimal_comma { (',', '.') } else { ('.', ',') };
        if cell.contains(other) {
            let message = format!("holds \"{other}\", but the file was declared to mark decimals with \"{mark}\"");
            return refuse("decimal_mark", &message);
        }
        if cell.matches(mark).count() > 1 {
            return refuse("decimal_mark", "has more than one decimal mark");
        }
        if cell.contains(['e', 'E']) {
            return refuse("plain", "must be written out, not in powers of ten");
        }
        // A minus sign as typographers write it means the same.
        let plain = cell.replace('\u{2212}', "-").replace(mark, ".");
        match plain.parse() {
            Ok(decimal) => Some(decimal),
            Err(error) => {
                let message = format!("{error}");
                refuse("number", &message)
            }
        }
    }

    /// A cell as a whole number.
    pub fn whole(&self, row: &Row, column: usize, name: &str, problems: &mut Problems) -> Option<i32> {
        let cell = row.text(column);
        cell.parse().map_or_else(
            |_error: std::num::ParseIntError| {
                problems.add(row.line, name, "whole_number", "must be a whole number", cell);
                None
            },
            Some,
        )
    }

    /// A cell as a moment: ISO 8601 with its offset, or a date alone, which stands for noon UTC of that day.
    pub fn moment(row: &Row, column: usize, name: &str, problems: &mut Problems) -> Option<DateTime<Utc>> {
        let cell = row.text(column);
        let parsed = DateTime::parse_from_rfc3339(cell)
            .ok()
            .map(|moment| moment.with_timezone(&Utc))
            .or_else(|| Some(NaiveDate::parse_from_str(cell, "%Y-%m-%d").ok()?.and_hms_opt(12, 0, 0)?.and_utc()));
        if parsed.is_none() {
            let serial = cell.replace(',', ".").parse::<f64>().is_ok();
            let message = if serial {
                "is a spreadsheet's serial number; format the column as 2025-03-04T08:30:00+01:00 and export again"
            } else {
                "must be a time as 2025-03-04T08:30:00+01:00 or a date as 2025-03-04 (ISO 8601)"
            };
            problems.add(row.line, name, "iso_8601", message, cell);
        }
        parsed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const VERSION: &str = "ferrotitre control values 1";
    const COLUMNS: [&str; 2] = ["observed_at", "value [g/L]"];

    fn file(decimal_mark: &str, separator: &str, text: &str) -> NewImport {
        NewImport {
            file_name: "a.csv".to_owned(),
            decimal_mark: decimal_mark.to_owned(),
            separator: separator.to_owned(),
            text: text.to_owned(),
        }
    }

    fn value(decimal_mark: &str, separator: &str, cell: &str) -> Result<Option<String>, Refusal> {
        let mark = if separator == "semicolon" { ';' } else { '\t' };
        let text = format!("{VERSION}\r\nobserved_at{mark}value [g/L]\r\n2025-03-04{mark}{cell}\r\n{mark}\r\n");
        let table = read(&file(decimal_mark, separator, &text), VERSION, &COLUMNS)?;
        assert_eq!((table.rows.len(), table.rows[0].line), (1, 3));
        let mut problems = Problems::default();
        let found = table.decimal(&table.rows[0], 1, "value [g/L]", &mut problems).map(|decimal| decimal.to_string());
        problems.check().map(|()| found)
    }

    #[test]
    fn both_conventions_keep_their_digits() {
        assert_eq!(value("comma", "semicolon", "118,20").unwrap().as_deref(), Some("118.20"));
        assert_eq!(value("point", "tab", "118.20").unwrap().as_deref(), Some("118.20"));
        assert_eq!(value("comma", "semicolon", "\u{2212}0,3").unwrap().as_deref(), Some("-0.3"));
    }

    #[test]
    fn what_could_be_read_two_ways_is_refused_by_name() {
        for (mark, cell, rule) in [
            ("comma", "1.234", "decimal_mark"),
            ("point", "1,234", "decimal_mark"),
            ("comma", "1,2,3", "decimal_mark"),
            ("comma", "1\u{a0}234,5", "thousands"),
            ("point", "1.2e3", "plain"),
            ("point", "", "required"),
            ("point", "n/a", "number"),
        ] {
            let refusal = value(mark, "semicolon", cell).unwrap_err();
            let error = &refusal.fields[0];
            assert_eq!((error.field.as_str(), error.rule.as_str()), ("line 3, value [g/L]", rule), "{cell}");
        }
    }

    #[test]
    fn another_header_or_version_is_refused() {
        let text = format!("{VERSION}\nobserved_at;value [mg/L]\n2025-03-04;1\n");
        assert_eq!(read(&file("comma", "semicolon", &text), VERSION, &COLUMNS).unwrap_err().fields[0].rule, "header");
        assert_eq!(
            read(&file("comma", "semicolon", "x\n"), VERSION, &COLUMNS).unwrap_err().fields[0].rule,
            "version_line"
        );
        assert_eq!(read(&file("comma", "comma", "x\n"), VERSION, &COLUMNS).unwrap_err().fields[0].rule, "distinct");
        let ends = format!("{VERSION};;\nobserved_at;value [g/L];\n2025-03-04;1;;\n2025-03-05;2; \n");
        assert_eq!(read(&file("comma", "semicolon", &ends), VERSION, &COLUMNS).unwrap().rows.len(), 2);
        let wide = format!("{VERSION}\nobserved_at;value [g/L]\n2025-03-04;1;2\n");
        assert_eq!(read(&file("comma", "semicolon", &wide), VERSION, &COLUMNS).unwrap_err().fields[0].rule, "width");
    }

    #[test]
    fn moments_are_iso_only() {
        let text = format!(
            "\u{feff}{VERSION}\nobserved_at;value [g/L]\n2025-03-04T08:30:00+01:00;1\n2025-03-05;1\n04.03.2025;1\n45720.5;1\n"
        );
        let table = read(&file("comma", "semicolon", &text), VERSION, &COLUMNS).unwrap();
        let mut problems = Problems::default();
        let read: Vec<Option<String>> = table
            .rows
            .iter()
            .map(|row| Table::moment(row, 0, "observed_at", &mut problems).map(|moment| moment.to_rfc3339()))
            .collect();
        let expected = [Some("2025-03-04T07:30:00+00:00"), Some("2025-03-05T12:00:00+00:00"), None, None];
        assert_eq!(read, expected.map(|text| text.map(str::to_owned)));
        let refusal = problems.check().unwrap_err();
        assert_eq!(refusal.fields.len(), 2);
        assert!(refusal.fields[1].message.contains("serial number"), "{:?}", refusal.fields[1]);
    }
}
