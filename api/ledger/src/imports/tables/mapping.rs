//! From a file to rows: which column is which field, what every cell says, and all that cannot be read.

use std::collections::BTreeMap;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::web::body::parse;
use ferrotitre_html::form::put;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::book::{self, Book, MOST_ROWS, Row, letters};
use super::cell::{self, Cell, Dates, Marks};
use super::wrong::{At, Wrong};
use super::{Column, Heading, NewTable, Placed, ReadTableRow};

/// Rows that a preview shows.
const SHOWN: usize = 10;

/// A file that was read.
#[derive(Debug)]
pub(super) struct Prepared<R> {
    pub bytes: Vec<u8>,
    pub digest: String,
    pub format: &'static str,
    pub sheets: Vec<String>,
    pub sheet: String,
    pub headings: Vec<Heading>,
    pub sample: Vec<ReadTableRow>,
    /// Rows that hold anything, those that cannot be read among them.
    pub count: usize,
    pub rows: Vec<Placed<R>>,
    pub wrong: Wrong,
}

impl<R> Prepared<R> {
    /// What a client that cannot see the file needs to choose columns.
    pub fn facts(&self) -> Value {
        json!({ "sheets": self.sheets, "sheet": self.sheet, "headings": self.headings })
    }
}

/// A file as it lies there, for somebody who chooses columns.
#[derive(Debug)]
pub struct Look {
    /// Names of its sheets.
    pub sheets: Vec<String>,
    /// The sheet that was read.
    pub sheet: String,
    /// Whether it is a text.
    pub text: bool,
    /// Letter and heading of its columns.
    pub headings: Vec<(String, String)>,
    /// The first rows below them, as shown.
    pub rows: Vec<Vec<String>>,
    /// Rows below the headings.
    pub count: usize,
}

/// The bytes of a file.
pub(super) fn bytes(file: &NewTable) -> Result<Vec<u8>, Refusal> {
    STANDARD
        .decode(file.content.trim())
        .map_err(|error| Refusal::invalid("content", "base64", format!("must be base64: {error}"), ""))
}

/// What stands between columns.
pub(super) fn separator(name: Option<&str>) -> Result<Option<u8>, Refusal> {
    match name.map(str::trim).filter(|name| !name.is_empty()) {
        None => Ok(None),
        Some("semicolon") => Ok(Some(b';')),
        Some("tab") => Ok(Some(b'\t')),
        Some("comma") => Ok(Some(b',')),
        Some(other) => Err(Refusal::invalid("separator", "one_of", "must be comma, semicolon or tab", other)),
    }
}

fn marks(file: &NewTable) -> Result<Marks, Refusal> {
    let mut errors = FieldErrors::default();
    let comma = file.decimal_mark == "comma";
    let known = comma || file.decimal_mark == "point";
    errors.require(known, "decimal_mark", "one_of", "must be point or comma", &file.decimal_mark);
    let dates = Dates::of(&file.date_format);
    let names: Vec<&str> = Dates::ALL.iter().map(|(name, _)| *name).collect();
    let message = format!("must be one of {}", names.join(", "));
    errors.require(dates.is_some(), "date_format", "one_of", message, &file.date_format);
    let message = "the comma cannot separate columns and mark decimals";
    let distinct = !(comma && file.separator.as_deref() == Some("comma"));
    errors.require(distinct, "separator", "distinct", message, "comma");
    errors.check()?;
    Ok(Marks { comma, dates: dates.unwrap_or(Dates::Iso) })
}

/// Where the headings are: index of their row.
fn heading_row(book: &Book, asked: Option<u32>) -> Result<usize, Refusal> {
    let found = match asked {
        None => (!book.rows.is_empty()).then_some(0),
        Some(number) => book.rows.iter().position(|row| row.number == number),
    };
    found.ok_or_else(|| match asked {
        None => book::unreadable("empty", "there is nothing in it"),
        Some(number) => Refusal::invalid("heading_row", "exists", "nothing stands in this row", number),
    })
}

/// Opens a file to show what is in it.
pub(super) fn look(file: &NewTable) -> Result<Look, Refusal> {
    let bytes = bytes(file)?;
    let book = book::open(&bytes, &file.file_name, file.sheet.as_deref(), separator(file.separator.as_deref())?)?;
    let heading = heading_row(&book, file.heading_row)?;
    let headings = headings(&book.rows[heading]);
    let shown = |row: &Row| row.cells.iter().map(Cell::shown).collect();
    let below = &book.rows[heading + 1..];
    Ok(Look {
        headings: headings.into_iter().enumerate().map(|(at, heading)| (letters(at), heading)).collect(),
        rows: below.iter().take(3).map(shown).collect(),
        count: below.len(),
        text: book.sheets.is_empty(),
        sheets: book.sheets,
        sheet: book.sheet,
    })
}

/// Headings without the blanks around them and the ends of lines inside; what lies under a merged one is none.
fn headings(row: &Row) -> Vec<String> {
    let one = |cell: &Cell| match cell {
        Cell::Merged => String::new(),
        cell => cell.shown().split_whitespace().collect::<Vec<_>>().join(" "),
    };
    row.cells.iter().map(one).collect()
}

/// Where a field is, by a heading.
fn find(headings: &[String], key: &str, heading: &str, book: &Book, row: u32) -> Result<usize, (String, &'static str)> {
    let asked = heading.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut same = headings.iter().enumerate().filter(|(_, found)| found.to_lowercase() == asked.to_lowercase());
    match (same.next(), same.next()) {
        (Some((at, _)), None) => Ok(at),
        (Some((first, _)), Some((second, _))) => {
            let (first, second) = (book.place(row, first), book.place(row, second));
            Err((format!("stands in {first} and in {second}: give {key} a heading of its own"), "doubled_heading"))
        }
        (None, _) => Err(("is no heading of the file".to_owned(), "heading")),
    }
}

/// Where every field is; none for one that is nowhere.
fn places(
    columns: &[Column],
    file: &NewTable,
    (book, headings, row): (&Book, &[String], u32),
) -> Result<Vec<Option<At>>, Refusal> {
    let mut errors = FieldErrors::default();
    for (list, name) in [(file.columns.as_ref(), "columns"), (Some(&file.same), "same")] {
        for key in list.into_iter().flatten().map(|(key, _)| key) {
            let known = columns.iter().any(|column| column.key == *key);
            errors.require(known, &format!("{name}.{key}"), "unknown_field", "is no field of this table", key);
        }
    }
    let mut found = Vec::with_capacity(columns.len());
    for column in columns {
        let key = &column.key;
        let same = file.same.get(key).filter(|same| !same.trim().is_empty());
        let asked = match &file.columns {
            Some(named) => named.get(key).filter(|heading| !heading.trim().is_empty()).cloned(),
            // By equal headings: that of the template, or the field's own name.
            None => [&column.heading, key]
                .into_iter()
                .find(|heading| headings.iter().any(|found| found.to_lowercase() == heading.to_lowercase()))
                .cloned()
                .filter(|_| same.is_none()),
        };
        let at = match (asked, same) {
            (Some(heading), Some(same)) => {
                let message = format!("is given although the column \"{heading}\" is taken for it");
                errors.add(&format!("same.{key}"), "one_source", message, same);
                None
            }
            (Some(heading), None) => match find(headings, key, &heading, book, row) {
                Ok(at) => Some(At::Column(at)),
                Err((message, rule)) => {
                    errors.add(&format!("columns.{key}"), rule, message, heading);
                    None
                }
            },
            (None, Some(_)) => Some(At::Same),
            (None, None) => {
                let message =
                    format!("{} needs a column of the file, or what is the same in every row", column.heading);
                errors.require(!column.required, &format!("columns.{key}"), "required", message, "");
                None
            }
        };
        found.push(at);
    }
    errors.check()?;
    Ok(found)
}

/// Headings of a file, each with the fields that are taken from its column.
fn headed(columns: &[Column], names: &[String], fields: &[Option<At>]) -> Vec<Heading> {
    let taken = |column: usize| {
        let of = columns.iter().zip(fields).filter(|(_, at)| matches!(at, Some(At::Column(found)) if *found == column));
        of.map(|(column, _)| column.key.clone()).collect::<Vec<_>>()
    };
    let one = |(column, heading): (usize, &String)| Heading {
        column: letters(column),
        heading: heading.clone(),
        fields: taken(column),
    };
    names.iter().enumerate().filter(|(_, heading)| !heading.is_empty()).map(one).collect()
}

/// Reads a file into rows.
///
/// # Errors
/// What is wrong with the file as a whole or with what was said about it. Wrong cells are collected beside the rows.
pub(super) fn prepare<R: DeserializeOwned>(columns: &[Column], file: &NewTable) -> Result<Prepared<R>, Refusal> {
    let marks = marks(file)?;
    let bytes = bytes(file)?;
    let digest = hex::encode(Sha256::digest(&bytes));
    let mut book = book::open(&bytes, &file.file_name, file.sheet.as_deref(), separator(file.separator.as_deref())?)?;
    let at = heading_row(&book, file.heading_row)?;
    let (number, names) = (book.rows[at].number, headings(&book.rows[at]));
    let fields = places(columns, file, (&book, &names, number)).map_err(|refusal| {
        let headings = headed(columns, &names, &[]);
        refusal.with_facts(json!({ "sheets": book.sheets, "sheet": book.sheet, "headings": headings }))
    })?;
    let rows = book.rows.split_off(at + 1);
    if rows.is_empty() {
        return Err(book::unreadable("rows", "there are no rows below the headings"));
    }
    if rows.len() > MOST_ROWS {
        return Err(book::too_many("rows"));
    }
    let mut wrong = Wrong::of(&book);
    for (column, at) in columns.iter().zip(&fields) {
        let heading = match at {
            Some(At::Column(at)) => names.get(*at).cloned().unwrap_or_default(),
            Some(At::Same) => column.heading.clone(),
            None => continue,
        };
        let at = at.clone().unwrap_or(At::Same);
        wrong.fields.push((column.path.clone(), column.key.clone(), heading, at));
    }
    let (count, headings) = (rows.len(), headed(columns, &names, &fields));
    let (mut ready, mut sample) = (Vec::with_capacity(count), Vec::new());
    for row in rows {
        let read = values(columns, &fields, file, (&row, &names), marks, &mut wrong);
        if sample.len() < SHOWN
            && let Some((_, values)) = &read
        {
            sample.push(ReadTableRow { row: row.number, values: values.clone() });
        }
        let number = row.number;
        wrong.cells.insert(number, row.cells);
        if let Some((whole, _)) = read {
            match parse::<R>(whole.to_string().as_bytes()) {
                Ok(row) => ready.push(Placed { number, row }),
                Err(refusal) => wrong.refusal(number, &refusal),
            }
        }
    }
    let format = book.format.text();
    Ok(Prepared {
        bytes,
        digest,
        format,
        sheets: book.sheets,
        sheet: book.sheet,
        headings,
        sample,
        count,
        rows: ready,
        wrong,
    })
}

/// Values of a row as the API takes them, and as they are shown; none if a cell cannot be read.
fn values(
    columns: &[Column],
    fields: &[Option<At>],
    file: &NewTable,
    (row, names): (&Row, &[String]),
    marks: Marks,
    wrong: &mut Wrong,
) -> Option<(Value, BTreeMap<String, String>)> {
    // Everything behind a cell too many is one column off: nothing more is said of such a row.
    let behind = row.cells.iter().enumerate().skip(names.len()).find(|(_, cell)| !cell.is_empty());
    if let Some((at, cell)) = behind {
        let message = "stands where there is no heading: a cell too many before it, or a heading that is missing";
        wrong.cell((row.number, at), "", ("width", message), cell.shown());
        return None;
    }
    let (mut whole, mut shown, mut good) = (json!({}), BTreeMap::new(), true);
    for (column, at) in columns.iter().zip(fields) {
        let same;
        let cell = match at {
            None => continue,
            Some(At::Column(at)) => row.cells.get(*at).unwrap_or(&Cell::Empty),
            Some(At::Same) => {
                same = Cell::text(file.same.get(&column.key).map_or("", String::as_str));
                &same
            }
        };
        let read = if column.several { cell::read_several } else { cell::read };
        let refused = match read(cell, &column.kind, marks) {
            Ok(Some(value)) => {
                shown.insert(column.key.clone(), value.as_str().map_or_else(|| value.to_string(), str::to_owned));
                put(&mut whole, &column.path, value);
                continue;
            }
            Ok(None) if !column.required => continue,
            Ok(None) => ("required", "must not be empty".to_owned()),
            Err(refused) => refused,
        };
        good = false;
        let (rule, message) = (refused.0, refused.1.as_str());
        match at {
            Some(At::Column(at)) => {
                wrong.cell((row.number, *at), names.get(*at).map_or("", String::as_str), (rule, message), cell.shown());
            }
            _ => wrong.field(row.number, &column.path, rule, message, &cell.shown()),
        }
    }
    good.then_some((whole, shown))
}

#[cfg(test)]
mod tests {
    use super::*;
    use ferrotitre_html::form::{Field, Kind};

    fn columns() -> Vec<Column> {
        vec![
            Column::of(Field::new("code", "Code", Kind::Text), "A-1"),
            Column::of(Field::new("facts.mass", "Mass, g", Kind::Decimal), "1.20"),
            Column::of(Field::new("day", "Day", Kind::Day).optional(), "2025-03-04"),
        ]
    }

    fn file(text: &str) -> NewTable {
        NewTable {
            file_name: "a.csv".to_owned(),
            content: STANDARD.encode(text),
            sheet: None,
            separator: Some("semicolon".to_owned()),
            decimal_mark: "comma".to_owned(),
            date_format: "DD.MM.YYYY".to_owned(),
            heading_row: None,
            columns: None,
            same: BTreeMap::new(),
        }
    }

    fn map(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
        pairs.iter().map(|(key, value)| ((*key).to_owned(), (*value).to_owned())).collect()
    }

    fn read(file: &NewTable) -> Result<Vec<(u32, Value)>, Refusal> {
        let prepared = prepare::<Value>(&columns(), file)?;
        let rows = prepared.rows.into_iter().map(|row| (row.number, row.row)).collect();
        prepared.wrong.check().map(|()| rows)
    }

    fn named(file: &NewTable) -> Vec<(String, String)> {
        read(file).unwrap_err().fields.into_iter().map(|wrong| (wrong.field, wrong.rule)).collect()
    }

    fn pairs(expected: &[(&str, &str)]) -> Vec<(String, String)> {
        expected.iter().map(|(field, rule)| ((*field).to_owned(), (*rule).to_owned())).collect()
    }

    #[test]
    fn columns_go_by_equal_headings_in_any_order_and_empty_ends_are_nothing() {
        let file = file("day;MASS,  g;Code;;\n;1,20;A-1;;;\n;;;\n04.03.2025;0,5;A-2\n");
        let expected = [
            (2, json!({ "code": "A-1", "facts": { "mass": "1.20" } })),
            (4, json!({ "code": "A-2", "facts": { "mass": "0.5" }, "day": "2025-03-04" })),
        ];
        assert_eq!(read(&file).unwrap(), expected);
    }

    #[test]
    fn columns_are_chosen_and_what_is_the_same_everywhere_is_said_once() {
        let mut file = file("a list of ours\nNo.;weighed\n7;1,20\n");
        file.heading_row = Some(2);
        file.columns = Some(map(&[("code", "no."), ("mass", "weighed")]));
        file.same = map(&[("day", "04.03.2025")]);
        let expected = json!({ "code": "7", "facts": { "mass": "1.20" }, "day": "2025-03-04" });
        assert_eq!(read(&file).unwrap(), [(3, expected)]);
        file.same = map(&[("day", "2025-03-04"), ("mass", "1"), ("x", "1")]);
        assert_eq!(named(&file), pairs(&[("same.x", "unknown_field"), ("same.mass", "one_source")]));
        file.same = map(&[("day", "2025-03-04")]);
        assert_eq!(named(&file), pairs(&[("line 3, Day (the same in every row, same.day)", "date")]));
    }

    #[test]
    fn every_wrong_cell_is_named_in_the_order_of_the_file() {
        let wrong = "Code;Mass, g;Day\n;1.20;4.3.25\nA-1;1,0;;x\n";
        assert_eq!(
            named(&file(wrong)),
            pairs(&[
                ("line 2, column A, Code", "required"),
                ("line 2, column B, Mass, g", "decimal_mark"),
                ("line 2, column C, Day", "date"),
                ("line 3, column D", "width"),
            ])
        );
    }

    #[test]
    fn headings_that_are_missing_doubled_or_alone_are_named() {
        assert_eq!(named(&file("Code\nA\n")), pairs(&[("columns.mass", "required")]));
        assert_eq!(named(&file("Code;Mass, g;code\nA;1;B\n")), pairs(&[("columns.code", "doubled_heading")]));
        assert_eq!(named(&file("Code;Mass, g\n;;\n")), pairs(&[("content", "rows")]));
        assert_eq!(named(&file("\n\n")), pairs(&[("content", "empty")]));
        let mut other = file("Code;Mass, g\nA;1\n");
        other.columns = Some(map(&[("code", "Code"), ("mass", "Weight")]));
        assert_eq!(named(&other), pairs(&[("columns.mass", "heading")]));
        other.heading_row = Some(9);
        assert_eq!(named(&other), pairs(&[("heading_row", "exists")]));
    }
}
