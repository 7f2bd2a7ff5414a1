//! Queries over events, leaves and heads.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Bool};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::merkle::Hash;
use ferrotitre_schema::{audit_events, audit_leaves, audit_pending, audit_tree_heads};
use uuid::Uuid;

use crate::audit::entry::Event;

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

pub(super) async fn tree_size(mut connection: &Connection) -> Result<i64, Refusal> {
    let last: Option<i64> =
        audit_leaves::table.select(diesel::dsl::max(audit_leaves::leaf_index)).first(&mut connection).await?;
    Ok(last.map_or(0, |index| index + 1))
}

/// The first `size` leaf hashes in order.
pub(super) async fn leaf_hashes(mut connection: &Connection, size: i64) -> Result<Vec<Hash>, Refusal> {
    let rows: Vec<Vec<u8>> = audit_leaves::table
        .filter(audit_leaves::leaf_index.lt(size))
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
    pub(super) actor: Option<Uuid>,
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
    if let Some(actor) = filter.actor {
        query = query.filter(audit_events::actor.eq(actor));
    }
    if let Some((at, id)) = filter.after {
        query = query.filter(audit_events::at.lt(at).or(audit_events::at.eq(at).and(audit_events::id.lt(id))));
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

/// Names of the audited tables and of the columns left out of their events, from the catalogue.
#[derive(Debug, QueryableByName)]
pub(super) struct AuditedTable {
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub(super) table_name: String,
    #[diesel(sql_type = diesel::sql_types::Array<diesel::sql_types::Text>)]
    pub(super) left_out: Vec<String>,
}

pub(super) async fn audited_tables(mut connection: &Connection) -> Result<Vec<AuditedTable>, Refusal> {
    Ok(diesel::sql_query(
        "SELECT c.relname::text AS table_name, \
         CASE WHEN t.tgnargs = 0 THEN '{}'::text[] \
         ELSE string_to_array(trim(trailing E'\\\\' FROM encode(substring(t.tgargs FOR length(t.tgargs) - 1), 'escape')), E'\\\\000') \
         END AS left_out \
         FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid WHERE t.tgname = 'audit' AND NOT t.tgisinternal ORDER BY 1",
    )
    .load(&mut connection)
    .await?)
}

/// Rows of a table that differ from the event of their insertion, rows without one, and events whose row is gone.
pub(super) async fn altered_rows(mut connection: &Connection, table: &AuditedTable) -> Result<Vec<Mismatch>, Refusal> {
    let name = table.table_name.replace('"', "\"\"");
    let drop: String = table.left_out.iter().map(|column| format!(" - '{}'", column.replace('\'', "''"))).collect();
    let sql = format!(
        "SELECT CASE WHEN e.id IS NULL THEN 'a row of {name} has no event' \
         WHEN t.id IS NULL THEN 'a row of {name} is gone' ELSE 'a row of {name} differs from its event' END AS what, \
         coalesce(t.id, e.entity_id) AS id \
         FROM \"{name}\" t FULL JOIN (SELECT * FROM audit_events WHERE entity_kind = '{name}') e ON e.entity_id = t.id \
         WHERE e.id IS NULL OR t.id IS NULL OR (to_jsonb(t){drop})::text IS DISTINCT FROM e.after_row LIMIT 100"
    );
    Ok(diesel::sql_query(sql).load(&mut connection).await?)
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
