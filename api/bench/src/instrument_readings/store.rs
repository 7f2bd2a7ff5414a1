//! Tables of readings of instruments and of what they were accepted for.

use chrono::{DateTime, Utc};
use diesel::dsl::{exists, not};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::among::among;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, InstrumentReadingId, ReadingUseId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_schema::{instrument_readings, reading_uses};
use uuid::Uuid;

/// A reading as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = instrument_readings)]
pub struct Row {
    pub id: InstrumentReadingId,
    pub sent_as: Uuid,
    pub equipment_id: Uuid,
    pub quantity: String,
    pub value: Decimal,
    pub unit: String,
    pub raw_line: String,
    pub observed_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// What a reading was accepted for, as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = reading_uses)]
pub struct UseRow {
    pub id: ReadingUseId,
    pub reading_id: InstrumentReadingId,
    pub entity_kind: String,
    pub entity_id: Uuid,
    pub record_id: Uuid,
    pub field: String,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "instrument_readings_sent_once",
    code: Code::StateConflict,
    field: "id",
    detail: "the same reading is being recorded at this moment; send it again",
}];

const USE_MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "reading_uses_once",
    code: Code::StateConflict,
    field: "accepted",
    detail: "somebody accepted the same reading at the same moment",
}];

pub(super) async fn insert(mut connection: &Connection, row: &Row) -> Result<Row, Refusal> {
    diesel::insert_into(instrument_readings::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

pub(super) async fn sent_as(mut connection: &Connection, id: Uuid) -> Result<Option<Row>, Refusal> {
    Ok(instrument_readings::table
        .filter(instrument_readings::sent_as.eq(id))
        .select(Row::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}

pub(super) async fn many(mut connection: &Connection, ids: &[Uuid]) -> Result<Vec<Row>, Refusal> {
    let ids: Vec<InstrumentReadingId> = ids.iter().copied().map(InstrumentReadingId).collect();
    Ok(instrument_readings::table
        .filter(among(instrument_readings::id, &ids))
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

pub(super) async fn list(
    mut connection: &Connection,
    listing: &Listing,
    (equipment, record): (Option<Uuid>, Option<Uuid>),
    limit: i64,
) -> Result<Vec<Row>, Refusal> {
    let mut query = instrument_readings::table
        .filter(instrument_readings::id.lt(InstrumentReadingId(listing.before())))
        .filter(instrument_readings::recorded_at.ge(listing.window_start()))
        .filter(instrument_readings::recorded_at.lt(listing.window_end()))
        .order(instrument_readings::id.desc())
        .limit(limit)
        .select(Row::as_select())
        .into_boxed();
    if let Some(equipment) = equipment {
        query = query.filter(instrument_readings::equipment_id.eq(equipment));
    }
    if let Some(record) = record {
        let used = reading_uses::table.filter(reading_uses::record_id.eq(record)).select(reading_uses::reading_id);
        query = query.filter(instrument_readings::id.eq_any(used));
    }
    Ok(query.load(&mut connection).await?)
}

/// Whether one of some pieces ever sent a reading.
pub(super) async fn any_of(mut connection: &Connection, pieces: &[Uuid]) -> Result<bool, Refusal> {
    let sent = instrument_readings::table.filter(instrument_readings::equipment_id.eq_any(pieces));
    Ok(diesel::select(exists(sent)).get_result(&mut connection).await?)
}

/// The newest readings of some pieces that nobody accepted, recorded since a time.
pub(super) async fn unused(
    mut connection: &Connection,
    pieces: &[Uuid],
    since: DateTime<Utc>,
    limit: i64,
) -> Result<Vec<Row>, Refusal> {
    // Identities rise with time: where all were accepted, no more than those of the time asked for are looked at.
    let first = u128::try_from(since.timestamp_millis()).unwrap_or_default() << 80;
    let used = reading_uses::table.filter(reading_uses::reading_id.eq(instrument_readings::id));
    Ok(instrument_readings::table
        .filter(instrument_readings::equipment_id.eq_any(pieces))
        .filter(instrument_readings::id.ge(InstrumentReadingId(Uuid::from_u128(first))))
        .filter(not(exists(used)))
        .order(instrument_readings::id.desc())
        .limit(limit)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

pub(super) async fn insert_uses(mut connection: &Connection, rows: &[UseRow]) -> Result<(), Refusal> {
    diesel::insert_into(reading_uses::table)
        .values(rows)
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, USE_MEANINGS))?;
    Ok(())
}

pub(super) async fn uses_of(
    mut connection: &Connection,
    readings: &[InstrumentReadingId],
) -> Result<Vec<UseRow>, Refusal> {
    Ok(reading_uses::table
        .filter(among(reading_uses::reading_id, readings))
        .select(UseRow::as_select())
        .load(&mut connection)
        .await?)
}

/// What was accepted for some records, in any of their versions, in the order in which it was.
pub(super) async fn uses_for(mut connection: &Connection, records: &[Uuid]) -> Result<Vec<(UseRow, Row)>, Refusal> {
    if records.is_empty() {
        return Ok(Vec::new());
    }
    Ok(reading_uses::table
        .inner_join(instrument_readings::table.on(instrument_readings::id.eq(reading_uses::reading_id)))
        .filter(among(reading_uses::record_id, records))
        .order(reading_uses::id)
        .select((UseRow::as_select(), Row::as_select()))
        .load(&mut connection)
        .await?)
}
