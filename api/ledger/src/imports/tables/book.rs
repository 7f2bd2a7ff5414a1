//! A file as sheets of cells: XLSX and OpenDocument workbooks, and delimited text. What a file is, its content says, not its name.

use ferrotitre_base::refusal::{Code, Refusal};

use super::cell::Cell;
use super::{ods, xlsx};

/// Largest file, bytes: as text inside JSON it is a third longer and must fit the largest body.
pub const LARGEST_FILE: usize = 10 * 1024 * 1024;
/// Largest workbook when it is unpacked, bytes.
pub const LARGEST_UNPACKED: u64 = 96 * 1024 * 1024;
/// Rows of a table below its heading.
pub const MOST_ROWS: usize = 20_000;
/// Row that a table ends at, with what may stand above it.
pub(super) const LAST_ROW: usize = MOST_ROWS + 100;
/// Columns of a table.
pub const MOST_COLUMNS: usize = 100;

/// What a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Office Open XML workbook (ECMA-376).
    Xlsx,
    /// OpenDocument spreadsheet (ISO/IEC 26300).
    Ods,
    /// Delimited text.
    Text,
}

impl Format {
    /// As stored and shown.
    pub fn text(self) -> &'static str {
        match self {
            Self::Xlsx => "xlsx",
            Self::Ods => "ods",
            Self::Text => "text",
        }
    }
}

/// A row with where it stands.
#[derive(Debug, Clone)]
pub struct Row {
    /// Row of the sheet, or line of the text, from 1.
    pub number: u32,
    /// Cells from the first column on.
    pub cells: Vec<Cell>,
}

/// One sheet of a file.
#[derive(Debug)]
pub struct Book {
    /// What it is.
    pub format: Format,
    /// Names of the sheets; of a text none.
    pub sheets: Vec<String>,
    /// The sheet that was read; of a text empty.
    pub sheet: String,
    /// Its rows that hold anything, in order.
    pub rows: Vec<Row>,
}

impl Book {
    /// Name of a cell as sheets and editors count: D17, or line 17, column D.
    pub fn place(&self, row: u32, column: usize) -> String {
        match self.format {
            Format::Text => format!("line {row}, column {}", letters(column)),
            Format::Xlsx | Format::Ods => format!("{}{row}", letters(column)),
        }
    }
}

/// Name of a column, counted from 0.
pub fn letters(column: usize) -> String {
    let mut name = Vec::new();
    let mut rest = column + 1;
    while rest > 0 {
        let letter = u8::try_from((rest - 1) % 26).unwrap_or_default();
        name.insert(0, char::from(b'A' + letter));
        rest = (rest - 1) / 26;
    }
    name.into_iter().collect()
}

/// A refusal about the file as a whole.
pub(super) fn unreadable(rule: &str, message: impl Into<String>) -> Refusal {
    Refusal::invalid("content", rule, message, "")
}

/// A table that is larger than any is taken.
pub(super) fn too_many(what: &str) -> Refusal {
    let message =
        format!("has more {what} than are taken: at most {MOST_ROWS} rows and {MOST_COLUMNS} columns; split it");
    unreadable("size", message)
}

/// Opens a file: the sheet of that name, else the first one.
///
/// # Errors
/// What is neither; what is too large, packed or unpacked; a password; no such sheet; a name that says something else.
pub fn open(bytes: &[u8], name: &str, sheet: Option<&str>, separator: Option<u8>) -> Result<Book, Refusal> {
    if bytes.is_empty() {
        return Err(unreadable("empty", "the file is empty"));
    }
    if bytes.len() > LARGEST_FILE {
        let message = format!("the file has {} bytes; at most {LARGEST_FILE} are taken: split it", bytes.len());
        return Err(Refusal::new(Code::TooLarge, message));
    }
    match bytes {
        [0x50, 0x4B, 0x03, 0x04, ..] => workbook(bytes, sheet),
        [0xD0, 0xCF, 0x11, 0xE0, ..] => Err(old_or_locked(bytes)),
        _ => text(bytes, name, separator),
    }
}

/// Compound files are workbooks of before 2007, or such as are locked with a password (MS-OFFCRYPTO, 1.3).
fn old_or_locked(bytes: &[u8]) -> Refusal {
    let name: Vec<u8> = "EncryptedPackage".encode_utf16().flat_map(u16::to_le_bytes).collect();
    if bytes.windows(name.len()).any(|part| part == name) {
        return unreadable("password", "the workbook is locked with a password: save it without one");
    }
    unreadable("workbook", "is a workbook of an old form: save it as .xlsx or .ods")
}

fn workbook(bytes: &[u8], sheet: Option<&str>) -> Result<Book, Refusal> {
    let parts = unpack(bytes)?;
    let has = |name: &str| parts.iter().any(|part| part == name);
    if has("xl/workbook.xml") {
        return xlsx::read(bytes, sheet);
    }
    if has("content.xml") {
        return ods::read(bytes, sheet);
    }
    Err(unreadable("workbook", "is a packed file, but neither an .xlsx nor an .ods workbook"))
}

/// Unpacks all of a workbook once, to nowhere: what it announces about its size need not be so. Answers with the names inside.
fn unpack(bytes: &[u8]) -> Result<Vec<String>, Refusal> {
    let broken =
        |error: &dyn std::fmt::Display| unreadable("workbook", format!("the workbook cannot be unpacked: {error}"));
    let mut archive = zip::ZipArchive::new(std::io::Cursor::new(bytes)).map_err(|error| broken(&error))?;
    if archive.len() > 5000 {
        return Err(unreadable("size", "the workbook has more than 5000 parts"));
    }
    let (mut names, mut left) = (Vec::new(), LARGEST_UNPACKED);
    for at in 0..archive.len() {
        let entry = archive.by_index(at).map_err(|error| broken(&error))?;
        names.push(entry.name().map_err(|error| broken(&error))?.into_owned());
        let mut limited = std::io::Read::take(entry, left + 1);
        let taken = std::io::copy(&mut limited, &mut std::io::sink()).map_err(|error| broken(&error))?;
        if taken > left {
            let most = LARGEST_UNPACKED / (1024 * 1024);
            return Err(unreadable("size", format!("the workbook has more than {most} MB when it is unpacked")));
        }
        left -= taken;
    }
    Ok(names)
}

/// One part of a workbook, whose size [`unpack`] has looked at.
pub(super) fn part(bytes: &[u8], name: &str) -> Result<Vec<u8>, Refusal> {
    let broken = |error: &dyn std::fmt::Display| unreadable("workbook", format!("{name} cannot be read: {error}"));
    let mut archive = zip::ZipArchive::new(std::io::Cursor::new(bytes)).map_err(|error| broken(&error))?;
    let entry = archive.by_name(name).map_err(|error| broken(&error))?;
    let mut content = Vec::new();
    std::io::Read::read_to_end(&mut std::io::Read::take(entry, LARGEST_UNPACKED), &mut content)
        .map_err(|error| broken(&error))?;
    Ok(content)
}

/// The sheet that was asked for, else the first.
pub(super) fn chosen(sheets: &[String], asked: Option<&str>) -> Result<String, Refusal> {
    let asked = asked.map(str::trim).filter(|asked| !asked.is_empty());
    let found = match asked {
        None => sheets.first(),
        Some(name) => sheets.iter().find(|sheet| *sheet == name),
    };
    found.cloned().ok_or_else(|| {
        let message = format!("there is no such sheet; there are {}", sheets.join(", "));
        Refusal::invalid("sheet", "exists", message, asked.unwrap_or_default())
    })
}

/// Delimited text in UTF-8 or UTF-16.
fn text(bytes: &[u8], name: &str, separator: Option<u8>) -> Result<Book, Refusal> {
    let lower = name.to_ascii_lowercase();
    if let Some(end) = [".xlsx", ".xlsm", ".ods", ".xls"].iter().find(|end| lower.ends_with(**end)) {
        return Err(unreadable("workbook", format!("is named {end}, but it is no workbook")));
    }
    let text = ferrotitre_html::form::decoded(bytes).ok_or_else(|| {
        let line = 1 + bytes.iter().take(first_foreign(bytes)).filter(|byte| **byte == b'\n').count();
        unreadable(
            "encoding",
            format!("must be text in UTF-8 or UTF-16, or an .xlsx or .ods workbook; line {line} is neither"),
        )
    })?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    // One end for every line, so that lines are counted as editors count them.
    let text = text.replace("\r\n", "\n").replace('\r', "\n");
    let separator = separator.ok_or_else(|| {
        Refusal::invalid("separator", "required", "say what stands between columns: comma, semicolon or tab", "")
    })?;
    if text.matches('"').count() % 2 == 1 {
        return Err(unreadable("quotes", "a quotation mark is opened and never closed"));
    }
    let mut reader =
        csv::ReaderBuilder::new().delimiter(separator).has_headers(false).flexible(true).from_reader(text.as_bytes());
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| unreadable("csv", error.to_string()))?;
        // The reader's position lies before empty lines that it passes over.
        let (line, byte) = record.position().map_or((0, 0), |at| (at.line(), at.byte()));
        let rest = text.as_bytes().get(usize::try_from(byte).unwrap_or(usize::MAX)..).unwrap_or_default();
        let line = line + rest.iter().map_while(|byte| (*byte == b'\n').then_some(1)).sum::<u64>();
        let cells: Vec<Cell> = record.iter().map(Cell::text).collect();
        keep(&mut rows, u32::try_from(line).unwrap_or(u32::MAX), cells)?;
    }
    Ok(Book { format: Format::Text, sheets: Vec::new(), sheet: String::new(), rows })
}

/// The first byte that no text in UTF-8 has.
fn first_foreign(bytes: &[u8]) -> usize {
    let nul = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
    nul.min(std::str::from_utf8(bytes).map_or_else(|error| error.valid_up_to(), str::len))
}

/// Keeps a row that holds anything, without the empty cells behind its last.
pub(super) fn keep(rows: &mut Vec<Row>, number: u32, mut cells: Vec<Cell>) -> Result<(), Refusal> {
    while cells.last().is_some_and(Cell::is_empty) {
        cells.pop();
    }
    if cells.is_empty() {
        return Ok(());
    }
    if rows.len() >= LAST_ROW {
        return Err(too_many("rows"));
    }
    if cells.len() > MOST_COLUMNS {
        return Err(too_many("columns"));
    }
    rows.push(Row { number, cells });
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rule(bytes: &[u8], name: &str) -> String {
        let refusal = open(bytes, name, None, Some(b';')).unwrap_err();
        refusal.fields.first().map_or_else(|| refusal.code.text().to_owned(), |field| field.rule.clone())
    }

    #[test]
    fn columns_are_named_as_sheets_name_them() {
        for (column, name) in [(0, "A"), (25, "Z"), (26, "AA"), (51, "AZ"), (52, "BA"), (701, "ZZ"), (702, "AAA")] {
            assert_eq!(letters(column), name);
        }
    }

    #[test]
    fn lines_are_counted_as_editors_count_them() {
        let text = "\u{feff}a;b\r\n\r\n1;\"two\nlines\"\r3;;\n;;\n5;x\n";
        let book = open(text.as_bytes(), "a.csv", None, Some(b';')).unwrap();
        let rows: Vec<(u32, usize)> = book.rows.iter().map(|row| (row.number, row.cells.len())).collect();
        assert_eq!(rows, [(1, 2), (3, 2), (5, 1), (7, 2)]);
        assert_eq!(book.place(7, 1), "line 7, column B");
    }

    #[test]
    fn what_is_no_table_is_refused_by_name() {
        assert_eq!(rule(b"", "a.csv"), "empty");
        assert_eq!(rule(b"a;b\n1;\0\n", "a.csv"), "encoding");
        assert_eq!(rule(b"a;b\n1;\xE4\n", "a.csv"), "encoding");
        assert_eq!(rule(b"a;b\n1;\"x\n", "a.csv"), "quotes");
        assert_eq!(rule(b"a;b\n", "a.XLSX"), "workbook");
        assert_eq!(rule(b"PK\x03\x04 and no more", "a.xlsx"), "workbook");
        assert_eq!(rule(&[0xD0, 0xCF, 0x11, 0xE0, 0, 0], "a.xls"), "workbook");
        assert_eq!(rule(&vec![b'x'; LARGEST_FILE + 1], "a.csv"), "too_large");
        assert_eq!(rule(&b"x;".repeat(101), "a.csv"), "size");
        assert_eq!(rule(&b"x\n".repeat(LAST_ROW + 1), "a.csv"), "size");
        assert_eq!(open(b"a", "a.csv", None, None).unwrap_err().fields[0].field, "separator");
    }
}
