//! Table of imported files.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, ImportedFileId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::paging::Listing;
use ferrotitre_schema::imported_files;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::imports::NewImport;

/// A file as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = imported_files)]
pub struct Row {
    pub id: ImportedFileId,
    pub purpose: String,
    pub subject_id: Uuid,
    pub file_name: String,
    pub decimal_mark: String,
    pub separator: String,
    pub digest: String,
    pub content: String,
    pub records: i32,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "imported_files_once",
    code: Code::AlreadyExists,
    field: "text",
    detail: "this very file was imported here before",
}];

/// SHA-256 of a file's text.
pub fn digest(text: &str) -> String {
    hex::encode(Sha256::digest(text.as_bytes()))
}

/// Keeps a file as it came.
pub async fn keep(
    mut connection: &Connection,
    file: NewImport,
    (purpose, subject): (&str, Uuid),
    records: i32,
    by: AccountId,
) -> Result<Row, Refusal> {
    let row = Row {
        id: ImportedFileId::new(),
        purpose: purpose.to_owned(),
        subject_id: subject,
        digest: digest(&file.text),
        file_name: file.file_name,
        decimal_mark: file.decimal_mark,
        separator: file.separator,
        content: file.text,
        records,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: by,
    };
    diesel::insert_into(imported_files::table)
        .values(&row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

/// A kept file without its text.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = imported_files)]
pub struct Kept {
    pub id: ImportedFileId,
    pub purpose: String,
    pub subject_id: Uuid,
    pub file_name: String,
    pub decimal_mark: String,
    pub separator: String,
    pub digest: String,
    pub records: i32,
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// Files that were imported into something, newest first.
pub async fn of_subject(mut connection: &Connection, subject: Uuid, limit: i64) -> Result<Vec<Kept>, Refusal> {
    Ok(imported_files::table
        .filter(imported_files::subject_id.eq(subject))
        .order(imported_files::id.desc())
        .limit(limit)
        .select(Kept::as_select())
        .load(&mut connection)
        .await?)
}

/// Files recorded in a window of time, newest first.
pub async fn list(mut connection: &Connection, listing: &Listing, limit: i64) -> Result<Vec<Kept>, Refusal> {
    Ok(imported_files::table
        .filter(imported_files::id.lt(ImportedFileId(listing.before())))
        .filter(imported_files::recorded_at.ge(listing.window_start()))
        .filter(imported_files::recorded_at.lt(listing.window_end()))
        .order(imported_files::id.desc())
        .limit(limit)
        .select(Kept::as_select())
        .load(&mut connection)
        .await?)
}

/// A file with its text.
pub async fn find(mut connection: &Connection, id: Uuid) -> Result<(Kept, String), Refusal> {
    imported_files::table
        .filter(imported_files::id.eq(ImportedFileId(id)))
        .select((Kept::as_select(), imported_files::content))
        .first(&mut connection)
        .await
        .optional()?
        .ok_or_else(|| Refusal::not_found("imported file", id))
}
