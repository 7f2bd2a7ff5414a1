//! What pages of imports share.

use crate::pages::sheet::{Cell, Part, Section, Table};
use crate::refusal::Refusal;

/// Wrong cells of a file, one a line; empty if the refusal is about something else.
pub(crate) fn wrong_cells(refusal: &Refusal) -> Vec<Section> {
    if refusal.fields.is_empty() {
        return Vec::new();
    }
    let row = |wrong: &crate::refusal::FieldError| {
        vec![
            Cell::text(wrong.field.clone()),
            Cell::text(wrong.value.clone()),
            Cell::text(wrong.message.clone()),
            Cell::text(wrong.rule.clone()),
        ]
    };
    let table = Table {
        columns: vec!["Where", "Found", "What is wrong", "Rule"],
        rows: refusal.fields.iter().map(row).collect(),
        ..Table::default()
    };
    vec![Section::new("wrong", "Wrong cells; nothing is stored", Part::Table(table))]
}
