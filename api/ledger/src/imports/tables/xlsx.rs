//! Sheets of Office Open XML workbooks, cell by cell: a sheet that announces a million rows costs nothing.

use std::io::Cursor;

use calamine::{DataRef, Reader, Xlsx, XlsxError};
use chrono::{NaiveDate, NaiveDateTime, TimeDelta, Timelike};
use ferrotitre_base::refusal::Refusal;

use super::book::{Book, Format, LAST_ROW, MOST_COLUMNS, Row, chosen, keep, too_many, unreadable};
use super::cell::Cell;

fn broken(error: XlsxError) -> Refusal {
    match error {
        XlsxError::Password => unreadable("password", "the workbook is locked with a password: save it without one"),
        error => unreadable("workbook", format!("the workbook cannot be read: {error}")),
    }
}

/// Reads a sheet.
pub(super) fn read(bytes: &[u8], sheet: Option<&str>) -> Result<Book, Refusal> {
    let mut book = Xlsx::new(Cursor::new(bytes)).map_err(broken)?;
    let sheets = book.sheet_names();
    let sheet = chosen(&sheets, sheet)?;
    let merged = book.merge_cells_by_sheet_name(&sheet).map_err(broken)?;
    let mut rows: Vec<Row> = Vec::new();
    let (mut number, mut cells): (u32, Vec<Cell>) = (0, Vec::new());
    let mut reader = book.worksheet_cells_reader(&sheet).map_err(broken)?;
    while let Some(found) = reader.next_cell_with_formula().map_err(broken)? {
        let (row, column) = (found.pos.0 + 1, usize::try_from(found.pos.1).unwrap_or(usize::MAX));
        let cell = cell(&found.value, found.formula.is_some());
        if cell.is_empty() {
            continue;
        }
        if usize::try_from(row).unwrap_or(usize::MAX) > LAST_ROW {
            return Err(too_many("rows"));
        }
        if column >= MOST_COLUMNS {
            return Err(too_many("columns"));
        }
        if row != number {
            if row < number {
                return Err(unreadable("workbook", "the rows of the sheet are out of order"));
            }
            keep(&mut rows, number, std::mem::take(&mut cells))?;
            number = row;
        }
        if cells.len() <= column {
            cells.resize(column + 1, Cell::Empty);
        }
        cells[column] = cell;
    }
    keep(&mut rows, number, cells)?;
    for region in merged {
        cover(&mut rows, region.start, region.end);
    }
    Ok(Book { format: Format::Xlsx, sheets, sheet, rows })
}

/// Marks what lies under a merged cell, in rows that hold anything.
fn cover(rows: &mut [Row], start: (u32, u32), end: (u32, u32)) {
    let columns = |number: u32| usize::try_from(number).unwrap_or(usize::MAX);
    let last = columns(end.1).min(MOST_COLUMNS - 1);
    for row in rows.iter_mut().filter(|row| (start.0 + 1..=end.0.saturating_add(1)).contains(&row.number)) {
        for column in columns(start.1)..=last {
            if (row.number - 1, column) == (start.0, columns(start.1)) {
                continue;
            }
            if row.cells.len() <= column {
                row.cells.resize(column + 1, Cell::Empty);
            }
            row.cells[column] = Cell::Merged;
        }
    }
}

fn cell(value: &DataRef<'_>, formula: bool) -> Cell {
    match value {
        DataRef::Int(number) => Cell::text(&number.to_string()),
        DataRef::Float(number) => Cell::Number(*number),
        DataRef::String(text) => Cell::text(text),
        DataRef::SharedString(text) => Cell::text(text),
        DataRef::Bool(truth) => Cell::Truth(*truth),
        DataRef::DateTime(at) if at.is_duration() => Cell::Span,
        DataRef::DateTime(at) => {
            let (year, month, day, hour, minute, second, milli) = at.to_ymd_hms_milli();
            let date = NaiveDate::from_ymd_opt(year.into(), month.into(), day.into());
            let time =
                |date: NaiveDate| date.and_hms_milli_opt(hour.into(), minute.into(), second.into(), milli.into());
            // A time without a day is a fraction of the first day there is.
            if at.as_f64() < 1.0 { Cell::Span } else { date.and_then(time).map_or(Cell::Span, whole_seconds) }
        }
        DataRef::DateTimeIso(text) => super::ods::moment(text),
        DataRef::DurationIso(_) => Cell::Span,
        DataRef::Error(error) => Cell::Error(error.to_string()),
        DataRef::Empty if formula => Cell::Uncomputed,
        DataRef::Empty => Cell::Empty,
    }
}

/// To the second: a fraction of a day as a double is off by some microseconds.
pub(super) fn whole_seconds(at: NaiveDateTime) -> Cell {
    let rounded = at.checked_add_signed(TimeDelta::milliseconds(500)).unwrap_or(at);
    Cell::Moment(rounded.with_nanosecond(0).unwrap_or(rounded))
}
