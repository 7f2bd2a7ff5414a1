//! Bench times: how long after an observation it may be recorded without a reason, and that nothing is observed before what it
//! was observed with was there.

use std::sync::OnceLock;

use chrono::DateTime;
use chrono::Duration;
use chrono::NaiveDate;
use chrono::Utc;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::db::Act;
use crate::db::Connection;
use crate::ids::AccountId;
use crate::ids::LateEntryId;
use crate::recording::author;
use crate::refusal::Refusal;
use crate::states;
use ferrotitre_schema::account_starts;
use ferrotitre_schema::accounts;
use ferrotitre_schema::late_entries;

/// Hours after an observation within which it is recorded without a reason, if nothing else was settled.
const USUAL_HOURS: i64 = 24;

/// As configured; set once at the start.
static CONFIGURED: OnceLock<i64> = OnceLock::new();

/// Settles after how many hours a record needs a reason.
pub fn configure(hours: i64) {
    // Settled already: the first call holds, as there is one laboratory in a process.
    let _ = CONFIGURED.set(hours);
}

/// How long after an observation it may be recorded without a reason.
pub fn allowance() -> Duration {
    Duration::hours(CONFIGURED.get().copied().unwrap_or(USUAL_HOURS))
}

/// Whether a record made now is of an observation longer ago than it may be without a reason.
pub fn is_late(observed_at: DateTime<Utc>) -> bool {
    Utc::now() - observed_at > allowance()
}

/// A record that was made long after what it is about.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = late_entries)]
pub struct LateEntry {
    /// Identity.
    pub id: LateEntryId,
    /// Kind of record, by the name of its table.
    #[schema(example = "titrations")]
    pub entity_kind: String,
    /// The record; of a thing with versions, this version.
    pub entity_id: Uuid,
    /// When it was observed.
    pub observed_at: DateTime<Utc>,
    /// Why it was recorded so much later.
    #[schema(example = "bench book taken over after the power failure")]
    pub reason: String,
    /// Server time of recording.
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

/// A record that is about to be made, and when it was observed.
#[derive(Debug, Clone, Copy)]
pub struct Observed<'a> {
    /// Name of its table.
    pub table: &'static str,
    /// The row to be.
    pub row: Uuid,
    /// When it was observed.
    pub at: DateTime<Utc>,
    /// Why it is recorded late, if it is.
    pub reason: Option<&'a str>,
    /// A record whose own lateness explains this one's, such as the run of a titration.
    pub within: Option<Uuid>,
}

impl<'a> Observed<'a> {
    /// A version or thing observed at a time, with the reason given.
    pub fn new(table: &'static str, row: Uuid, at: DateTime<Utc>, reason: Option<&'a str>) -> Self {
        Self { table, row, at, reason, within: None }
    }

    /// Explained by what it belongs to, if that was recorded late itself.
    pub fn within(self, whole: Uuid) -> Self {
        Self { within: Some(whole), ..self }
    }
}

/// Checks when something was observed: not before the acting account existed, and not long ago without a reason, which is kept
/// beside the record in the same transaction.
///
/// # Errors
/// The field `observed_at` or `late_reason`, with the rule.
pub async fn accept(connection: &Connection, act: &Act, observed: Observed<'_>) -> Result<(), Refusal> {
    if !is_late(observed.at) {
        return Ok(());
    }
    let by = author(act)?;
    there_since(observed.at, exists_since(connection, by).await?, "observed_at", "your account")?;
    if observed.reason.is_none_or(|reason| reason.trim().is_empty()) {
        if let Some(whole) = observed.within
            && explained(connection, whole, observed.at).await?
        {
            return Ok(());
        }
        let message = format!(
            "it was observed more than {} hours before it is recorded: say why, in at least 5 characters",
            allowance().num_hours()
        );
        return Err(Refusal::invalid("late_reason", "required", message, observed.at.to_rfc3339()));
    }
    states::reason_given("late_reason", observed.reason)?;
    let row = LateEntry {
        id: LateEntryId::new(),
        entity_kind: observed.table.to_owned(),
        entity_id: observed.row,
        observed_at: observed.at,
        reason: observed.reason.unwrap_or_default().trim().to_owned(),
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: by,
    };
    let mut connection = connection;
    diesel::insert_into(late_entries::table).values(&row).execute(&mut connection).await?;
    Ok(())
}

/// Whether a record's own lateness explains that something of it was observed at a time.
async fn explained(mut connection: &Connection, whole: Uuid, at: DateTime<Utc>) -> Result<bool, Refusal> {
    let found = late_entries::table.filter(late_entries::entity_id.eq(whole)).filter(late_entries::observed_at.le(at));
    Ok(diesel::select(diesel::dsl::exists(found)).get_result(&mut connection).await?)
}

/// Why records were made late, in the order in which they were made.
pub async fn of(mut connection: &Connection, ids: &[Uuid]) -> Result<Vec<LateEntry>, Refusal> {
    if ids.is_empty() {
        return Ok(Vec::new());
    }
    Ok(late_entries::table
        .filter(late_entries::entity_id.eq_any(ids))
        .order(late_entries::recorded_at)
        .select(LateEntry::as_select())
        .load(&mut connection)
        .await?)
}

/// Since when an account has been there: since it was recorded, or since the day that was given when it was.
async fn exists_since(mut connection: &Connection, account: AccountId) -> Result<DateTime<Utc>, Refusal> {
    let (recorded, start): (DateTime<Utc>, Option<NaiveDate>) = accounts::table
        .left_join(account_starts::table.on(account_starts::account_id.eq(accounts::id)))
        .filter(accounts::id.eq(account))
        .select((accounts::recorded_at, account_starts::since.nullable()))
        .first(&mut connection)
        .await?;
    Ok(declared(recorded, start))
}

/// Since when something has been there: since a day that was given, or else since it was recorded, less the time that a record
/// may come late.
pub fn declared(recorded_at: DateTime<Utc>, day: Option<NaiveDate>) -> DateTime<Utc> {
    let recorded = recorded_at - allowance();
    day.map_or(recorded, |day| day.and_time(chrono::NaiveTime::MIN).and_utc().min(recorded))
}

/// Refuses what is said to have been observed before something was there.
///
/// # Errors
/// The field, with what was not there yet.
pub fn there_since(at: DateTime<Utc>, since: DateTime<Utc>, field: &str, what: &str) -> Result<(), Refusal> {
    if at >= since {
        return Ok(());
    }
    let message = format!("lies before {what} was there, which was at {}", since.to_rfc3339());
    Err(Refusal::invalid(field, "existed", message, at.to_rfc3339()))
}
