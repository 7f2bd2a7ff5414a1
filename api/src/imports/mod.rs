//! Tables from elsewhere: one declared convention for a file, every wrong cell named, all of it or nothing.

pub(crate) mod pages;
pub(crate) mod store;
pub(crate) mod table;

use serde::Deserialize;
use utoipa::ToSchema;

/// A file as sent. What its marks mean is declared and never guessed: 1,234 can be two different numbers.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewImport {
    /// Name of the file.
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
