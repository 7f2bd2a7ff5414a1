//! Sheets of a workbook: cells by their kind, and a digest over all that they hold.

use ferrotitre_base::refusal::Refusal;
use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, Formula, Workbook, Worksheet, XlsxError};
use sha2::{Digest, Sha256};

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

/// A workbook that grows sheet by sheet, row by row.
pub(super) struct Book {
    workbook: Workbook,
    content: Sha256,
    head: Format,
    entered: Format,
    sheet: Begun,
}

/// The sheet in hand.
#[derive(Default)]
struct Begun {
    /// Which of the workbook.
    index: usize,
    rows: u32,
    /// Widest cell of every column, in characters.
    widths: Vec<usize>,
    /// Whether it belongs to the digest.
    counted: bool,
}

/// A finished workbook.
pub struct Finished {
    pub bytes: Vec<u8>,
    /// SHA-256 over the cells of all sheets but those left out, hexadecimal.
    pub digest: String,
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
        let (head, entered) = (Format::new().set_bold(), Format::new().set_unlocked().set_background_color("FFF2CC"));
        Ok(Self { workbook, content: Sha256::new(), head, entered, sheet: Begun::default() })
    }

    /// Adds a protected sheet; only entered cells can be changed. One that is not counted stays out of the digest.
    pub(super) fn sheet(&mut self, name: &str, rows: &[Vec<Cell>], counted: bool) -> Result<(), Refusal> {
        self.begin(name, counted)?;
        for row in rows {
            self.row(row)?;
        }
        self.end()
    }

    /// Begins a sheet. Its rows go to disk as they come; only the current one is held.
    pub(super) fn begin(&mut self, name: &str, counted: bool) -> Result<(), Refusal> {
        if counted {
            self.content.update(format!("sheet {name}\n").as_bytes());
        }
        self.sheet = Begun { index: self.workbook.worksheets().len(), counted, ..Begun::default() };
        let sheet = self.workbook.add_worksheet_with_constant_memory().map_err(broken)?;
        sheet.set_name(name).map_err(broken)?;
        sheet.set_formula_result_default("");
        Ok(())
    }

    /// Adds a row to the sheet in hand.
    pub(super) fn row(&mut self, cells: &[Cell]) -> Result<(), Refusal> {
        if self.sheet.counted {
            let line: Vec<String> = cells.iter().map(Cell::line).collect();
            self.content.update(format!("{}\n", line.join("\t")).as_bytes());
        }
        self.sheet.widths.resize(self.sheet.widths.len().max(cells.len()), 0);
        let formats = (&self.head, &self.entered);
        let sheet = self.workbook.worksheet_from_index(self.sheet.index).map_err(broken)?;
        for ((column, cell), widest) in (0u16..).zip(cells).zip(&mut self.sheet.widths) {
            *widest = write(sheet, (self.sheet.rows, column), cell, formats).map_err(broken)?.max(*widest);
        }
        self.sheet.rows += 1;
        Ok(())
    }

    /// Number of rows of the sheet in hand.
    pub(super) fn rows(&self) -> usize {
        self.sheet.rows as usize
    }

    /// Ends the sheet in hand.
    pub(super) fn end(&mut self) -> Result<(), Refusal> {
        let sheet = self.workbook.worksheet_from_index(self.sheet.index).map_err(broken)?;
        for (column, width) in (0u16..).zip(&self.sheet.widths) {
            let width = u16::try_from((*width).clamp(6, WIDEST) + 2).unwrap_or(10);
            sheet.set_column_width(column, width).map_err(broken)?;
        }
        sheet.protect();
        Ok(())
    }

    /// The file.
    pub(super) fn finish(mut self) -> Result<Finished, Refusal> {
        let bytes = self.workbook.save_to_buffer().map_err(broken)?;
        Ok(Finished { bytes, digest: hex::encode(self.content.finalize()) })
    }
}

/// Writes a cell; returns how many characters wide it is.
fn write(
    sheet: &mut Worksheet,
    (row, column): (u32, u16),
    cell: &Cell,
    (head, entered): (&Format, &Format),
) -> Result<usize, XlsxError> {
    Ok(match cell {
        Cell::Empty => 0,
        Cell::Head(text) => {
            sheet.write_string_with_format(row, column, *text, head)?;
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
            sheet.write_number_with_format(row, column, *value, entered)?;
            12
        }
        Cell::Formula(formula) => {
            sheet.write_formula(row, column, Formula::new(formula))?;
            14
        }
    })
}
