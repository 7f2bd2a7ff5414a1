//! Tables of what a laboratory has, from workbooks and text with columns of its own.
//!
//! What can be imported is described once ([`Importable`]): its columns, from which templates, the mapping and the preview are
//! made, the rules of a row, and how rows are recorded. A cell is named as the sheet names it; one wrong cell, and nothing is
//! recorded.

pub mod book;
mod cell;
mod handlers;
mod mapping;
mod ods;
pub mod pages;
pub mod service;
pub mod store;
pub mod template;
mod wrong;
mod xlsx;

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Act, Connection};
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::mount::{Describe, Mount};
use ferrotitre_html::form::{Field, Kind};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

pub use cell::{Dates, Marks};
pub use wrong::Wrong;

/// Mounts what is the same for every table.
pub(super) fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::list_imported_tables)
        .service(handlers::read_imported_table)
        .service(handlers::read_imported_table_file);
}

/// A column of a table that can be imported.
#[derive(Debug, Clone)]
pub struct Column {
    /// Name in the mapping.
    pub key: String,
    /// Where its value goes in the row's JSON.
    pub path: String,
    /// Heading in the template.
    pub heading: String,
    /// What stands in it.
    pub kind: Kind,
    /// Several of it in one cell, with semicolons between them.
    pub several: bool,
    /// Whether every row needs it.
    pub required: bool,
    /// More words.
    pub help: String,
    /// An example.
    pub example: &'static str,
}

impl Column {
    /// The column of a form's field. What a form fills in with the present moment is asked for here: the past has its own time.
    pub fn of(field: Field, example: &'static str) -> Self {
        let now = matches!(field.kind, Kind::Time { now: true });
        Self {
            key: field.name.rsplit('.').next().unwrap_or_default().to_owned(),
            path: field.name,
            heading: field.label,
            required: field.required || now,
            help: if now { String::new() } else { field.help },
            kind: field.kind,
            several: false,
            example,
        }
    }

    /// Columns of the fields of a form, with their examples in the same order.
    pub fn all(fields: Vec<Field>, examples: &[&'static str]) -> Vec<Self> {
        let examples = examples.iter().copied().chain(std::iter::repeat(""));
        fields.into_iter().zip(examples).map(|(field, example)| Self::of(field, example)).collect()
    }

    /// Below another place in the row's JSON.
    pub fn under(self, place: &str) -> Self {
        Self { path: format!("{place}.{}", self.path), ..self }
    }

    /// With several values in one cell.
    pub fn several(self) -> Self {
        Self { several: true, ..self }
    }

    /// What stands in it, in words.
    pub fn holds(&self) -> String {
        match &self.kind {
            Kind::Decimal if self.several => "numbers with semicolons between them".to_owned(),
            Kind::Decimal => "number".to_owned(),
            Kind::Whole => "whole number".to_owned(),
            Kind::Day => "day".to_owned(),
            Kind::Time { .. } => "day, with or without a time".to_owned(),
            Kind::YesNo => "yes or no".to_owned(),
            Kind::Choice(choices) | Kind::List(choices) | Kind::Thing(choices) => {
                let words: Vec<&str> = choices.iter().map(|choice| choice.code.as_str()).collect();
                words.join(", ")
            }
            _ => "text".to_owned(),
        }
    }
}

/// A row with where it stands in the file.
#[derive(Debug, Clone)]
pub struct Placed<R> {
    /// Row of the sheet or line of the text, from 1.
    pub number: u32,
    /// What it says.
    pub row: R,
}

/// A table that can be imported.
pub trait Importable {
    /// A row as the API takes one record.
    type Row: DeserializeOwned + Send + 'static;

    /// What its rows become, as stored and in addresses.
    fn table(&self) -> &'static str;

    /// What the rows belong to, where they belong to one thing.
    fn subject(&self) -> Option<Uuid> {
        None
    }

    /// Columns in the order of the template.
    fn columns(&self) -> Vec<Column>;

    /// Rules of a row by itself: those that the record has when it is entered alone.
    ///
    /// # Errors
    /// Fields by their paths.
    fn check(&self, row: &Self::Row) -> Result<(), Refusal>;

    /// By what rows are recorded, so that history lies in its own order.
    fn order(&self, row: &Self::Row) -> DateTime<Utc>;

    /// Keeps others from changing what [`Importable::against`] looks at, until the transaction ends; nothing where the store itself
    /// refuses what is doubled.
    fn hold(&self, _connection: &Connection) -> impl Future<Output = Result<(), Refusal>> {
        std::future::ready(Ok(()))
    }

    /// What the store and the other rows have against rows.
    fn against(
        &self,
        connection: &Connection,
        rows: &[Placed<Self::Row>],
        wrong: &mut Wrong,
    ) -> impl Future<Output = Result<(), Refusal>>;

    /// Records rows in their natural order; answers with what each became.
    fn record(
        &self,
        connection: &Connection,
        act: &Act,
        rows: Vec<Placed<Self::Row>>,
        source: &Source,
    ) -> impl Future<Output = Result<Vec<Became>, Refusal>>;
}

/// Where rows come from.
#[derive(Debug, Clone)]
pub struct Source {
    /// Name of the file.
    pub file_name: String,
    /// SHA-256 of its bytes.
    pub digest: String,
}

/// What a row became.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Became {
    /// Row of the sheet or line of the text, from 1.
    #[schema(example = 17)]
    pub row: u32,
    /// The record.
    pub id: Uuid,
}

/// A file and how it is to be read. What its marks mean is declared and never guessed.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTable {
    /// Name of the file.
    #[serde(default)]
    #[schema(example = "samples 2025.ods")]
    pub file_name: String,
    /// The file as base64 (RFC 4648): an .xlsx or .ods workbook, or text in UTF-8 or UTF-16; at most 10 MiB.
    #[schema(example = "Q29kZTtNYXRyaXgK")]
    pub content: String,
    /// Name of the sheet; the first if absent. Not of a text.
    pub sheet: Option<String>,
    /// What stands between the columns of a text: comma, semicolon or tab.
    #[schema(example = "semicolon")]
    pub separator: Option<String>,
    /// Decimal mark of numbers that are text: point or comma.
    #[schema(example = "comma")]
    pub decimal_mark: String,
    /// How days are written that are text: YYYY-MM-DD, DD.MM.YYYY, DD/MM/YYYY or MM/DD/YYYY, with or without a time behind.
    #[schema(example = "DD.MM.YYYY")]
    pub date_format: String,
    /// Row of the headings; the first that holds anything if absent.
    #[schema(example = 1)]
    pub heading_row: Option<u32>,
    /// Heading of the file's column for every field, by the field's name. Absent: columns go by equal headings. A field that is not
    /// named is not in the file.
    #[schema(example = json!({ "code": "Our number", "matrix": "Bath" }))]
    pub columns: Option<BTreeMap<String, String>>,
    /// What stands in every row for a field that has no column, written as a cell would be.
    #[serde(default)]
    #[schema(example = json!({ "container": "bottle" }))]
    pub same: BTreeMap<String, String>,
}

/// A column of the file and what it is taken for.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct Heading {
    /// Its letter.
    #[schema(example = "D")]
    pub column: String,
    /// Its heading.
    #[schema(example = "Our number")]
    pub heading: String,
    /// Fields that it is taken for; none if it is not read.
    pub fields: Vec<String>,
}

/// A row as it was read.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReadTableRow {
    /// Row of the sheet or line of the text.
    #[schema(example = 2)]
    pub row: u32,
    /// Values by their fields.
    #[schema(example = json!({ "code": "S-2026-0101" }))]
    pub values: BTreeMap<String, String>,
}

/// What a file holds, or has become.
#[derive(Debug, Serialize, ToSchema)]
pub struct TableView {
    /// The kept file; absent in a preview.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<Uuid>,
    /// Server time of the import; absent in a preview.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded_at: Option<DateTime<Utc>>,
    /// What the rows become.
    #[schema(example = "samples")]
    pub table: &'static str,
    /// Name of the file.
    pub file_name: String,
    /// xlsx, ods or text.
    #[schema(example = "ods")]
    pub format: &'static str,
    /// SHA-256 of its bytes.
    pub digest: String,
    /// Names of its sheets; of a text none.
    pub sheets: Vec<String>,
    /// The sheet that was read; of a text empty.
    pub sheet: String,
    /// Columns of the file.
    pub headings: Vec<Heading>,
    /// Number of rows that become records.
    #[schema(example = 412)]
    pub records: usize,
    /// The first rows as they were read.
    pub sample: Vec<ReadTableRow>,
}

impl Located for TableView {
    fn location(&self) -> String {
        format!("/api/v1/imported-tables/{}", self.id.unwrap_or_default())
    }
}

/// How a table was read, kept beside the file.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct Reading {
    /// The sheet that was read; of a text empty.
    pub sheet: String,
    /// What stood between the columns of a text.
    pub separator: Option<String>,
    /// Decimal mark, as declared.
    pub decimal_mark: String,
    /// How days were written, as declared.
    pub date_format: String,
    /// Columns of the file.
    pub headings: Vec<Heading>,
    /// What stood in every row.
    pub same: BTreeMap<String, String>,
}

/// A table whose rows became records, kept as it came.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ImportedTable {
    /// Identity.
    pub id: Uuid,
    /// What its rows became.
    #[schema(example = "samples")]
    pub table: String,
    /// What they belong to, where they belong to one thing.
    pub subject: Option<Uuid>,
    /// Name of the file.
    pub file_name: String,
    /// xlsx, ods or text.
    pub format: String,
    /// SHA-256 of its bytes.
    pub digest: String,
    /// Number of rows that became records.
    pub records: i32,
    /// How it was read.
    pub reading: Reading,
    /// Server time of the import.
    pub recorded_at: DateTime<Utc>,
    /// Who imported it.
    pub recorded_by: AccountId,
    /// What every row became; not in lists.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub became: Option<Vec<Became>>,
}

/// A column as the API describes it.
#[derive(Debug, Serialize, ToSchema)]
pub struct ColumnView {
    /// Name in the mapping.
    #[schema(example = "code")]
    pub field: String,
    /// Heading in the template.
    #[schema(example = "Code on the label")]
    pub heading: String,
    /// What stands in it.
    #[schema(example = "text")]
    pub holds: String,
    /// Whether every row needs it.
    pub required: bool,
    /// More words.
    pub help: String,
    /// An example.
    #[schema(example = "S-2026-0101")]
    pub example: &'static str,
}

impl From<Column> for ColumnView {
    fn from(column: Column) -> Self {
        Self {
            holds: column.holds(),
            field: column.key,
            heading: column.heading,
            required: column.required,
            help: column.help,
            example: column.example,
        }
    }
}

/// A table that can be imported, with its columns.
#[derive(Debug, Serialize, ToSchema)]
pub struct TableKind {
    /// What its rows become, as in the address of its import.
    #[schema(example = "samples")]
    pub table: &'static str,
    /// Columns in the order of the template.
    pub columns: Vec<ColumnView>,
}

impl TableKind {
    /// The description of a table.
    pub fn of(table: &impl Importable) -> Self {
        Self { table: table.table(), columns: table.columns().into_iter().map(ColumnView::from).collect() }
    }
}
