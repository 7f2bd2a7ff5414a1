//! Tables from elsewhere: one declared convention for a file, every wrong cell named, all of it or nothing.

mod handlers;
pub mod pages;
pub mod service;
pub mod store;
pub mod table;
pub mod tables;

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::web::mount::{Describe, Mount};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount.service(handlers::list_imports).service(handlers::read_import);
    tables::routes(mount);
}

/// A file as sent. What its marks mean is declared and never guessed: 1,234 can be two different numbers.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewImport {
    /// Name of the file; a table that was pasted has none.
    #[serde(default = "nameless")]
    #[schema(example = "bath control 2025.csv")]
    pub file_name: String,
    /// point or comma.
    #[schema(example = "comma")]
    pub decimal_mark: String,
    /// comma, semicolon or tab.
    #[schema(example = "semicolon")]
    pub separator: String,
    /// The file's text, with its version line and its header.
    #[schema(
        example = "ferrotitre control values 1\nobserved_at;value [g/L];note\n2025-03-04T08:30:00+01:00;118,2;\n"
    )]
    pub text: String,
}

fn nameless() -> String {
    "a table without a name".to_owned()
}

/// A file whose rows became records, kept as it came.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ImportedFile {
    /// Identity.
    pub id: Uuid,
    /// What its rows became: control values or validation data.
    #[schema(example = "control values")]
    pub purpose: String,
    /// What they belong to: the chart or the characteristic.
    pub subject: Uuid,
    /// Name of the file.
    pub file_name: String,
    /// Decimal mark, as declared.
    pub decimal_mark: String,
    /// Separator of the columns, as declared.
    pub separator: String,
    /// SHA-256 of its text.
    pub digest: String,
    /// Number of records made of it.
    pub records: i32,
    /// Server time of the import.
    pub recorded_at: DateTime<Utc>,
    /// Who imported it.
    pub recorded_by: AccountId,
    /// Its text as it came; not in lists.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
}
