//! Sheets of a workbook: cells by their kind, and a digest over all that they hold.

use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, Formula, Workbook, Worksheet, XlsxError};
use sha2::{Digest, Sha256};

use crate::refusal::Refusal;

/// A cell.
#[derive(Debug, Clone)]
pub(super) enum Cell {
    /// Nothing.
    Empty,
    /// Heading of a column.
    Head(&'static str),
    /// Text; never read as a formula, whatever it begins with.
    Text(String),
    /// A number at full precision.
    Number(f64),
    /// A number that a reader of the workbook may change.
    Entered(f64),
    /// A formula, protected. Its value is left out, so that every program computes it when it opens the file.
    Formula(String),
}

impl Cell {
    pub(super) fn text(text: impl Into<String>) -> Self {
        Self::Text(text.into())
    }

    pub(super) fn number(value: Option<f64>) -> Self {
        value.map_or(Self::Empty, Self::Number)
    }

    /// As one line of the text that the digest is made of.
    fn line(&self) -> String {
        match self {
            Self::Empty => String::new(),
            Self::Head(text) => format!("s{text}"),
            Self::Text(text) => format!("s{}", text.replace(['\t', '\n'], " ")),
            Self::Number(value) | Self::Entered(value) => format!("n{value}"),
            Self::Formula(formula) => format!("f{formula}"),
        }
    }
}

/// A workbook that grows sheet by sheet.
pub(super) struct Book {
    workbook: Workbook,
    content: Sha256,
}

/// A finished workbook.
pub(crate) struct Finished {
    pub(crate) bytes: Vec<u8>,
    /// SHA-256 over the cells of all sheets but those left out, hexadecimal.
    pub(crate) digest: String,
}

/// Widest column that is still comfortable, in characters.
const WIDEST: usize = 48;

fn broken(error: XlsxError) -> Refusal {
    Refusal::internal(error)
}

impl Book {
    /// An empty workbook.
    pub(super) fn new(title: &str) -> Result<Self, Refusal> {
        let mut workbook = Workbook::new();
        // The file itself is the same whenever it is made; times stand on the sheet "About".
        let created = ExcelDateTime::from_ymd(2000, 1, 1).map_err(broken)?;
        workbook.set_properties(&DocProperties::new().set_title(title).set_creation_datetime(&created));
        Ok(Self { workbook, content: Sha256::new() })
    }

    /// Adds a protected sheet; only entered cells can be changed. One that is not counted stays out of the digest.
    pub(super) fn sheet(&mut self, name: &str, rows: &[Vec<Cell>], counted: bool) -> Result<(), Refusal> {
        if counted {
            self.content.update(format!("sheet {name}\n").as_bytes());
            for row in rows {
                let line: Vec<String> = row.iter().map(Cell::line).collect();
                self.content.update(format!("{}\n", line.join("\t")).as_bytes());
            }
        }
        write(self.workbook.add_worksheet(), name, rows).map_err(broken)
    }

    /// The file.
    pub(super) fn finish(mut self) -> Result<Finished, Refusal> {
        let bytes = self.workbook.save_to_buffer().map_err(broken)?;
        Ok(Finished { bytes, digest: hex::encode(self.content.finalize()) })
    }
}

fn write(sheet: &mut Worksheet, name: &str, rows: &[Vec<Cell>]) -> Result<(), XlsxError> {
    let head = Format::new().set_bold();
    let entered = Format::new().set_unlocked().set_background_color("FFF2CC");
    sheet.set_name(name)?;
    sheet.set_formula_result_default("");
    let mut widths: Vec<usize> = Vec::new();
    for (row, cells) in (0u32..).zip(rows) {
        for (column, cell) in (0u16..).zip(cells) {
            let width = match cell {
                Cell::Empty => 0,
                Cell::Head(text) => {
                    sheet.write_string_with_format(row, column, *text, &head)?;
                    text.len()
                }
                Cell::Text(text) => {
                    // A cell of a spreadsheet holds at most 32767 characters.
                    let text: String = text.chars().take(32_000).collect();
                    let width = text.chars().count();
                    sheet.write_string(row, column, text)?;
                    width
                }
                Cell::Number(value) => {
                    sheet.write_number(row, column, *value)?;
                    12
                }
                Cell::Entered(value) => {
                    sheet.write_number_with_format(row, column, *value, &entered)?;
                    12
                }
                Cell::Formula(formula) => {
                    sheet.write_formula(row, column, Formula::new(formula))?;
                    14
                }
            };
            let column = usize::from(column);
            widths.resize(widths.len().max(column + 1), 0);
            widths[column] = widths[column].max(width);
        }
    }
    for (column, width) in (0u16..).zip(widths) {
        let width = u16::try_from(width.clamp(6, WIDEST) + 2).unwrap_or(10);
        sheet.set_column_width(column, width)?;
    }
    sheet.protect();
    Ok(())
}
