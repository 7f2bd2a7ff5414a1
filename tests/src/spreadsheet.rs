//! Workbooks as a spreadsheet program computes them: LibreOffice, headless, with a profile of its own.

use std::io::{Cursor, Read, Write};
use std::path::PathBuf;

use calamine::{Data, Reader, Xlsx};
use zip::write::SimpleFileOptions;

/// A workbook that can be read cell by cell.
pub struct Book(Xlsx<Cursor<Vec<u8>>>);

impl Book {
    /// Opens a file.
    #[must_use]
    pub fn open(bytes: Vec<u8>) -> Self {
        Self(Xlsx::new(Cursor::new(bytes)).unwrap())
    }

    /// Names of the sheets, in order.
    #[must_use]
    pub fn sheets(&self) -> Vec<String> {
        self.0.sheet_names()
    }

    /// Cells of a sheet from its first row and column on.
    pub fn rows(&mut self, sheet: &str) -> Vec<Vec<Data>> {
        let range = self.0.worksheet_range(sheet).unwrap();
        let Some((height, width)) = range.end() else { return Vec::new() };
        let cell = |row, column| range.get_value((row, column)).cloned().unwrap_or(Data::Empty);
        (0..=height).map(|row| (0..=width).map(|column| cell(row, column)).collect()).collect()
    }

    /// Formulas of a sheet: row and column from 0, text.
    pub fn formulas(&mut self, sheet: &str) -> Vec<(usize, usize, String)> {
        let range = self.0.worksheet_formula(sheet).unwrap();
        let (top, left) = range.start().unwrap_or((0, 0));
        let used = range.used_cells().filter(|(_, _, formula)| !formula.is_empty());
        used.map(|(row, column, formula)| (row + top as usize, column + left as usize, formula.clone())).collect()
    }
}

/// The number in a cell.
#[must_use]
pub fn number(cell: &Data) -> Option<f64> {
    match cell {
        Data::Float(value) => Some(*value),
        Data::Int(value) => Some(*value as f64),
        _ => None,
    }
}

/// Has LibreOffice open a file and write it in another form: `xlsx` or `ods`. `filter` says how a text is to be understood.
///
/// # Panics
/// If LibreOffice is missing or fails.
pub async fn written_as(name: &str, bytes: &[u8], filter: Option<&str>, to: &str) -> Vec<u8> {
    let folder: PathBuf = std::env::temp_dir().join(format!("ferrotitre-spreadsheet-{}", uuid::Uuid::now_v7()));
    let (from, out) = (folder.join("in"), folder.join("out"));
    std::fs::create_dir_all(&from).unwrap();
    let file = from.join(name);
    std::fs::write(&file, bytes).unwrap();
    let form = if to == "xlsx" { "xlsx:Calc MS Excel 2007 XML" } else { to };
    let mut office = tokio::process::Command::new("soffice");
    office.arg(format!("-env:UserInstallation=file://{}", folder.join("profile").display()));
    office.args(filter.map(|filter| format!("--infilter={filter}")));
    office.args(["--headless", "--norestore", "--convert-to", form, "--outdir"]).arg(&out).arg(&file);
    let output = office.output().await.unwrap();
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    let found = std::fs::read(out.join(format!("{stem}.{to}")));
    let _ = std::fs::remove_dir_all(&folder);
    assert!(output.status.success() && found.is_ok(), "{}", String::from_utf8_lossy(&output.stderr));
    found.unwrap()
}

/// Has LibreOffice open a workbook, compute it and write it again.
///
/// # Panics
/// If LibreOffice is missing or fails.
pub async fn recalculated(bytes: &[u8]) -> Vec<u8> {
    written_as("workbook.xlsx", bytes, None, "xlsx").await
}

/// A text with semicolons as somebody opens it in LibreOffice, where decimals have a comma (German) or a point (English), and saves it.
/// Columns that are named, from 1, stay text.
///
/// # Panics
/// If LibreOffice is missing or fails.
pub async fn opened(text: &str, comma: bool, text_columns: &[usize], to: &str) -> Vec<u8> {
    let columns: Vec<String> = text_columns.iter().map(|column| format!("{column}/2")).collect();
    // Semicolon, quotation mark, UTF-8, from line 1, kinds of columns, language, quoted as text, days and numbers recognised.
    let language = if comma { 1031 } else { 1033 };
    let filter = format!("CSV:59,34,76,1,{},{language},false,true", columns.join("/"));
    written_as("list.csv", text.as_bytes(), Some(&filter), to).await
}

/// The workbook with another number in a cell, as somebody would type it.
#[must_use]
pub fn with_number(bytes: &[u8], sheet_number: usize, cell: &str, number: &str) -> Vec<u8> {
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes.to_vec())).unwrap();
    let mut written = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let wanted = format!("xl/worksheets/sheet{sheet_number}.xml");
    let mut changed = false;
    for at in 0..archive.len() {
        let mut entry = archive.by_index(at).unwrap();
        let name = entry.name().unwrap().into_owned();
        let mut content = Vec::new();
        entry.read_to_end(&mut content).unwrap();
        if name == wanted {
            let text = String::from_utf8(content).unwrap();
            let start = text.find(&format!("<c r=\"{cell}\"")).unwrap();
            let value = start + text[start..].find("<v>").unwrap() + 3;
            let end = value + text[value..].find("</v>").unwrap();
            content = format!("{}{number}{}", &text[..value], &text[end..]).into_bytes();
            changed = true;
        }
        written.start_file(name, SimpleFileOptions::default()).unwrap();
        written.write_all(&content).unwrap();
    }
    assert!(changed, "no sheet {sheet_number}");
    written.finish().unwrap().into_inner()
}
