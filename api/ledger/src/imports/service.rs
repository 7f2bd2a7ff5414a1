//! Use cases of imported files: which there are, and what was in one.

use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::{Listing, Page};
use uuid::Uuid;

use crate::imports::{ImportedFile, store};

/// Files of every kind, newest first, without their texts.
pub async fn list(db: &Db, listing: &Listing) -> Result<Page<ImportedFile>, Refusal> {
    let limit = listing.limit()?;
    db.read(async |connection| {
        let rows = store::list(connection, listing, limit + 1).await?;
        Page::of(rows, limit, |kept| kept.id.0).try_map(|kept| Ok(view(kept, None)))
    })
    .await
}

/// One file with its text.
pub async fn read(db: &Db, id: Uuid) -> Result<ImportedFile, Refusal> {
    db.read(async |connection| {
        let (kept, text) = store::find(connection, id).await?;
        Ok(view(kept, Some(text)))
    })
    .await
}

fn view(kept: store::Kept, text: Option<String>) -> ImportedFile {
    ImportedFile {
        id: kept.id.0,
        purpose: kept.purpose,
        subject: kept.subject_id,
        file_name: kept.file_name,
        decimal_mark: kept.decimal_mark,
        separator: kept.separator,
        digest: kept.digest,
        records: kept.records,
        recorded_at: kept.recorded_at,
        recorded_by: kept.recorded_by,
        text,
    }
}
