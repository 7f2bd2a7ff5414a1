//! What is recorded of a reading keeps which reading it was, if it is the value that was read.

use chrono::DateTime;
use ferrotitre_base::db::{Act, Connection};
use ferrotitre_base::ids::{InstrumentReadingId, ReadingUseId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use uuid::Uuid;

use crate::instrument_readings::store::{self, UseRow};
use crate::instrument_readings::wire::Accepted;

/// A value of a record, and what it was measured with.
#[derive(Debug)]
pub struct Measured<'a> {
    pub field: String,
    pub equipment: Uuid,
    pub value: &'a Decimal,
}

impl<'a> Measured<'a> {
    /// The readings of a burette.
    pub fn burette(equipment: Uuid, initial: &'a [Decimal], last: &'a [Decimal]) -> Vec<Self> {
        let named = |name: &'static str, values: &'a [Decimal]| {
            let of = move |(index, value)| Self { field: format!("{name}[{index}]"), equipment, value };
            values.iter().enumerate().map(of)
        };
        named("initial_readings", initial).chain(named("final_readings", last)).collect()
    }
}

/// A record that is being made.
#[derive(Debug, Clone, Copy)]
pub struct Made {
    /// Name of its table.
    pub table: &'static str,
    /// The row; of a thing with versions, this version.
    pub row: Uuid,
    /// The thing in all its versions.
    pub record: Uuid,
}

/// Notes which readings a record was made of. A value that differs from the reading, or was measured with something else, was entered
/// by hand, and nothing is noted of it.
///
/// # Errors
/// The field `accepted`: a value that the record has not, a reading that is unknown, named twice, or was accepted before.
pub async fn note(
    connection: &Connection,
    act: &Act,
    made: Made,
    accepted: &[Accepted],
    measured: &[Measured<'_>],
) -> Result<(), Refusal> {
    if accepted.is_empty() {
        return Ok(());
    }
    let ids: Vec<Uuid> = accepted.iter().map(|one| one.reading).collect();
    let known: Vec<InstrumentReadingId> = ids.iter().copied().map(InstrumentReadingId).collect();
    let (rows, used) = futures_util::try_join!(store::many(connection, &ids), store::uses_of(connection, &known))?;
    let mut uses = Vec::new();
    for (index, one) in accepted.iter().enumerate() {
        let at = format!("accepted[{index}].reading");
        let Some(value) = measured.iter().find(|value| value.field == one.field) else {
            let names: Vec<&str> = measured.iter().map(|value| value.field.as_str()).collect();
            let message = format!("must be one of {}", names.join(", "));
            return Err(Refusal::invalid(&format!("accepted[{index}].field"), "one_of", message, &one.field));
        };
        let Some(row) = rows.iter().find(|row| row.id.0 == one.reading) else {
            let detail = format!("no instrument sent a reading {}", one.reading);
            return Err(Refusal::new(Code::UnknownReference, detail).at(&at, "exists", one.reading));
        };
        if accepted[..index].iter().any(|other| other.reading == one.reading || other.field == one.field) {
            return Err(Refusal::invalid(
                &at,
                "once",
                "a reading is accepted for one value, and a value has one",
                one.reading,
            ));
        }
        if used.iter().any(|other| other.reading_id == row.id) {
            let detail = format!("the reading {} {} was accepted for another record", row.value, row.unit);
            return Err(Refusal::new(Code::StateConflict, detail).at(&at, "unused", one.reading));
        }
        if row.equipment_id == value.equipment && row.value == *value.value {
            uses.push(UseRow {
                id: ReadingUseId::new(),
                reading_id: row.id,
                entity_kind: made.table.to_owned(),
                entity_id: made.row,
                record_id: made.record,
                field: one.field.clone(),
                recorded_at: DateTime::UNIX_EPOCH,
                recorded_by: author(act)?,
            });
        }
    }
    if uses.is_empty() { Ok(()) } else { store::insert_uses(connection, &uses).await }
}
