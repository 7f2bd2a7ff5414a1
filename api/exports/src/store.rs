//! Table of exports, and the rows that are exported.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, ExportId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_schema::exports;

/// An export as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = exports)]
pub(super) struct Row {
    pub(super) id: ExportId,
    pub(super) what: String,
    pub(super) query: String,
    pub(super) format: String,
    pub(super) digest: String,
    pub(super) records: i64,
    #[diesel(skip_insertion)]
    pub(super) recorded_at: DateTime<Utc>,
    pub(super) recorded_by: AccountId,
}

pub(super) async fn insert(mut connection: &Connection, row: &Row) -> Result<Row, Refusal> {
    Ok(diesel::insert_into(exports::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await?)
}

pub(super) async fn newest(
    mut connection: &Connection,
    by: Option<AccountId>,
    limit: i64,
) -> Result<Vec<Row>, Refusal> {
    let mut query = exports::table.order(exports::id.desc()).limit(limit).select(Row::as_select()).into_boxed();
    if let Some(person) = by {
        query = query.filter(exports::recorded_by.eq(person));
    }
    Ok(query.load(&mut connection).await?)
}
