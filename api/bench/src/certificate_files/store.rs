//! Table of files of certificates.

use std::collections::HashSet;

use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, CertificateFileId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_schema::certificate_files;

#[derive(Insertable)]
#[diesel(table_name = certificate_files)]
pub(super) struct New {
    pub id: CertificateFileId,
    pub digest: String,
    pub file_name: String,
    pub media_type: &'static str,
    pub content: Vec<u8>,
    pub recorded_by: AccountId,
}

/// Keeps a file; one that is there already stays as it is.
pub(super) async fn keep(mut connection: &Connection, row: &New) -> Result<(), Refusal> {
    diesel::insert_into(certificate_files::table)
        .values(row)
        .on_conflict(certificate_files::digest)
        .do_nothing()
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Name, kind and bytes of a file.
pub(super) async fn read(
    mut connection: &Connection,
    digest: &str,
) -> Result<Option<(String, String, Vec<u8>)>, Refusal> {
    let file = certificate_files::table
        .filter(certificate_files::digest.eq(digest))
        .select((certificate_files::file_name, certificate_files::media_type, certificate_files::content))
        .first(&mut connection)
        .await
        .optional()?;
    Ok(file)
}

/// Which of some files are there.
pub(super) async fn known(mut connection: &Connection, digests: &[&str]) -> Result<HashSet<String>, Refusal> {
    let found: Vec<String> = certificate_files::table
        .filter(certificate_files::digest.eq_any(digests))
        .select(certificate_files::digest)
        .load(&mut connection)
        .await?;
    Ok(found.into_iter().collect())
}
