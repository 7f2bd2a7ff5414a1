//! Table of imported tables.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, ImportedTableId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::json::Json;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_schema::imported_tables;
use uuid::Uuid;

use super::{Became, Reading};

/// A file as stored.
#[derive(Debug, Insertable)]
#[diesel(table_name = imported_tables)]
pub(super) struct New {
    pub id: ImportedTableId,
    pub purpose: String,
    pub subject_id: Option<Uuid>,
    pub file_name: String,
    pub format: String,
    pub reading: Json<Reading>,
    pub digest: String,
    pub content: Vec<u8>,
    pub records: i32,
    pub became: Json<Vec<Became>>,
    pub recorded_by: AccountId,
}

/// A kept file without its content.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = imported_tables)]
pub struct Kept {
    pub id: ImportedTableId,
    pub purpose: String,
    pub subject_id: Option<Uuid>,
    pub file_name: String,
    pub format: String,
    pub reading: Json<Reading>,
    pub digest: String,
    pub records: i32,
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// Keeps a file as it came.
pub(super) async fn keep(mut connection: &Connection, row: &New) -> Result<DateTime<Utc>, Refusal> {
    Ok(diesel::insert_into(imported_tables::table)
        .values(row)
        .returning(imported_tables::recorded_at)
        .get_result(&mut connection)
        .await?)
}

/// Files, newest first.
pub(super) async fn list(mut connection: &Connection, listing: &Listing, limit: i64) -> Result<Vec<Kept>, Refusal> {
    Ok(imported_tables::table
        .filter(imported_tables::id.lt(ImportedTableId(listing.before())))
        .filter(imported_tables::recorded_at.ge(listing.window_start()))
        .filter(imported_tables::recorded_at.lt(listing.window_end()))
        .order(imported_tables::id.desc())
        .limit(limit)
        .select(Kept::as_select())
        .load(&mut connection)
        .await?)
}

/// Files that were imported into something, newest first.
pub(super) async fn of_subject(mut connection: &Connection, subject: Uuid) -> Result<Vec<Kept>, Refusal> {
    Ok(imported_tables::table
        .filter(imported_tables::subject_id.eq(subject))
        .order(imported_tables::id.desc())
        .limit(50)
        .select(Kept::as_select())
        .load(&mut connection)
        .await?)
}

/// A file with what it became and its bytes.
pub(super) async fn find(mut connection: &Connection, id: Uuid) -> Result<(Kept, Json<Vec<Became>>, Vec<u8>), Refusal> {
    imported_tables::table
        .find(ImportedTableId(id))
        .select((Kept::as_select(), imported_tables::became, imported_tables::content))
        .first(&mut connection)
        .await
        .optional()?
        .ok_or_else(|| Refusal::not_found("imported table", id))
}
