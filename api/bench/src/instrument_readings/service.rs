//! Use cases of readings of instruments.

use chrono::{DateTime, SubsecRound as _, Utc};
use ferrotitre_base::bench_times;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::InstrumentReadingId;
use ferrotitre_base::labels;
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::equipment::store::{self as equipment, EquipmentFacts};
use crate::instrument_readings::store::{self, Row, UseRow};
use crate::instrument_readings::wire::{AcceptedFor, NewReading, ReadingListing, ReadingView};

/// Kinds that print what they show, and what that is.
const PRINTS: [(&str, &str); 2] = [("balance", "mass"), ("piston burette", "volume")];
/// Longest line, characters.
const LONGEST_LINE: usize = 2000;

/// Records a reading. One that was recorded before is answered again, however long ago that was.
pub async fn record(db: &Db, act: &Act, mut new: NewReading) -> Result<Answer, Refusal> {
    not_in_the_future("observed_at", new.observed_at)?;
    // As exact as the store keeps it, so that it is known again.
    new.observed_at = new.observed_at.trunc_subsecs(6);
    db.write(act, async |connection| {
        if let Some(row) = store::sent_as(connection, new.id).await? {
            let same = row.recorded_by == author(act)?
                && row.value == new.value
                && row.unit == new.unit
                && row.raw_line == new.raw_line
                && row.observed_at == new.observed_at;
            if same {
                return one(connection, row).await;
            }
            let detail = "another reading was sent with this id; make a new one for every reading";
            return Err(Refusal::new(Code::KeyReused, detail).at("id", "once", new.id));
        }
        let row = checked(connection, act, new).await?;
        let row = store::insert(connection, &row).await?;
        one(connection, row).await
    })
    .await
}

/// Checks a reading against the instrument it is said to be of.
async fn checked(connection: &Connection, act: &Act, new: NewReading) -> Result<Row, Refusal> {
    let piece = equipment::by_code_or_id(connection, &new.equipment).await?;
    let (id, facts) = piece.ok_or_else(|| {
        let detail = format!("there is no equipment {}", new.equipment);
        Refusal::new(Code::UnknownReference, detail).at("equipment", "exists", &new.equipment)
    })?;
    let quantity = PRINTS.iter().find(|(kind, _)| *kind == facts.kind).map(|(_, quantity)| *quantity);
    let quantity = quantity.ok_or_else(|| {
        let message = format!("must be a balance or piston burette, but {} is a {}", facts.code, facts.kind);
        Refusal::invalid("equipment", "kind", message, &new.equipment)
    })?;
    let state = states::present(connection, equipment::KIND, id).await?.state;
    if state != "in service" {
        let detail = format!("{} is {state}", facts.code);
        return Err(Refusal::new(Code::NotReleased, detail).at("equipment", "in_service", &new.equipment));
    }
    shows(&facts, &new)?;
    let since = equipment::there_since(connection, id).await?;
    bench_times::there_since(new.observed_at, since, "observed_at", &facts.code)?;
    Ok(Row {
        id: InstrumentReadingId::new(),
        sent_as: new.id,
        equipment_id: id,
        quantity: quantity.to_owned(),
        value: new.value,
        unit: new.unit,
        raw_line: new.raw_line,
        observed_at: new.observed_at,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    })
}

/// Whether the instrument can have shown that.
fn shows(facts: &EquipmentFacts, new: &NewReading) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    let code = &facts.code;
    errors.require(
        new.unit == facts.unit,
        "unit",
        "unit",
        format!("must be {}, the unit of {code}", facts.unit),
        &new.unit,
    );
    let (high, unit) = (&facts.range_high, &facts.unit);
    let inside = new.value.value().abs() <= high.value();
    errors.require(inside, "value", "within_scale", format!("{code} shows no more than {high} {unit}"), &new.value);
    if let Some(step) = &facts.resolution {
        let multiple = new.value.reading().is_multiple_of(step.reading());
        let message = format!("must be a multiple of the reading step {step} {unit} of {code}");
        errors.require(multiple, "value", "multiple_of_resolution", message, &new.value);
    }
    let length = new.raw_line.chars().count();
    let fits = (1..=LONGEST_LINE).contains(&length);
    errors.require(fits, "raw_line", "length", format!("must have 1 to {LONGEST_LINE} characters"), &new.raw_line);
    let digits = new.value.to_string();
    let shown = new.raw_line.replace(',', ".").contains(digits.trim_start_matches('-'));
    errors.require(shown, "raw_line", "shows_value", format!("must show the value {digits}"), &new.raw_line);
    errors.check()
}

fn use_view(row: UseRow) -> AcceptedFor {
    AcceptedFor {
        id: row.id,
        entity_kind: row.entity_kind,
        entity_id: row.entity_id,
        record_id: row.record_id,
        field: row.field,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    }
}

async fn views(connection: &Connection, rows: Vec<Row>) -> Result<Vec<ReadingView>, Refusal> {
    let ids: Vec<InstrumentReadingId> = rows.iter().map(|row| row.id).collect();
    let pieces: Vec<Uuid> = rows.iter().map(|row| row.equipment_id).collect();
    let (uses, codes) = futures_util::try_join!(
        store::uses_of(connection, &ids),
        labels::on(connection, EntityKind::Equipment, &pieces)
    )?;
    let view = |row: Row| ReadingView {
        accepted_for: uses.iter().find(|one| one.reading_id == row.id).cloned().map(use_view),
        equipment_code: codes.get(&row.equipment_id).cloned().unwrap_or_default(),
        id: row.id,
        sent_as: row.sent_as,
        equipment: row.equipment_id,
        quantity: row.quantity,
        value: row.value,
        unit: row.unit,
        raw_line: row.raw_line,
        observed_at: row.observed_at,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    };
    Ok(rows.into_iter().map(view).collect())
}

async fn one(connection: &Connection, row: Row) -> Result<ReadingView, Refusal> {
    let id = row.id;
    views(connection, vec![row]).await?.pop().ok_or_else(|| Refusal::not_found("reading of an instrument", id))
}

/// Lists them, newest first.
pub async fn list(db: &Db, asked: &ReadingListing) -> Result<Page<ReadingView>, Refusal> {
    let listing = Listing { limit: asked.limit, after: asked.after, from: asked.from, until: asked.until };
    let limit = listing.limit()?;
    db.read(async |connection| {
        let rows = store::list(connection, &listing, (asked.equipment, asked.record), limit + 1).await?;
        let page = Page::of(rows, limit, |row| row.id.0);
        Ok(Page { items: views(connection, page.items).await?, next: page.next })
    })
    .await
}

/// Reads one.
pub async fn read(db: &Db, id: Uuid) -> Result<ReadingView, Refusal> {
    db.read(async |connection| {
        let row = store::many(connection, &[id]).await?.pop();
        one(connection, row.ok_or_else(|| Refusal::not_found("reading of an instrument", id))?).await
    })
    .await
}

/// Some readings, those that there are.
pub async fn several(db: &Db, ids: &[Uuid]) -> Result<Vec<ReadingView>, Refusal> {
    db.read(async |connection| views(connection, store::many(connection, ids).await?).await).await
}

/// The newest readings of some pieces that nobody accepted, recorded since a time; none where no piece ever sent one.
pub async fn unused(
    db: &Db,
    pieces: &[Uuid],
    since: DateTime<Utc>,
    most: i64,
) -> Result<Option<Vec<ReadingView>>, Refusal> {
    db.read(async |connection| {
        if pieces.is_empty() || !store::any_of(connection, pieces).await? {
            return Ok(None);
        }
        let rows = store::unused(connection, pieces, since, most).await?;
        views(connection, rows).await.map(Some)
    })
    .await
}

/// What was accepted for some records, in the order in which it was, each with its reading.
pub async fn accepted_for(db: &Db, records: &[Uuid]) -> Result<Vec<(AcceptedFor, ReadingView)>, Refusal> {
    db.read(async |connection| {
        let found = store::uses_for(connection, records).await?;
        let (uses, rows): (Vec<_>, Vec<_>) = found.into_iter().unzip();
        let readings = views(connection, rows).await?;
        Ok(uses.into_iter().map(use_view).zip(readings).collect())
    })
    .await
}
