//! Tables of what stands, what is sent, what still waits and what became of every try.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Bool, Integer, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, MessageId, WebhookEndpointId};
use ferrotitre_base::kept::kept;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_schema::{alerts_standing, message_tries, messages, messages_waiting};
use uuid::Uuid;

use crate::wire::{MessageTry, MessageView};

/// What those of e-mail wait for.
pub(crate) const MAIL: &str = "mail";

#[derive(QueryableByName)]
struct Turn {
    #[diesel(sql_type = Bool)]
    mine: bool,
}

/// Whether it is this transaction's turn to look and to send, until it ends: of several processes one does.
pub(crate) async fn try_turn(mut connection: &Connection) -> Result<bool, Refusal> {
    let row: Turn = kept("SELECT pg_try_advisory_xact_lock(hashtextextended('messages', 0)) AS mine")
        .get_result(&mut connection)
        .await?;
    Ok(row.mine)
}

/// An alert that stands.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = alerts_standing)]
pub(crate) struct StandingRow {
    pub(crate) key: String,
    pub(crate) told: String,
    pub(crate) began_at: DateTime<Utc>,
}

/// What stood at the last look, by key.
pub(crate) async fn standing(mut connection: &Connection) -> Result<HashMap<String, StandingRow>, Refusal> {
    let rows: Vec<StandingRow> = alerts_standing::table.select(StandingRow::as_select()).load(&mut connection).await?;
    Ok(rows.into_iter().map(|row| (row.key.clone(), row)).collect())
}

pub(crate) async fn begin(mut connection: &Connection, rows: &[StandingRow]) -> Result<(), Refusal> {
    if rows.is_empty() {
        return Ok(());
    }
    diesel::insert_into(alerts_standing::table).values(rows).execute(&mut connection).await?;
    Ok(())
}

pub(crate) async fn end(mut connection: &Connection, keys: &[String]) -> Result<(), Refusal> {
    diesel::delete(alerts_standing::table.filter(alerts_standing::key.eq_any(keys))).execute(&mut connection).await?;
    Ok(())
}

/// A message as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = messages)]
pub(crate) struct MessageRow {
    pub(crate) id: MessageId,
    pub(crate) kind: String,
    pub(crate) account_id: Option<AccountId>,
    pub(crate) endpoint_id: Option<WebhookEndpointId>,
    pub(crate) address: Option<String>,
    pub(crate) day: Option<NaiveDate>,
    pub(crate) alerts: i32,
    pub(crate) subject: String,
    pub(crate) body: String,
    pub(crate) made_at: DateTime<Utc>,
}

impl MessageRow {
    /// Which others it waits with.
    fn destination(&self) -> String {
        self.endpoint_id.map_or_else(|| MAIL.to_owned(), |id| id.to_string())
    }
}

pub(crate) async fn insert(mut connection: &Connection, row: &MessageRow) -> Result<(), Refusal> {
    diesel::insert_into(messages::table).values(row).execute(&mut connection).await?;
    Ok(())
}

/// A message that is to be sent, from now on.
pub(crate) async fn queue(mut connection: &Connection, row: &MessageRow) -> Result<(), Refusal> {
    insert(connection, row).await?;
    diesel::insert_into(messages_waiting::table)
        .values((
            messages_waiting::message_id.eq(row.id),
            messages_waiting::destination.eq(row.destination()),
            messages_waiting::tries.eq(0),
            messages_waiting::next_at.eq(row.made_at),
        ))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Whether somebody has had the digest of a day.
pub(crate) async fn has_digest(
    mut connection: &Connection,
    account: AccountId,
    day: NaiveDate,
) -> Result<bool, Refusal> {
    let of = messages::table.filter(messages::account_id.eq(account)).filter(messages::day.eq(day));
    Ok(diesel::select(diesel::dsl::exists(of)).get_result(&mut connection).await?)
}

/// Destinations for which something is due.
pub(crate) async fn due(mut connection: &Connection, now: DateTime<Utc>) -> Result<Vec<String>, Refusal> {
    Ok(messages_waiting::table
        .filter(messages_waiting::next_at.le(now))
        .select(messages_waiting::destination)
        .distinct()
        .load(&mut connection)
        .await?)
}

/// The message of a destination that is due longest, and how often it was tried.
pub(crate) async fn next(
    mut connection: &Connection,
    destination: &str,
    now: DateTime<Utc>,
) -> Result<Option<(MessageRow, i32)>, Refusal> {
    let found: Option<(MessageId, i32)> = messages_waiting::table
        .filter(messages_waiting::destination.eq(destination))
        .filter(messages_waiting::next_at.le(now))
        .order((messages_waiting::next_at, messages_waiting::message_id))
        .select((messages_waiting::message_id, messages_waiting::tries))
        .first(&mut connection)
        .await
        .optional()?;
    let Some((id, tries)) = found else { return Ok(None) };
    Ok(message(connection, id).await?.map(|row| (row, tries)))
}

pub(crate) async fn message(mut connection: &Connection, id: MessageId) -> Result<Option<MessageRow>, Refusal> {
    Ok(messages::table.find(id).select(MessageRow::as_select()).first(&mut connection).await.optional()?)
}

/// A try as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = message_tries)]
pub(crate) struct TryRow {
    pub(crate) message_id: MessageId,
    pub(crate) number: i32,
    pub(crate) delivered: bool,
    pub(crate) last: bool,
    pub(crate) answer: String,
    pub(crate) tried_at: DateTime<Utc>,
}

impl From<TryRow> for MessageTry {
    fn from(row: TryRow) -> Self {
        Self { number: row.number, tried_at: row.tried_at, delivered: row.delivered, answer: row.answer }
    }
}

/// Puts a try on record; the message waits until a moment, or no longer.
pub(crate) async fn note(
    mut connection: &Connection,
    row: &TryRow,
    next_at: Option<DateTime<Utc>>,
) -> Result<(), Refusal> {
    diesel::insert_into(message_tries::table).values(row).execute(&mut connection).await?;
    let waiting = messages_waiting::table.find(row.message_id);
    match next_at {
        Some(at) => {
            diesel::update(waiting)
                .set((messages_waiting::tries.eq(row.number), messages_waiting::next_at.eq(at)))
                .execute(&mut connection)
                .await?;
        }
        None => {
            diesel::delete(waiting).execute(&mut connection).await?;
        }
    }
    Ok(())
}

/// Nothing is tried at a destination before a moment.
pub(crate) async fn postpone(
    mut connection: &Connection,
    destination: &str,
    until: DateTime<Utc>,
) -> Result<(), Refusal> {
    let sooner = messages_waiting::table
        .filter(messages_waiting::destination.eq(destination))
        .filter(messages_waiting::next_at.lt(until));
    diesel::update(sooner).set(messages_waiting::next_at.eq(until)).execute(&mut connection).await?;
    Ok(())
}

/// What waits for a destination is due now.
pub(crate) async fn hasten(mut connection: &Connection, destination: &str, now: DateTime<Utc>) -> Result<(), Refusal> {
    let later = messages_waiting::table
        .filter(messages_waiting::destination.eq(destination))
        .filter(messages_waiting::next_at.gt(now));
    diesel::update(later).set(messages_waiting::next_at.eq(now)).execute(&mut connection).await?;
    Ok(())
}

/// Gives up what waits for a destination, with a word why.
pub(crate) async fn give_up(
    mut connection: &Connection,
    destination: &str,
    why: &str,
    now: DateTime<Utc>,
) -> Result<(), Refusal> {
    kept(
        "WITH gone AS (DELETE FROM messages_waiting WHERE destination = $1 RETURNING message_id, tries) \
         INSERT INTO message_tries (message_id, number, delivered, last, answer, tried_at) \
         SELECT message_id, tries + 1, false, true, $2, $3 FROM gone",
    )
    .bind::<Text, _>(destination)
    .bind::<Text, _>(why)
    .bind::<Timestamptz, _>(now)
    .execute(&mut connection)
    .await?;
    Ok(())
}

/// Tries of a message, oldest first.
pub(crate) async fn tries(mut connection: &Connection, id: MessageId) -> Result<Vec<TryRow>, Refusal> {
    Ok(message_tries::table
        .filter(message_tries::message_id.eq(id))
        .order(message_tries::number)
        .select(TryRow::as_select())
        .load(&mut connection)
        .await?)
}

#[derive(QueryableByName)]
struct ViewRow {
    #[diesel(sql_type = SqlUuid)]
    id: MessageId,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Text)]
    to: String,
    #[diesel(sql_type = Integer)]
    alerts: i32,
    #[diesel(sql_type = Timestamptz)]
    made_at: DateTime<Utc>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    next_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Integer>)]
    number: Option<i32>,
    #[diesel(sql_type = Nullable<Bool>)]
    delivered: Option<bool>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    tried_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Text>)]
    answer: Option<String>,
}

impl From<ViewRow> for MessageView {
    fn from(row: ViewRow) -> Self {
        let state = match (row.next_at, row.delivered) {
            (Some(_), _) => "waiting",
            (None, Some(true)) => "delivered",
            (None, _) => "given up",
        };
        Self {
            id: row.id,
            kind: row.kind,
            to: row.to,
            alerts: row.alerts,
            made_at: row.made_at,
            state: state.to_owned(),
            tries: row.number.unwrap_or_default(),
            next_at: row.next_at,
            tried_at: row.tried_at,
            answer: row.answer,
        }
    }
}

/// What is shown of a message `m`, with its last try and its place among those that wait.
macro_rules! shown {
    ($found:literal) => {
        concat!(
            "SELECT m.id, m.kind, coalesce(m.address, e.name, '') AS \"to\", m.alerts, m.made_at, w.next_at, l.number, \
             l.delivered, l.tried_at, l.answer FROM (",
            $found,
            ") m LEFT JOIN webhook_endpoints e ON e.id = m.endpoint_id LEFT JOIN messages_waiting w ON w.message_id = m.id \
             LEFT JOIN LATERAL (SELECT number, delivered, tried_at, answer FROM message_tries t WHERE t.message_id = m.id \
             ORDER BY number DESC LIMIT 1) l ON true ORDER BY m.id DESC"
        )
    };
}

const ALL: &str = shown!("SELECT * FROM messages WHERE id < $1 ORDER BY id DESC LIMIT $2");
const WAITING: &str = shown!(
    "SELECT m.* FROM messages_waiting q JOIN messages m ON m.id = q.message_id WHERE q.message_id < $1 \
     ORDER BY q.message_id DESC LIMIT $2"
);
const DELIVERED: &str = shown!(
    "SELECT * FROM messages m WHERE id < $1 AND EXISTS (SELECT FROM message_tries t WHERE t.message_id = m.id \
     AND t.delivered) ORDER BY id DESC LIMIT $2"
);
const GIVEN_UP: &str = shown!(
    "SELECT m.* FROM message_tries q JOIN messages m ON m.id = q.message_id WHERE q.last AND NOT q.delivered \
     AND q.message_id < $1 ORDER BY q.message_id DESC LIMIT $2"
);
const ONE: &str = shown!("SELECT * FROM messages WHERE id = $1");

/// States to narrow the list by.
pub(crate) const STATES: [&str; 3] = ["waiting", "delivered", "given up"];

/// Messages before one, newest first, of one state or of all.
pub(crate) async fn list(
    mut connection: &Connection,
    state: Option<&str>,
    (before, limit): (Uuid, i64),
) -> Result<Vec<MessageView>, Refusal> {
    let sql = match state {
        Some("waiting") => WAITING,
        Some("delivered") => DELIVERED,
        Some("given up") => GIVEN_UP,
        _ => ALL,
    };
    let rows: Vec<ViewRow> =
        kept(sql).bind::<SqlUuid, _>(before).bind::<BigInt, _>(limit).load(&mut connection).await?;
    Ok(rows.into_iter().map(MessageView::from).collect())
}

pub(crate) async fn view(mut connection: &Connection, id: MessageId) -> Result<Option<MessageView>, Refusal> {
    let row: Option<ViewRow> = kept(ONE).bind::<SqlUuid, _>(id).get_result(&mut connection).await.optional()?;
    Ok(row.map(MessageView::from))
}

/// A destination whose messages wait for long.
#[derive(QueryableByName)]
pub(crate) struct Stuck {
    #[diesel(sql_type = Text)]
    pub(crate) destination: String,
    #[diesel(sql_type = Text)]
    pub(crate) name: String,
    #[diesel(sql_type = BigInt)]
    pub(crate) messages: i64,
    #[diesel(sql_type = Timestamptz)]
    pub(crate) since: DateTime<Utc>,
}

/// Destinations for which something waits since before a moment.
pub(crate) async fn stuck(mut connection: &Connection, before: DateTime<Utc>) -> Result<Vec<Stuck>, Refusal> {
    Ok(kept(
        "SELECT w.destination, coalesce(min(e.name), 'e-mail') AS name, count(*) AS messages, min(m.made_at) AS since \
         FROM messages_waiting w JOIN messages m ON m.id = w.message_id \
         LEFT JOIN webhook_endpoints e ON e.id = m.endpoint_id \
         GROUP BY w.destination HAVING min(m.made_at) < $1 ORDER BY 1",
    )
    .bind::<Timestamptz, _>(before)
    .load(&mut connection)
    .await?)
}
