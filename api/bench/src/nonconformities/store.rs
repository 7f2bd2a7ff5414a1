//! Tables of nonconformities.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, NonconformityId, NonconformityLinkId, NonconformityStepId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::paging::Listing;
use ferrotitre_schema::{nonconformities, nonconformity_links, nonconformity_steps};
use uuid::Uuid;

/// A nonconformity as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = nonconformities)]
pub(super) struct Row {
    pub(super) id: NonconformityId,
    pub(super) code: String,
    pub(super) source: String,
    pub(super) severity: String,
    pub(super) title: String,
    pub(super) scope: String,
    pub(super) automatic: bool,
    pub(super) owner_id: AccountId,
    pub(super) due_on: NaiveDate,
    pub(super) observed_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub(super) recorded_at: DateTime<Utc>,
    pub(super) recorded_by: AccountId,
}

/// A step as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = nonconformity_steps)]
pub(super) struct StepRow {
    pub(super) id: NonconformityStepId,
    pub(super) nonconformity_id: NonconformityId,
    pub(super) kind: String,
    pub(super) words: String,
    pub(super) effective: Option<bool>,
    pub(super) due_on: Option<NaiveDate>,
    #[diesel(skip_insertion)]
    pub(super) recorded_at: DateTime<Utc>,
    pub(super) recorded_by: AccountId,
}

/// A link as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = nonconformity_links)]
pub(super) struct LinkRow {
    pub(super) id: NonconformityLinkId,
    pub(super) nonconformity_id: NonconformityId,
    pub(super) entity_kind: String,
    pub(super) entity_id: Uuid,
    pub(super) relation: String,
    pub(super) recorded_by: AccountId,
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "nonconformities_owner_id",
    code: Code::UnknownReference,
    field: "owner",
    detail: "there is no such account",
}];

pub(super) async fn insert(mut connection: &Connection, row: &Row) -> Result<Row, Refusal> {
    diesel::insert_into(nonconformities::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

pub(super) async fn insert_step(mut connection: &Connection, row: &StepRow) -> Result<(), Refusal> {
    diesel::insert_into(nonconformity_steps::table).values(row).execute(&mut connection).await?;
    Ok(())
}

pub(super) async fn insert_links(mut connection: &Connection, rows: &[LinkRow]) -> Result<(), Refusal> {
    // One statement takes at most 65 535 parameters.
    for part in rows.chunks(5000) {
        diesel::insert_into(nonconformity_links::table).values(part).execute(&mut connection).await?;
    }
    Ok(())
}

pub(super) async fn find(mut connection: &Connection, id: Uuid) -> Result<Row, Refusal> {
    let row = nonconformities::table
        .find(NonconformityId(id))
        .select(Row::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    row.ok_or_else(|| Refusal::not_found("nonconformity", id))
}

pub(super) async fn many(mut connection: &Connection, ids: &[Uuid]) -> Result<Vec<Row>, Refusal> {
    let ids: Vec<NonconformityId> = ids.iter().copied().map(NonconformityId).collect();
    Ok(nonconformities::table
        .filter(nonconformities::id.eq_any(ids))
        .order(nonconformities::id.desc())
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

pub(super) async fn steps(mut connection: &Connection, ids: &[NonconformityId]) -> Result<Vec<StepRow>, Refusal> {
    Ok(nonconformity_steps::table
        .filter(nonconformity_steps::nonconformity_id.eq_any(ids))
        .order(nonconformity_steps::id)
        .select(StepRow::as_select())
        .load(&mut connection)
        .await?)
}

pub(super) async fn links(mut connection: &Connection, ids: &[NonconformityId]) -> Result<Vec<LinkRow>, Refusal> {
    Ok(nonconformity_links::table
        .filter(nonconformity_links::nonconformity_id.eq_any(ids))
        .order(nonconformity_links::id)
        .select(LinkRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Those due by a day that are not closed, the longest overdue first.
pub(super) async fn due_by(
    mut connection: &Connection,
    day: NaiveDate,
    closed: &str,
    limit: i64,
) -> Result<Vec<(NonconformityId, String, String, NaiveDate)>, Refusal> {
    let last = diesel::dsl::sql::<diesel::sql_types::Bool>(
        "(SELECT m.to_state FROM state_moves m WHERE m.entity_id = nonconformities.id ORDER BY m.position DESC LIMIT 1) \
         IS DISTINCT FROM ",
    )
    .bind::<diesel::sql_types::Text, _>(closed);
    Ok(nonconformities::table
        .filter(nonconformities::due_on.le(day))
        .filter(last)
        .order(nonconformities::due_on)
        .limit(limit)
        .select((nonconformities::id, nonconformities::code, nonconformities::title, nonconformities::due_on))
        .load(&mut connection)
        .await?)
}

pub(super) async fn list(
    mut connection: &Connection,
    listing: &Listing,
    entity: Option<Uuid>,
    limit: i64,
) -> Result<Vec<Row>, Refusal> {
    let mut query = nonconformities::table
        .filter(nonconformities::id.lt(NonconformityId(listing.before())))
        .filter(nonconformities::recorded_at.ge(listing.window_start()))
        .filter(nonconformities::recorded_at.lt(listing.window_end()))
        .order(nonconformities::id.desc())
        .limit(limit)
        .select(Row::as_select())
        .into_boxed();
    if let Some(entity) = entity {
        let linked = nonconformity_links::table
            .filter(nonconformity_links::entity_id.eq(entity))
            .select(nonconformity_links::nonconformity_id);
        query = query.filter(nonconformities::id.eq_any(linked));
    }
    Ok(query.load(&mut connection).await?)
}
