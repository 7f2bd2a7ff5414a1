//! Lists of what a laboratory has: samples, equipment, calibrations, lots of primary standards and of reagents, from workbooks and
//! text with columns of the laboratory's own.
//!
//! How files are read is in [`ferrotitre_ledger::imports::tables`]; here is what their rows become. Each kind has operations and a
//! page of its own, so that the guard asks for what recording one of them asks for.

mod equipment;
mod handlers;
mod lots;
pub mod pages;
mod samples;

use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::mount::{Describe, Mount};
use ferrotitre_ledger::imports::tables::template::{self, Download, TemplateForm};
use ferrotitre_ledger::imports::tables::{TableKind, Wrong};

use self::equipment::{Calibrations, Equipment};
use self::lots::{PrimaryStandards, Reagents};
use self::samples::Samples;

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::list_import_tables)
        .service(handlers::read_import_table_template)
        .service(handlers::preview_samples)
        .service(handlers::import_samples)
        .service(handlers::preview_equipment)
        .service(handlers::import_equipment)
        .service(handlers::preview_calibrations)
        .service(handlers::import_calibrations)
        .service(handlers::preview_primary_standards)
        .service(handlers::import_primary_standards)
        .service(handlers::preview_reagents)
        .service(handlers::import_reagents);
}

/// What can be imported.
fn kinds() -> Vec<TableKind> {
    vec![
        TableKind::of(&Samples),
        TableKind::of(&Equipment),
        TableKind::of(&Calibrations),
        TableKind::of(&PrimaryStandards),
        TableKind::of(&Reagents),
    ]
}

/// The template of a table.
fn template(table: &str, asked: &TemplateForm) -> Result<Download, Refusal> {
    match table {
        "samples" => template::of(&Samples, asked),
        "equipment" => template::of(&Equipment, asked),
        "calibrations" => template::of(&Calibrations, asked),
        "primary-standards" => template::of(&PrimaryStandards, asked),
        "reagents" => template::of(&Reagents, asked),
        other => Err(Refusal::not_found("table to be imported", other)),
    }
}

/// Codes that two rows have, or something that is there already.
async fn doubled(
    codes: &[(u32, &str)],
    path: &str,
    wrong: &mut Wrong,
    taken: impl AsyncFnOnce(&[String]) -> Result<Vec<String>, Refusal>,
) -> Result<(), Refusal> {
    let mut first = std::collections::HashMap::new();
    for (number, code) in codes {
        if let Some(before) = first.insert(*code, *number) {
            wrong.field(*number, path, "doubled", &format!("stands in row {before}, too"), code);
            first.insert(*code, before);
        }
    }
    let all: Vec<String> = codes.iter().map(|(_, code)| (*code).to_owned()).collect();
    let taken: std::collections::HashSet<String> = taken(&all).await?.into_iter().collect();
    for (number, code) in codes.iter().filter(|(_, code)| taken.contains(*code)) {
        wrong.taken(*number, path, "is taken: there is one with this code", code);
    }
    Ok(())
}

/// A refusal about what stands below another place in a row's JSON.
fn below(place: &str, mut refusal: Refusal) -> Refusal {
    for wrong in &mut refusal.fields {
        wrong.field = format!("{place}.{}", wrong.field);
    }
    refusal
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_needed_column_has_an_example_and_a_heading_of_its_own() {
        for kind in kinds() {
            for (at, column) in kind.columns.iter().enumerate() {
                let of = format!("{} {}", kind.table, column.field);
                assert!(!column.required || !column.example.is_empty(), "{of}");
                let others = kind.columns.iter().skip(at + 1);
                let same = others.filter(|other| {
                    other.field == column.field || other.heading.to_lowercase() == column.heading.to_lowercase()
                });
                assert_eq!(same.count(), 0, "{of}");
            }
        }
    }
}
