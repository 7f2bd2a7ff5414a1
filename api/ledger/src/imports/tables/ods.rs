//! Sheets of OpenDocument workbooks. A few bytes can stand for a million repeated cells there, so how large its sheets are is looked
//! at before they are read.

use std::collections::HashMap;
use std::io::Cursor;

use calamine::{Data, Ods, OdsError, Reader};
use chrono::{NaiveDate, NaiveDateTime, NaiveTime};
use ferrotitre_base::refusal::Refusal;
use quick_xml::Reader as Xml;
use quick_xml::events::{BytesStart, Event};

use super::book::{Book, Format, LAST_ROW, MOST_COLUMNS, Row, chosen, keep, part, too_many, unreadable};
use super::cell::Cell;
use super::xlsx::whole_seconds;

/// Cells of all sheets together.
const MOST_CELLS: usize = LAST_ROW * MOST_COLUMNS;

fn broken(error: OdsError) -> Refusal {
    match error {
        OdsError::Password => unreadable("password", "the workbook is locked with a password: save it without one"),
        error => unreadable("workbook", format!("the workbook cannot be read: {error}")),
    }
}

/// Reads a sheet.
pub(super) fn read(bytes: &[u8], sheet: Option<&str>) -> Result<Book, Refusal> {
    let locked = part(bytes, "META-INF/manifest.xml")?;
    if locked.windows(15).any(|part| part == b"encryption-data") {
        return Err(broken(OdsError::Password));
    }
    let covered = measure(&part(bytes, "content.xml")?)?;
    let mut book = Ods::new(Cursor::new(bytes)).map_err(broken)?;
    let sheets = book.sheet_names();
    let sheet = chosen(&sheets, sheet)?;
    let range = book.worksheet_range(&sheet).map_err(broken)?;
    let (top, left) = range.start().unwrap_or((0, 0));
    let left = usize::try_from(left).unwrap_or(0);
    let mut rows: Vec<Row> = Vec::new();
    for (number, found) in (top + 1..).zip(range.rows()) {
        let mut cells = vec![Cell::Empty; left];
        cells.extend(found.iter().map(cell));
        for column in covered.get(&sheet).and_then(|rows| rows.get(&number)).into_iter().flatten() {
            if cells.len() <= *column {
                cells.resize(column + 1, Cell::Empty);
            }
            cells[*column] = Cell::Merged;
        }
        // A row that only lies under merged cells holds nothing.
        if cells.iter().all(|cell| matches!(cell, Cell::Empty | Cell::Merged)) {
            continue;
        }
        keep(&mut rows, number, cells)?;
    }
    Ok(Book { format: Format::Ods, sheets, sheet, rows })
}

fn cell(value: &Data) -> Cell {
    match value {
        Data::Int(number) => Cell::text(&number.to_string()),
        Data::Float(number) => Cell::Number(*number),
        Data::String(text) => Cell::text(text),
        Data::Bool(truth) => Cell::Truth(*truth),
        Data::DateTimeIso(text) => moment(text),
        Data::DateTime(_) | Data::DurationIso(_) => Cell::Span,
        Data::Error(error) => Cell::Error(error.to_string()),
        Data::Empty => Cell::Empty,
    }
}

/// A day, or a day and a time, as OpenDocument writes it (part 1, 19.370: date or dateTime of XML Schema).
pub(super) fn moment(text: &str) -> Cell {
    let day = NaiveDate::parse_from_str(text, "%Y-%m-%d").map(|day| day.and_time(NaiveTime::MIN));
    match day.or_else(|_not_a_day| NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M:%S%.f")) {
        Ok(at) => whole_seconds(at),
        Err(_other) => Cell::text(text),
    }
}

/// Columns under merged cells, by sheet and row from 1.
type Covered = HashMap<String, HashMap<u32, Vec<usize>>>;

/// How far a sheet has come.
#[derive(Default)]
struct Sheet {
    name: String,
    row: usize,
    repeated: usize,
    column: usize,
    /// End of the last cell of the row that holds anything.
    width: usize,
    widest: usize,
    /// Cells up to here, those of empty rows between others among them.
    cells: usize,
    covered: Vec<usize>,
}

/// Refuses sheets that are larger than any that is taken, before anything is made of them.
fn measure(content: &[u8]) -> Result<Covered, Refusal> {
    let mut covered: Covered = HashMap::new();
    let mut reader = Xml::from_reader(content);
    let (mut sheet, mut cells, mut open) = (Sheet::default(), 0_usize, 0_usize);
    loop {
        let event = reader.read_event().map_err(|error| broken(OdsError::Xml(error)))?;
        let (start, closed) = match &event {
            // Of one that is cut off the reader would wait for the end for ever.
            Event::Eof if open > 0 => return Err(unreadable("workbook", "the workbook is cut off")),
            Event::Eof => return Ok(covered),
            Event::Start(start) => {
                open += 1;
                (start, false)
            }
            Event::Empty(start) => (start, true),
            Event::End(end) => {
                open = open.saturating_sub(1);
                if end.name().as_ref() == "table:table-row" {
                    ended(&mut sheet, &mut cells, &mut covered)?;
                }
                continue;
            }
            _ => continue,
        };
        match start.name().as_ref() {
            "table:table" => sheet = Sheet { name: attribute(start, "table:name")?, ..Sheet::default() },
            "table:table-row" => {
                sheet.repeated = repeats(start, "table:number-rows-repeated")?;
                (sheet.column, sheet.width) = (0, 0);
                sheet.covered.clear();
                if closed {
                    ended(&mut sheet, &mut cells, &mut covered)?;
                }
            }
            name @ ("table:table-cell" | "table:covered-table-cell") => {
                let end = sheet.column.saturating_add(repeats(start, "table:number-columns-repeated")?);
                if holds(start)? {
                    sheet.width = end;
                    if end > MOST_COLUMNS {
                        return Err(too_many("columns"));
                    }
                }
                if name == "table:covered-table-cell" {
                    sheet.covered.extend(sheet.column..end.min(MOST_COLUMNS));
                }
                sheet.column = end;
            }
            _ => {}
        }
    }
}

/// A row has ended: how many cells there are if it holds anything.
fn ended(sheet: &mut Sheet, cells: &mut usize, covered: &mut Covered) -> Result<(), Refusal> {
    let first = sheet.row;
    sheet.row = sheet.row.saturating_add(sheet.repeated);
    if sheet.width == 0 {
        return Ok(());
    }
    if sheet.row > LAST_ROW {
        return Err(too_many("rows"));
    }
    sheet.widest = sheet.widest.max(sheet.width);
    *cells += sheet.row * sheet.widest - sheet.cells;
    sheet.cells = sheet.row * sheet.widest;
    if *cells > MOST_CELLS {
        return Err(too_many("cells"));
    }
    if !sheet.covered.is_empty() {
        for number in first + 1..=sheet.row {
            let number = u32::try_from(number).unwrap_or(u32::MAX);
            covered.entry(sheet.name.clone()).or_default().insert(number, sheet.covered.clone());
        }
    }
    Ok(())
}

fn attribute(start: &BytesStart<'_>, name: &str) -> Result<String, Refusal> {
    let broken =
        |error: &dyn std::fmt::Display| unreadable("workbook", format!("the workbook cannot be read: {error}"));
    match start.try_get_attribute(name).map_err(|error| broken(&error))? {
        Some(found) => {
            Ok(found.normalized_value(quick_xml::XmlVersion::Implicit1_0).map_err(|error| broken(&error))?.into_owned())
        }
        None => Ok(String::new()),
    }
}

fn repeats(start: &BytesStart<'_>, name: &str) -> Result<usize, Refusal> {
    Ok(attribute(start, name)?.parse().unwrap_or(1))
}

/// Whether a cell holds anything: a value, its kind, or a formula.
fn holds(start: &BytesStart<'_>) -> Result<bool, Refusal> {
    for attribute in start.attributes() {
        let attribute =
            attribute.map_err(|error| unreadable("workbook", format!("the workbook cannot be read: {error}")))?;
        let name: &str = attribute.key.as_ref();
        if name == "table:formula" || name.starts_with("office:") || name.starts_with("calcext:") {
            return Ok(true);
        }
    }
    Ok(false)
}
