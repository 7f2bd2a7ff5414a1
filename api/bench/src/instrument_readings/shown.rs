//! Which values of a record came from an instrument, for the record's page.

use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_html::sheet::{Cell, Part, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use crate::instrument_readings::service;
use crate::instrument_readings::uses::Measured;

/// A version of a record with its values.
#[derive(Debug)]
pub struct Recorded<'a> {
    pub row: Uuid,
    pub record: Uuid,
    /// What people call it.
    pub name: String,
    /// Whether no later version takes its place.
    pub newest: bool,
    pub measured: Vec<Measured<'a>>,
}

/// The name of a value in words.
pub fn field_words(field: &str) -> String {
    let (name, index) = match field.split_once('[') {
        Some((name, index)) => (name, index.trim_end_matches(']').parse().unwrap_or(0)),
        None => (field, 0_usize),
    };
    let name = match name {
        "mass_g" => "mass",
        "initial_readings" => "initial reading",
        "final_readings" => "final reading",
        other => other,
    };
    if index == 0 { name.to_owned() } else { format!("{name}, filling {}", index + 1) }
}

/// What a record is, by the name of its table.
pub fn record_words(table: &str) -> &str {
    match table {
        "titrations" => "titration",
        "standardisation_titrations" => "titration of a standardisation",
        "titrant_preparations" => "preparation of a titrant",
        "test_portions" => "test portion",
        "blanks" => "blank",
        other => other,
    }
}

/// The readings behind some records; none where nothing of them came from an instrument.
pub async fn part(shell: &Shell, db: &Db, recorded: &[Recorded<'_>]) -> Result<Option<Part>, Refusal> {
    let mut records: Vec<Uuid> = recorded.iter().map(|one| one.record).collect();
    records.sort();
    records.dedup();
    let found = service::accepted_for(db, &records).await?;
    if found.is_empty() {
        return Ok(None);
    }
    let people = found.iter().flat_map(|(used, reading)| [used.recorded_by.0, reading.recorded_by.0]);
    let people = accounts::names(db, &people.collect::<Vec<_>>()).await?;
    let person = |id: Uuid| people.get(&id).cloned().unwrap_or_default();
    let rows = found.iter().map(|(used, reading)| {
        let version = recorded.iter().find(|one| one.row == used.entity_id);
        let name = version.map(|one| format!("{}, ", one.name)).unwrap_or_default();
        let present = recorded.iter().find(|one| one.record == used.record_id && one.newest);
        let stands = present.is_none_or(|one| {
            one.measured.iter().any(|value| {
                value.field == used.field && value.equipment == reading.equipment && *value.value == reading.value
            })
        });
        vec![
            Cell::text(format!("{name}{}", field_words(&used.field))),
            Cell::link(
                shell.n(format!("{} {}", reading.value, reading.unit)),
                format!("/instrument-readings/{}", reading.id),
            ),
            Cell::text(reading.equipment_code.clone()),
            Cell::text(reading.raw_line.clone()),
            Cell::text(format!("{}, by {}", show::time(reading.observed_at), person(reading.recorded_by.0))),
            Cell::text(person(used.recorded_by.0)),
            Cell::text(if stands { "" } else { "corrected since, by hand" }),
        ]
    });
    Ok(Some(Part::Table(Table {
        columns: vec!["Value", "Reading", "Instrument", "As printed", "Sent", "Accepted by", ""],
        rows: rows.collect(),
        ..Table::default()
    })))
}
