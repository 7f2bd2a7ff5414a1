//! The check of reviews: that each begins where the one before ended, covers what its head covers, counted what there is, and bears
//! the signature of who made it.

use std::collections::HashMap;

use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs;

use crate::audit::reviews::{Period, digest};
use crate::audit::store::{self, HeadRow, ReviewRow};

/// What of a review does not fit.
async fn wrong(
    connection: &Connection,
    row: &ReviewRow,
    heads: &HashMap<i64, HeadRow>,
) -> Result<Vec<String>, Refusal> {
    let mut found = Vec::new();
    if heads.get(&row.until_size).is_none_or(|head| head.root_hash != row.root_hash || head.signed_at != row.until_at) {
        found.push(format!("is not over the tree head of size {}", row.until_size));
    }
    let counted = store::counted(connection, row.from_size, row.until_size).await?;
    let period = Period::of_row(row);
    if counted != period.counted {
        found.push("counted other rows than there are".to_owned());
    }
    let text = period.signed_text(&row.findings, &row.nonconformities);
    let signed = sign_offs::of(connection, row.id.0).await?;
    match signed.as_slice() {
        [one] if one.recorded_by == row.recorded_by && one.content_digest == digest(&text) => {}
        [] => found.push("is not signed".to_owned()),
        _ => found.push("is not what its signature stands over".to_owned()),
    }
    Ok(found)
}

/// Reviews that were checked, and what does not fit.
pub(in crate::audit) async fn check(connection: &Connection) -> Result<(usize, Vec<String>), Refusal> {
    let rows = store::every_review(connection).await?;
    let sizes: Vec<i64> = rows.iter().map(|row| row.until_size).collect();
    let heads = store::heads_of(connection, &sizes).await?;
    let heads: HashMap<i64, HeadRow> = heads.into_iter().map(|head| (head.tree_size, head)).collect();
    let mut findings = Vec::new();
    let mut ended: Option<(i32, i64)> = None;
    for row in &rows {
        let (number, size) = ended.map_or((1, 0), |(number, size)| (number + 1, size));
        if row.number != number || row.from_size != size {
            findings
                .push(format!("review {} of the audit trail does not begin where the one before ended", row.number));
        }
        ended = Some((row.number, row.until_size));
        let wrong = wrong(connection, row, &heads).await?;
        findings.extend(wrong.into_iter().map(|what| format!("review {} of the audit trail {what}", row.number)));
    }
    Ok((rows.len(), findings))
}
