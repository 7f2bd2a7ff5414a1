//! Tables to fill in: a workbook with a sheet that says what stands where, or text.

use actix_web::body::BoxBody;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::{HttpRequest, HttpResponse, Responder};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_html::form::Kind;
use rust_xlsxwriter::{Format, Workbook, XlsxError};
use serde::Deserialize;
use utoipa::IntoParams;

use super::{Column, Importable, mapping};

/// In which form.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct TemplateForm {
    /// xlsx or csv; xlsx if not given.
    pub format: Option<String>,
    /// What stands between the columns of a csv: comma, semicolon or tab; semicolon if not given.
    pub separator: Option<String>,
}

/// A file to be kept by whoever asks.
#[derive(Debug)]
pub struct Download {
    /// Its name.
    pub name: String,
    /// What it is.
    pub content_type: &'static str,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

impl Responder for Download {
    type Body = BoxBody;

    fn respond_to(self, _: &HttpRequest) -> HttpResponse {
        let plain = |c: char| if c.is_ascii_alphanumeric() || ".-_".contains(c) { c } else { '-' };
        let name: String = self.name.chars().map(plain).collect();
        HttpResponse::Ok()
            .insert_header((CONTENT_TYPE, self.content_type))
            .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")))
            .body(self.bytes)
    }
}

/// Workbooks of Office Open XML.
const XLSX: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";

/// The template of a table.
///
/// # Errors
/// A form or separator that there is not.
pub fn of(table: &impl Importable, asked: &TemplateForm) -> Result<Download, Refusal> {
    let name = format!("{}-template", table.table());
    match asked.format.as_deref().unwrap_or("xlsx") {
        "xlsx" => {
            let bytes = workbook(table.table(), &table.columns()).map_err(Refusal::internal)?;
            Ok(Download { name: format!("{name}.xlsx"), content_type: XLSX, bytes })
        }
        "csv" => {
            let separator = mapping::separator(asked.separator.as_deref())?.unwrap_or(b';');
            let bytes = text(&table.columns(), separator)?;
            Ok(Download { name: format!("{name}.csv"), content_type: "text/csv; charset=utf-8", bytes })
        }
        other => Err(Refusal::invalid("format", "one_of", "must be xlsx or csv", other)),
    }
}

fn text(columns: &[Column], separator: u8) -> Result<Vec<u8>, Refusal> {
    let mut writer = csv::WriterBuilder::new().delimiter(separator).from_writer(Vec::new());
    writer.write_record(columns.iter().map(|column| &column.heading)).map_err(Refusal::internal)?;
    let line = writer.into_inner().map_err(|error| Refusal::internal(error.into_error()))?;
    // The mark of UTF-8, without which spreadsheets take it for something older.
    Ok([b"\xEF\xBB\xBF".to_vec(), line].concat())
}

fn workbook(title: &str, columns: &[Column]) -> Result<Vec<u8>, XlsxError> {
    let mut workbook = Workbook::new();
    let head = Format::new().set_bold();
    // Of text a sheet keeps every character, so that 23.10 stays 23.10 and a code is not taken for a day.
    let (text, day) = (Format::new().set_num_format("@"), Format::new().set_num_format("yyyy-mm-dd"));
    let time = Format::new().set_num_format("yyyy-mm-dd hh:mm");
    let sheet = workbook.add_worksheet();
    sheet.set_name(title)?;
    for (at, column) in (0u16..).zip(columns) {
        sheet.write_string_with_format(0, at, &column.heading, &head)?;
        sheet.set_column_width(at, u16::try_from(column.heading.chars().count().clamp(10, 40) + 2).unwrap_or(12))?;
        let format = match column.kind {
            Kind::Day => &day,
            Kind::Time { .. } => &time,
            _ => &text,
        };
        sheet.set_column_format(at, format)?;
    }
    sheet.set_freeze_panes(1, 0)?;
    let sheet = workbook.add_worksheet();
    sheet.set_name("columns")?;
    for (at, heading) in (0u16..).zip(["Heading", "Required", "Holds", "More", "Example"]) {
        sheet.write_string_with_format(0, at, heading, &head)?;
        sheet.set_column_width(at, if at == 1 { 8 } else { 40 })?;
    }
    for (row, column) in (1u32..).zip(columns) {
        let needed = if column.required { "yes" } else { "" };
        let holds = column.holds();
        for (at, cell) in (0u16..).zip([&column.heading, needed, &holds, &column.help, column.example]) {
            sheet.write_string(row, at, cell)?;
        }
    }
    workbook.save_to_buffer()
}
