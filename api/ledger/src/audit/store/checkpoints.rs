//! Queries over checkpoints, what witnesses countersigned, and the decisions on them.

use chrono::{DateTime, Utc};
use diesel::dsl::exists;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, WitnessPolicyId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_schema::{audit_checkpoints, audit_cosignatures, audit_events, audit_leaves, witness_policies};
use uuid::Uuid;

use crate::audit::entry::Event;

/// Keeps a checkpoint. One of that size that somebody left there stays and is found by the check: it must not stop the sealer.
pub async fn insert_checkpoint(mut connection: &Connection, size: i64, note: &str) -> Result<(), Refusal> {
    diesel::insert_into(audit_checkpoints::table)
        .values((audit_checkpoints::tree_size.eq(size), audit_checkpoints::note.eq(note)))
        .on_conflict_do_nothing()
        .execute(&mut connection)
        .await?;
    Ok(())
}

pub async fn has_checkpoint(mut connection: &Connection, size: i64) -> Result<bool, Refusal> {
    Ok(diesel::select(exists(audit_checkpoints::table.find(size))).get_result(&mut connection).await?)
}

/// Size and note of the newest checkpoint, or of that of a size.
pub async fn checkpoint(mut connection: &Connection, size: Option<i64>) -> Result<Option<(i64, String)>, Refusal> {
    let mut query = audit_checkpoints::table.order(audit_checkpoints::tree_size.desc()).into_boxed();
    if let Some(size) = size {
        query = query.filter(audit_checkpoints::tree_size.eq(size));
    }
    Ok(query.first(&mut connection).await.optional()?)
}

/// Checkpoints of sizes above one, smallest first.
pub async fn checkpoints(mut connection: &Connection, above: i64, limit: i64) -> Result<Vec<(i64, String)>, Refusal> {
    Ok(audit_checkpoints::table
        .filter(audit_checkpoints::tree_size.gt(above))
        .order(audit_checkpoints::tree_size)
        .limit(limit)
        .load(&mut connection)
        .await?)
}

/// Countersignatures of some checkpoints.
pub async fn cosignatures_of(mut connection: &Connection, sizes: &[i64]) -> Result<Vec<CosignatureRow>, Refusal> {
    Ok(audit_cosignatures::table
        .filter(audit_cosignatures::tree_size.eq_any(sizes))
        .order((audit_cosignatures::tree_size, audit_cosignatures::witness))
        .select(CosignatureRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Countersignatures of checkpoints that are not there.
pub async fn stray_cosignatures(mut connection: &Connection) -> Result<Vec<CosignatureRow>, Refusal> {
    let stray = "NOT EXISTS (SELECT FROM audit_checkpoints c WHERE c.tree_size = audit_cosignatures.tree_size)";
    Ok(audit_cosignatures::table
        .filter(diesel::dsl::sql::<diesel::sql_types::Bool>(stray))
        .limit(100)
        .select(CosignatureRow::as_select())
        .load(&mut connection)
        .await?)
}

/// What a witness countersigned.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = audit_cosignatures)]
pub struct CosignatureRow {
    pub tree_size: i64,
    pub witness: String,
    pub line: String,
    pub signed_at: DateTime<Utc>,
}

/// Keeps a countersignature; one that is there already stays.
pub async fn insert_cosignature(mut connection: &Connection, row: &CosignatureRow) -> Result<(), Refusal> {
    diesel::insert_into(audit_cosignatures::table)
        .values(row)
        .on_conflict_do_nothing()
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Size of the newest checkpoint that a witness countersigned; 0 without any.
pub async fn countersigned_by(mut connection: &Connection, witness: &str) -> Result<i64, Refusal> {
    let newest: Option<i64> = audit_cosignatures::table
        .filter(audit_cosignatures::witness.eq(witness))
        .select(diesel::dsl::max(audit_cosignatures::tree_size))
        .first(&mut connection)
        .await?;
    Ok(newest.unwrap_or(0))
}

/// A checkpoint that enough witnesses countersigned.
#[derive(Debug, Clone, QueryableByName)]
pub struct Countersigned {
    #[diesel(sql_type = diesel::sql_types::BigInt)]
    pub tree_size: i64,
    #[diesel(sql_type = diesel::sql_types::Timestamptz)]
    pub signed_at: DateTime<Utc>,
}

/// The newest checkpoint that as many of these witnesses countersigned.
pub async fn countersigned(
    mut connection: &Connection,
    witnesses: &[String],
    needed: i32,
) -> Result<Option<Countersigned>, Refusal> {
    Ok(diesel::sql_query(
        "SELECT tree_size, max(signed_at) AS signed_at FROM audit_cosignatures WHERE witness = ANY($1) \
         GROUP BY tree_size HAVING count(*) >= $2 ORDER BY tree_size DESC LIMIT 1",
    )
    .bind::<diesel::sql_types::Array<diesel::sql_types::Text>, _>(witnesses)
    .bind::<diesel::sql_types::Integer, _>(needed)
    .get_result(&mut connection)
    .await
    .optional()?)
}

/// A decision on who countersigns.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = witness_policies)]
pub struct PolicyRow {
    pub id: WitnessPolicyId,
    pub witnesses: Vec<String>,
    pub addresses: Vec<String>,
    pub needed: i32,
    pub within_hours: i32,
    pub reason: String,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

pub async fn insert_policy(mut connection: &Connection, row: &PolicyRow) -> Result<PolicyRow, Refusal> {
    Ok(diesel::insert_into(witness_policies::table)
        .values(row)
        .returning(PolicyRow::as_returning())
        .get_result(&mut connection)
        .await?)
}

/// Decisions, newest first.
pub async fn policies(mut connection: &Connection, limit: i64) -> Result<Vec<PolicyRow>, Refusal> {
    Ok(witness_policies::table
        .order(witness_policies::id.desc())
        .limit(limit)
        .select(PolicyRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Events of rows, with their leaves where they have them, in the order of leaves.
pub async fn events_of(mut connection: &Connection, rows: &[Uuid]) -> Result<Vec<(Option<i64>, Event)>, Refusal> {
    Ok(audit_events::table
        .left_join(audit_leaves::table.on(audit_leaves::event_id.eq(audit_events::id)))
        .filter(audit_events::entity_id.eq_any(rows))
        .order(audit_leaves::leaf_index)
        .select((audit_leaves::leaf_index.nullable(), Event::as_select()))
        .load(&mut connection)
        .await?)
}

/// Places of the first and the last leaf whose event is of a time.
pub async fn leaves_between(
    mut connection: &Connection,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
) -> Result<Option<(i64, i64)>, Refusal> {
    let found: (Option<i64>, Option<i64>) = audit_leaves::table
        .inner_join(audit_events::table.on(audit_events::id.eq(audit_leaves::event_id)))
        .filter(audit_events::at.ge(from))
        .filter(audit_events::at.lt(until))
        .select((diesel::dsl::min(audit_leaves::leaf_index), diesel::dsl::max(audit_leaves::leaf_index)))
        .first(&mut connection)
        .await?;
    Ok(found.0.zip(found.1))
}

#[derive(QueryableByName)]
struct Found {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: Uuid,
}

/// Rows that stand around others: their signatures with the rows these stand over, their moves, late entries and notes of what
/// touched them, and the accounts behind all of that.
pub async fn rows_around(mut connection: &Connection, things: &[Uuid]) -> Result<Vec<Uuid>, Refusal> {
    let found: Vec<Found> = diesel::sql_query(include_str!("around.sql"))
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(things)
        .load(&mut connection)
        .await?;
    Ok(found.into_iter().map(|row| row.id).collect())
}
