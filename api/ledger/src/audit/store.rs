//! Queries over events, leaves and heads.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Bool};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::merkle::Hash;
use ferrotitre_schema::{audit_breaks, audit_events, audit_leaves, audit_pending, audit_tree_heads};
use uuid::Uuid;

use crate::audit::entry::Event;

mod checkpoints;
mod lists;
mod named;
mod reviews;
mod trail;

pub(super) use checkpoints::*;
pub(super) use lists::*;
pub(super) use named::*;
pub(super) use reviews::*;
pub(super) use trail::*;

/// A signed tree head.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable, Insertable)]
#[diesel(table_name = audit_tree_heads)]
pub struct HeadRow {
    /// Number of leaves.
    pub tree_size: i64,
    /// Root.
    pub root_hash: Vec<u8>,
    /// Time of signing.
    pub signed_at: DateTime<Utc>,
    /// Key.
    pub key_id: String,
    /// Ed25519 signature.
    pub signature: Vec<u8>,
}

/// Number of the advisory lock of the sealer; any constant that nothing else uses.
const LOCK: i64 = 0x6665_7272_6f74;

#[derive(QueryableByName)]
struct Locked {
    #[diesel(sql_type = Bool)]
    locked: bool,
}

pub(super) async fn try_lock(mut connection: &Connection) -> Result<bool, Refusal> {
    let row: Locked = diesel::sql_query("SELECT pg_try_advisory_xact_lock($1) AS locked")
        .bind::<BigInt, _>(LOCK)
        .get_result(&mut connection)
        .await?;
    Ok(row.locked)
}

/// Whether it is this transaction's turn to ask a witness.
pub(super) async fn try_asking(mut connection: &Connection, witness: &str) -> Result<bool, Refusal> {
    let row: Locked =
        diesel::sql_query("SELECT pg_try_advisory_xact_lock(hashtextextended('countersigning ' || $1, 0)) AS locked")
            .bind::<diesel::sql_types::Text, _>(witness)
            .get_result(&mut connection)
            .await?;
    Ok(row.locked)
}

pub(super) async fn tree_size(mut connection: &Connection) -> Result<i64, Refusal> {
    let last: Option<i64> =
        audit_leaves::table.select(diesel::dsl::max(audit_leaves::leaf_index)).first(&mut connection).await?;
    Ok(last.map_or(0, |index| index + 1))
}

/// Leaf hashes from one place up to and without another, in order.
pub(super) async fn leaf_hashes(mut connection: &Connection, (from, until): (i64, i64)) -> Result<Vec<Hash>, Refusal> {
    let rows: Vec<Vec<u8>> = audit_leaves::table
        .filter(audit_leaves::leaf_index.ge(from))
        .filter(audit_leaves::leaf_index.lt(until))
        .order(audit_leaves::leaf_index)
        .select(audit_leaves::leaf_hash)
        .load(&mut connection)
        .await?;
    rows.into_iter()
        .map(|row| {
            Hash::try_from(row)
                .map_err(|_error| Refusal::new(ferrotitre_base::refusal::Code::Internal, "a leaf has a wrong length"))
        })
        .collect()
}

/// Takes events off the waiting list, oldest first.
pub(super) async fn take_pending(mut connection: &Connection, limit: i64) -> Result<Vec<Event>, Refusal> {
    let events: Vec<Event> = audit_pending::table
        .inner_join(audit_events::table.on(audit_events::id.eq(audit_pending::event_id)))
        .order((audit_events::at, audit_events::id))
        .limit(limit)
        .select(Event::as_select())
        .load(&mut connection)
        .await?;
    let ids: Vec<Uuid> = events.iter().map(|event| event.id).collect();
    diesel::delete(audit_pending::table.filter(audit_pending::event_id.eq_any(ids))).execute(&mut connection).await?;
    Ok(events)
}

pub(super) async fn insert_sealed(
    mut connection: &Connection,
    leaves: &[(i64, Uuid, Vec<u8>)],
    head: &HeadRow,
) -> Result<(), Refusal> {
    let rows: Vec<_> = leaves
        .iter()
        .map(|(index, event, hash)| {
            (audit_leaves::leaf_index.eq(index), audit_leaves::event_id.eq(event), audit_leaves::leaf_hash.eq(hash))
        })
        .collect();
    diesel::insert_into(audit_leaves::table).values(&rows).execute(&mut connection).await?;
    diesel::insert_into(audit_tree_heads::table).values(head).execute(&mut connection).await?;
    Ok(())
}

/// Which events to list.
pub(super) struct EventFilter {
    pub(super) entity: Option<Uuid>,
    /// Rows of a thing and of what belongs to it.
    pub(super) rows: Option<Vec<Uuid>>,
    /// One of these accounts.
    pub(super) actors: Option<Vec<Uuid>>,
    pub(super) action: Option<String>,
    pub(super) kind: Option<String>,
    pub(super) after: Option<(DateTime<Utc>, Uuid)>,
    pub(super) from: DateTime<Utc>,
    pub(super) until: DateTime<Utc>,
    pub(super) limit: i64,
}

pub(super) async fn list_events(mut connection: &Connection, filter: &EventFilter) -> Result<Vec<Event>, Refusal> {
    let mut query = audit_events::table
        .filter(audit_events::at.ge(filter.from))
        .filter(audit_events::at.lt(filter.until))
        .order((audit_events::at.desc(), audit_events::id.desc()))
        .limit(filter.limit)
        .select(Event::as_select())
        .into_boxed();
    if let Some(entity) = filter.entity {
        query = query.filter(audit_events::entity_id.eq(entity));
    }
    if let Some(rows) = &filter.rows {
        query = query.filter(audit_events::entity_id.eq_any(rows));
    }
    if let Some(actors) = &filter.actors {
        query = match actors.as_slice() {
            [one] => query.filter(audit_events::actor.eq(one)),
            several => query.filter(audit_events::actor.eq_any(several)),
        };
    }
    if let Some(action) = &filter.action {
        query = query.filter(audit_events::action.eq(action));
    }
    if let Some(kind) = &filter.kind {
        query = query.filter(audit_events::entity_kind.eq(kind));
    }
    if let Some((at, id)) = filter.after {
        // The first of the two is a bound that an index begins at; an alternative alone is none.
        query = query.filter(audit_events::at.le(at)).filter(audit_events::at.lt(at).or(audit_events::id.lt(id)));
    }
    Ok(query.load(&mut connection).await?)
}

pub(super) async fn find_event(mut connection: &Connection, id: Uuid) -> Result<Option<Event>, Refusal> {
    Ok(audit_events::table.find(id).select(Event::as_select()).first(&mut connection).await.optional()?)
}

pub(super) async fn leaf_index(mut connection: &Connection, event: Uuid) -> Result<Option<i64>, Refusal> {
    Ok(audit_leaves::table
        .filter(audit_leaves::event_id.eq(event))
        .select(audit_leaves::leaf_index)
        .first(&mut connection)
        .await
        .optional()?)
}

pub(super) async fn latest_head(mut connection: &Connection) -> Result<Option<HeadRow>, Refusal> {
    Ok(audit_tree_heads::table
        .order(audit_tree_heads::tree_size.desc())
        .select(HeadRow::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}

pub(super) async fn list_heads(mut connection: &Connection, below: i64, limit: i64) -> Result<Vec<HeadRow>, Refusal> {
    Ok(audit_tree_heads::table
        .filter(audit_tree_heads::tree_size.lt(below))
        .order(audit_tree_heads::tree_size.desc())
        .limit(limit)
        .select(HeadRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Heads of sizes above one and up to another, the smallest first.
pub(super) async fn heads_between(
    mut connection: &Connection,
    (above, up_to): (i64, i64),
    limit: i64,
) -> Result<Vec<HeadRow>, Refusal> {
    Ok(audit_tree_heads::table
        .filter(audit_tree_heads::tree_size.gt(above))
        .filter(audit_tree_heads::tree_size.le(up_to))
        .order(audit_tree_heads::tree_size)
        .limit(limit)
        .select(HeadRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Heads of some sizes.
pub(super) async fn heads_of(mut connection: &Connection, sizes: &[i64]) -> Result<Vec<HeadRow>, Refusal> {
    Ok(audit_tree_heads::table
        .filter(audit_tree_heads::tree_size.eq_any(sizes))
        .select(HeadRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Events with their leaves, in leaf order, a stretch at a time.
pub(super) async fn sealed_events(
    mut connection: &Connection,
    from: i64,
    limit: i64,
) -> Result<Vec<(i64, Vec<u8>, Event)>, Refusal> {
    Ok(audit_leaves::table
        .inner_join(audit_events::table.on(audit_events::id.eq(audit_leaves::event_id)))
        .filter(audit_leaves::leaf_index.ge(from))
        .order(audit_leaves::leaf_index)
        .limit(limit)
        .select((audit_leaves::leaf_index, audit_leaves::leaf_hash, Event::as_select()))
        .load(&mut connection)
        .await?)
}

/// What does not fit together when counted by the database.
#[derive(Debug, QueryableByName)]
pub(super) struct Mismatch {
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub(super) what: String,
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Uuid>)]
    pub(super) id: Option<Uuid>,
}

/// Events that are neither sealed nor waiting to be.
pub(super) async fn forgotten_events(mut connection: &Connection) -> Result<Vec<Mismatch>, Refusal> {
    Ok(diesel::sql_query(
        "SELECT 'an event is neither in the tree nor waiting for it' AS what, e.id FROM audit_events e \
         WHERE NOT EXISTS (SELECT FROM audit_leaves l WHERE l.event_id = e.id) \
         AND NOT EXISTS (SELECT FROM audit_pending p WHERE p.event_id = e.id) LIMIT 100",
    )
    .load(&mut connection)
    .await?)
}

/// An audited table and the columns whose values stay out of its events.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct AuditedTable {
    pub(super) name: String,
    pub(super) left_out: Vec<String>,
}

/// Rows of a table that differ from the event of their insertion, rows without one, and events whose row is gone.
pub(super) async fn altered_rows(mut connection: &Connection, table: &AuditedTable) -> Result<Vec<Mismatch>, Refusal> {
    // Names are those of the catalogue that was compiled in, never an input.
    let name = &table.name;
    // Events of earlier releases hold nothing of columns left out; later ones hold their digest.
    let mut shown = "to_jsonb(t)".to_owned();
    for column in &table.left_out {
        shown = format!(
            "({shown} - '{column}' || CASE WHEN e.after_row::jsonb ? '{column}_sha256' THEN \
             jsonb_build_object('{column}_sha256', left_out_digest(e.id, to_jsonb(t) ->> '{column}')) ELSE '{{}}'::jsonb END)"
        );
    }
    // Events are found from the rows: a table of few rows needs no pass over the log.
    let sql = format!(
        "SELECT CASE WHEN e.id IS NULL THEN 'a row of {name} has no event' \
         ELSE 'a row of {name} differs from its event' END AS what, t.id \
         FROM \"{name}\" t LEFT JOIN audit_events e ON e.entity_id = t.id AND e.entity_kind = '{name}' \
         WHERE e.id IS NULL OR {shown}::text IS DISTINCT FROM e.after_row LIMIT 100"
    );
    Ok(diesel::sql_query(sql).load(&mut connection).await?)
}

/// Events whose row is gone, of all tables in one pass over the log.
pub(super) async fn gone_rows(mut connection: &Connection, tables: &[AuditedTable]) -> Result<Vec<Mismatch>, Refusal> {
    // Names are those of the catalogue that was compiled in, never an input.
    let rows = |table: &AuditedTable| format!("SELECT '{0}' AS kind, id FROM \"{0}\"", table.name);
    let rows = tables.iter().map(rows).collect::<Vec<_>>().join(" UNION ALL ");
    let names = tables.iter().map(|table| format!("'{}'", table.name)).collect::<Vec<_>>().join(", ");
    let sql = format!(
        "SELECT 'a row of ' || e.entity_kind || ' is gone' AS what, e.entity_id AS id FROM audit_events e \
         LEFT JOIN ({rows}) t ON t.kind = e.entity_kind AND t.id = e.entity_id \
         WHERE t.id IS NULL AND e.entity_kind IN ({names}) LIMIT 100"
    );
    Ok(diesel::sql_query(sql).load(&mut connection).await?)
}

/// Events that wait for their leaf.
#[derive(Debug, Clone, Copy, QueryableByName)]
pub struct Pending {
    /// How many.
    #[diesel(sql_type = BigInt)]
    pub events: i64,
    /// Age of the oldest, s; 0 without any.
    #[diesel(sql_type = BigInt)]
    pub oldest_seconds: i64,
}

pub(super) async fn pending(mut connection: &Connection) -> Result<Pending, Refusal> {
    Ok(diesel::sql_query(
        "SELECT count(*) AS events, coalesce(extract(epoch FROM clock_timestamp() - min(e.at)), 0)::bigint AS oldest_seconds \
         FROM audit_pending p JOIN audit_events e ON e.id = p.event_id",
    )
    .get_result(&mut connection)
    .await?)
}

#[derive(QueryableByName)]
struct CatalogueLine {
    #[diesel(sql_type = diesel::sql_types::Text)]
    line: String,
}

/// Tables, columns, constraints, triggers, functions and the grants of the service's role, a line each, sorted.
pub(super) async fn catalogue(mut connection: &Connection) -> Result<Vec<String>, Refusal> {
    let lines: Vec<CatalogueLine> = diesel::sql_query(include_str!("catalogue.sql")).load(&mut connection).await?;
    Ok(lines.into_iter().map(|row| row.line).collect())
}

/// Two people's decision to go on.
#[derive(Debug, Insertable)]
#[diesel(table_name = audit_breaks)]
pub(super) struct BreakRow {
    pub(super) id: Uuid,
    pub(super) before_size: Option<i64>,
    pub(super) before_root: Option<Vec<u8>>,
    pub(super) after_size: i64,
    pub(super) after_root: Vec<u8>,
    pub(super) key_id: String,
    pub(super) reason: String,
    pub(super) first_person: AccountId,
    pub(super) second_person: AccountId,
}

pub(super) async fn insert_break(mut connection: &Connection, row: &BreakRow) -> Result<(), Refusal> {
    diesel::insert_into(audit_breaks::table).values(row).execute(&mut connection).await?;
    Ok(())
}

/// Things of a kind that lists show in another state than their moves lead to.
pub(super) async fn misplaced(mut connection: &Connection, kind: EntityKind) -> Result<Vec<Mismatch>, Refusal> {
    // Names are words of our own, never an input.
    let (name, first) = (kind.table(), kind.first_state());
    let sql = format!(
        "SELECT 'lists show a row of {name} in another state than its moves' AS what, t.id FROM {name} t \
         LEFT JOIN present_states p ON p.entity_id = t.id AND p.entity_kind = '{name}' LEFT JOIN LATERAL (\
         SELECT to_state FROM state_moves WHERE entity_id = t.id ORDER BY position DESC LIMIT 1) m ON true \
         WHERE p.state IS DISTINCT FROM coalesce(m.to_state, '{first}') LIMIT 100"
    );
    Ok(diesel::sql_query(sql).load(&mut connection).await?)
}

/// Makes the session's time zone the one in which events were written.
pub(super) async fn use_utc(mut connection: &Connection) -> Result<(), Refusal> {
    diesel::sql_query("SET TIME ZONE 'UTC'").execute(&mut connection).await?;
    Ok(())
}

/// Makes every later transaction of the session one that only reads.
pub(super) async fn only_read(mut connection: &Connection) -> Result<(), Refusal> {
    diesel::sql_query("SET default_transaction_read_only = on").execute(&mut connection).await?;
    Ok(())
}

#[derive(QueryableByName)]
struct There {
    #[diesel(sql_type = Bool)]
    there: bool,
}

/// Whether there is a log with at least one event.
pub(super) async fn has_events(mut connection: &Connection) -> Result<bool, Refusal> {
    let table: There = diesel::sql_query("SELECT to_regclass('public.audit_events') IS NOT NULL AS there")
        .get_result(&mut connection)
        .await?;
    if !table.there {
        return Ok(false);
    }
    let row: There =
        diesel::sql_query("SELECT EXISTS (SELECT FROM audit_events) AS there").get_result(&mut connection).await?;
    Ok(row.there)
}

/// Whether no head was ever signed and no event ever got a leaf.
pub(super) async fn never_sealed(mut connection: &Connection) -> Result<bool, Refusal> {
    let row: There = diesel::sql_query(
        "SELECT NOT EXISTS (SELECT FROM audit_tree_heads) AND NOT EXISTS (SELECT FROM audit_leaves) AS there",
    )
    .get_result(&mut connection)
    .await?;
    Ok(row.there)
}
