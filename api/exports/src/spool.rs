//! Long tables as files: row after row into a file on disk, whose digest is known before the first byte goes out.

use std::borrow::Cow;
use std::fs::{File, OpenOptions};
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::OpenOptionsExt;

use actix_web::web::{self, Bytes};
use ferrotitre_base::refusal::{Code, Refusal};
use futures_util::stream::{self, Stream};
use rust_xlsxwriter::{DocProperties, ExcelDateTime, Workbook, XlsxError};
use serde::Deserialize;
use serde_json::Value;
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

/// Form of an export.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Format {
    /// One document: rows, counts or statistics, and what the export says about itself.
    #[default]
    Json,
    /// The rows alone, for other programs; cells that a spreadsheet would take for a formula are escaped.
    Csv,
    /// A workbook with the same in sheets.
    Xlsx,
}

impl Format {
    pub(super) fn text(self) -> &'static str {
        match self {
            Self::Json => "json",
            Self::Csv => "csv",
            Self::Xlsx => "xlsx",
        }
    }

    pub(super) fn content_type(self) -> &'static str {
        match self {
            Self::Json => "application/json",
            Self::Csv => "text/csv; charset=utf-8",
            Self::Xlsx => "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        }
    }
}

/// Rows of a sheet of a workbook, heading included.
const MOST_ROWS: u32 = 1_048_576;
/// Bytes that are written to the file or read from it at once.
const CHUNK: usize = 256 * 1024;

enum Into {
    Json(BufWriter<File>),
    Csv(Box<csv::Writer<File>>),
    Xlsx(Box<Workbook>),
}

/// A cell of a long table.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Cell<'a> {
    Empty,
    Text(Cow<'a, str>),
    Whole(i64),
    Number(f64),
}

impl<'a> From<&'a str> for Cell<'a> {
    fn from(text: &'a str) -> Self {
        Self::Text(text.into())
    }
}

impl From<String> for Cell<'_> {
    fn from(text: String) -> Self {
        Self::Text(text.into())
    }
}

impl From<f64> for Cell<'_> {
    fn from(number: f64) -> Self {
        // What is not a number has no form in JSON, and is no figure.
        if number.is_finite() { Self::Number(number) } else { Self::Empty }
    }
}

impl From<i32> for Cell<'_> {
    fn from(number: i32) -> Self {
        Self::Whole(number.into())
    }
}

impl<'a, T: core::convert::Into<Cell<'a>>> From<Option<T>> for Cell<'a> {
    fn from(cell: Option<T>) -> Self {
        cell.map_or(Self::Empty, core::convert::Into::into)
    }
}

impl Cell<'_> {
    /// Adds the cell as JSON.
    fn json(&self, line: &mut Vec<u8>) -> Result<(), Refusal> {
        match self {
            Self::Empty => {
                line.extend_from_slice(b"null");
                Ok(())
            }
            Self::Text(text) => serde_json::to_writer(line, text),
            Self::Whole(number) => serde_json::to_writer(line, number),
            Self::Number(number) => serde_json::to_writer(line, number),
        }
        .map_err(Refusal::internal)
    }
}

/// A table that is being written.
pub(super) struct Spool {
    /// Names of the columns as JSON, with what stands before them.
    names: Vec<String>,
    /// The row in hand as JSON.
    line: Vec<u8>,
    into: Into,
    content: Sha256,
    rows: u32,
    /// Whether the list of rows is closed, since something follows it.
    closed: bool,
}

/// A finished file; nobody else can open it, and it is gone when it is dropped.
pub struct Spooled {
    pub(super) format: Format,
    pub(super) file: File,
    pub(super) digest: String,
    pub(super) rows: u32,
}

fn io(error: std::io::Error) -> Refusal {
    Refusal::internal(error)
}

fn xlsx(error: XlsxError) -> Refusal {
    Refusal::internal(error)
}

fn json(value: &impl serde::Serialize) -> Result<String, Refusal> {
    serde_json::to_string(value).map_err(Refusal::internal)
}

/// A file without a name: it is unlinked at once, so that nothing is left behind whatever happens.
pub(super) fn nameless() -> Result<File, Refusal> {
    let path = std::env::temp_dir().join(format!("ferrotitre-export-{}", Uuid::now_v7()));
    let file = OpenOptions::new().read(true).write(true).create_new(true).mode(0o600).open(&path).map_err(io)?;
    std::fs::remove_file(&path).map_err(io)?;
    Ok(file)
}

/// Text as it may stand in a CSV cell: what a spreadsheet would take for a formula begins with an apostrophe; a plain number
/// stays one, negative or not.
pub(super) fn escaped(text: &str) -> Cow<'_, str> {
    let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    if formula && text.parse::<f64>().is_err() { format!("'{text}").into() } else { text.into() }
}

/// Writes a row of CSV; `digits` is room for the digits of a number.
fn csv_row(file: &mut csv::Writer<File>, cells: &[Cell<'_>], digits: &mut Vec<u8>) -> Result<(), Refusal> {
    for cell in cells {
        match cell {
            Cell::Empty => file.write_field(""),
            Cell::Text(text) => file.write_field(escaped(text).as_bytes()),
            number => {
                digits.clear();
                number.json(digits)?;
                file.write_field(&*digits)
            }
        }
        .map_err(Refusal::internal)?;
    }
    file.write_record(None::<&[u8]>).map_err(Refusal::internal)
}

#[expect(clippy::cast_precision_loss, reason = "positions and counts, far below 2^53")]
fn xlsx_row(workbook: &mut Workbook, row: u32, cells: &[Cell<'_>]) -> Result<(), XlsxError> {
    let sheet = workbook.worksheet_from_index(0)?;
    for (column, cell) in (0u16..).zip(cells) {
        match cell {
            Cell::Empty => {}
            Cell::Number(number) => {
                sheet.write_number(row, column, *number)?;
            }
            Cell::Whole(number) => {
                sheet.write_number(row, column, *number as f64)?;
            }
            Cell::Text(text) => {
                sheet.write_string(row, column, &**text)?;
            }
        }
    }
    Ok(())
}

impl Spool {
    pub(super) fn new(format: Format, columns: &'static [&'static str]) -> Result<Self, Refusal> {
        let mut into = match format {
            Format::Json => Into::Json(BufWriter::with_capacity(CHUNK, nameless()?)),
            Format::Csv => {
                // The writer has room of its own; a second one would only be filled from it.
                Into::Csv(Box::new(csv::WriterBuilder::new().buffer_capacity(CHUNK).from_writer(nameless()?)))
            }
            Format::Xlsx => {
                let mut workbook = Workbook::new();
                // Packing is most of the work, and packing harder makes a file of rows little smaller.
                workbook.set_zip_compression_level(1);
                let created = ExcelDateTime::from_ymd(2000, 1, 1).map_err(xlsx)?;
                workbook.set_properties(&DocProperties::new().set_creation_datetime(&created));
                // Rows go to disk as they come; only the current one is held.
                let sheet = workbook.add_worksheet_with_constant_memory().map_err(xlsx)?;
                sheet.set_name("Rows").map_err(xlsx)?;
                for (column, name) in (0u16..).zip(columns) {
                    sheet.write_string(0, column, *name).map_err(xlsx)?;
                }
                Into::Xlsx(Box::new(workbook))
            }
        };
        match &mut into {
            Into::Json(file) => file.write_all(b"{\"rows\":[").map_err(io)?,
            Into::Csv(file) => file.write_record(columns).map_err(Refusal::internal)?,
            Into::Xlsx(_) => {}
        }
        let mut names = Vec::with_capacity(columns.len());
        for (at, name) in columns.iter().enumerate() {
            names.push(format!("{}{}:", if at == 0 { "{" } else { "," }, json(name)?));
        }
        Ok(Self { names, line: Vec::new(), into, content: Sha256::new(), rows: 0, closed: false })
    }

    /// Adds a row, a cell per column.
    pub(super) fn row(&mut self, cells: &[Cell<'_>]) -> Result<(), Refusal> {
        let line = &mut self.line;
        line.clear();
        for (name, cell) in self.names.iter().zip(cells) {
            line.extend_from_slice(name.as_bytes());
            cell.json(line)?;
        }
        line.extend_from_slice(b"}\n");
        self.content.update(&*line);
        line.pop();
        self.rows += 1;
        match &mut self.into {
            Into::Json(file) => {
                let comma = if self.rows == 1 { "\n" } else { ",\n" };
                file.write_all(comma.as_bytes()).and_then(|()| file.write_all(line)).map_err(io)
            }
            Into::Csv(file) => csv_row(file, cells, line),
            Into::Xlsx(_) if self.rows >= MOST_ROWS => {
                let detail = format!("a sheet holds {MOST_ROWS} rows: narrow the export, or take it as JSON or CSV");
                Err(Refusal::new(Code::TooLarge, detail))
            }
            Into::Xlsx(workbook) => xlsx_row(workbook, self.rows, cells).map_err(xlsx),
        }
    }

    /// Closes the list of rows, once.
    fn close(&mut self) -> Result<(), Refusal> {
        match &mut self.into {
            Into::Json(file) if !self.closed => file.write_all(b"\n]").map_err(io)?,
            _ => {}
        }
        self.closed = true;
        Ok(())
    }

    /// Begins a part of the content that comes as pieces of JSON, up to [`Self::part_ends`]. A workbook has none.
    pub(super) fn part(&mut self, name: &str) -> Result<(), Refusal> {
        self.close()?;
        self.content.update(format!("{name} ").as_bytes());
        match &mut self.into {
            Into::Json(file) => write!(file, ",\n{}:", json(&name)?).map_err(io),
            _ => Ok(()),
        }
    }

    /// A piece of the part.
    pub(super) fn piece(&mut self, text: &str) -> Result<(), Refusal> {
        self.content.update(text.as_bytes());
        match &mut self.into {
            Into::Json(file) => file.write_all(text.as_bytes()).map_err(io),
            _ => Ok(()),
        }
    }

    /// Ends the part.
    pub(super) fn part_ends(&mut self) {
        self.content.update(b"\n");
    }

    /// Ends the table with what belongs to its content (counts, statistics) and with what the export says about itself, which
    /// stays out of the digest.
    pub(super) fn finish(mut self, extras: &[(&'static str, Value)], about: &Value) -> Result<Spooled, Refusal> {
        self.close()?;
        for (name, value) in extras {
            self.content.update(format!("{name} {}\n", json(value)?).as_bytes());
        }
        let digest = hex::encode(self.content.finalize());
        let (format, mut file) = match self.into {
            Into::Json(mut file) => {
                for (name, value) in extras {
                    write!(file, ",\n{}:{}", json(name)?, json(value)?).map_err(io)?;
                }
                write!(file, ",\n\"about\":{},\n\"digest\":\"{digest}\"}}\n", json(about)?).map_err(io)?;
                (Format::Json, file.into_inner().map_err(|error| io(error.into_error()))?)
            }
            Into::Csv(file) => (Format::Csv, file.into_inner().map_err(|error| io(error.into_error()))?),
            Into::Xlsx(mut workbook) => {
                let about = ("about", about.clone());
                for (name, value) in extras.iter().chain(std::iter::once(&about)) {
                    let sheet = workbook.add_worksheet();
                    sheet.set_name(*name).map_err(xlsx)?;
                    let mut line = 0;
                    flat("", value, &mut |path, value| {
                        sheet.write_string(line, 0, path)?;
                        match value {
                            Value::Number(number) => {
                                sheet.write_number(line, 1, number.as_f64().unwrap_or(f64::NAN))?
                            }
                            Value::String(text) => sheet.write_string(line, 1, text)?,
                            other => sheet.write_string(line, 1, other.to_string())?,
                        };
                        line += 1;
                        Ok(())
                    })
                    .map_err(xlsx)?;
                }
                let mut file = nameless()?;
                workbook.save_to_writer(&mut file).map_err(xlsx)?;
                (Format::Xlsx, file)
            }
        };
        file.flush().and_then(|()| file.seek(SeekFrom::Start(0))).map_err(io)?;
        Ok(Spooled { format, file, digest, rows: self.rows })
    }
}

/// Leaves of a document with their paths.
fn flat(
    path: &str,
    value: &Value,
    take: &mut impl FnMut(&str, &Value) -> Result<(), XlsxError>,
) -> Result<(), XlsxError> {
    match value {
        Value::Object(fields) => {
            for (name, value) in fields {
                let below = if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
                flat(&below, value, take)?;
            }
            Ok(())
        }
        Value::Array(items) => {
            for (at, value) in items.iter().enumerate() {
                flat(&format!("{path}[{at}]"), value, take)?;
            }
            Ok(())
        }
        Value::Null => Ok(()),
        leaf => take(path, leaf),
    }
}

impl Spooled {
    /// Size in bytes.
    pub(super) fn size(&self) -> Result<u64, Refusal> {
        Ok(self.file.metadata().map_err(io)?.len())
    }

    /// The file piece by piece; reading happens off the event loop.
    pub(super) fn stream(self) -> impl Stream<Item = std::io::Result<Bytes>> {
        stream::try_unfold(self.file, |file| async move {
            let (file, piece) = web::block(move || {
                let mut file = file;
                let mut piece = vec![0; CHUNK];
                file.read(&mut piece).map(|length| {
                    piece.truncate(length);
                    (file, piece)
                })
            })
            .await
            .map_err(std::io::Error::other)??;
            Ok(if piece.is_empty() { None } else { Some((Bytes::from(piece), file)) })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_spreadsheet_would_run_is_escaped_and_numbers_stay_numbers() {
        for formula in ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\tx"] {
            assert_eq!(escaped(formula), format!("'{formula}"));
        }
        for plain in ["-0.02", "+5", "23.10", "green to violet", "a=b"] {
            assert_eq!(escaped(plain), plain);
        }
    }

    #[test]
    fn the_digest_is_the_same_in_every_format_and_leaves_out_what_the_export_says_about_itself() {
        let of = |format, about: &str| {
            let mut spool = Spool::new(format, &["a", "b"]).unwrap();
            spool.row(&[Cell::from("=x"), Cell::from(1.5)]).unwrap();
            let spooled = spool.finish(&[("counts", Value::from(1))], &Value::from(about)).unwrap();
            assert_eq!(spooled.rows, 1);
            spooled.digest
        };
        let digest = of(Format::Json, "today");
        assert_eq!(of(Format::Csv, "tomorrow"), digest);
        assert_eq!(of(Format::Xlsx, "another day"), digest);
        // sha256sum of the lines {"a":"=x","b":1.5} and counts 1.
        assert_eq!(digest, hex::encode(Sha256::digest("{\"a\":\"=x\",\"b\":1.5}\ncounts 1\n")));
    }

    #[test]
    fn a_part_in_pieces_is_the_same_as_one_in_one_piece() {
        let text = |spooled: Spooled| {
            let mut text = String::new();
            spooled.file.take(1 << 16).read_to_string(&mut text).unwrap();
            (spooled.digest, text)
        };
        for format in [Format::Json, Format::Csv] {
            let begun = || {
                let mut spool = Spool::new(format, &["a"]).unwrap();
                spool.row(&[Cell::from("x")]).unwrap();
                spool
            };
            let whole = begun().finish(&[("study", serde_json::json!([1, 2]))], &Value::Null).unwrap();
            let mut spool = begun();
            spool.part("study").unwrap();
            for piece in ["[1,", "2]"] {
                spool.piece(piece).unwrap();
            }
            spool.part_ends();
            assert_eq!(text(spool.finish(&[], &Value::Null).unwrap()), text(whole));
        }
    }
}
