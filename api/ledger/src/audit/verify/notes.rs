//! Every checkpoint is the signed head of its size, and every countersignature is one; a page at a time.

use std::collections::HashMap;

use ed25519_dalek::VerifyingKey;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_check::note::{Checkpoint, NamedKey, Note, SignatureLine};

use super::Report;
use crate::audit::store::{CosignatureRow, HeadRow};
use crate::audit::{seal, store};

/// Checkpoints that are read at once.
const AT_ONCE: i64 = 1000;

pub(super) async fn check(connection: &Connection, key: &VerifyingKey, report: &mut Report) -> Result<(), Refusal> {
    let mut after = i64::MIN;
    loop {
        let page = store::checkpoints(connection, after, AT_ONCE).await?;
        let Some((last, _)) = page.last() else { break };
        after = *last;
        let sizes: Vec<i64> = page.iter().map(|(size, _)| *size).collect();
        let heads = store::heads_of(connection, &sizes).await?;
        let heads: HashMap<i64, HeadRow> = heads.into_iter().map(|head| (head.tree_size, head)).collect();
        let texts = of_page(page, key, &heads, report);
        for row in store::cosignatures_of(connection, &sizes).await? {
            countersigned(&row, texts.get(&row.tree_size).cloned().unwrap_or_default(), report);
        }
    }
    for row in store::stray_cosignatures(connection).await? {
        countersigned(&row, String::new(), report);
    }
    Ok(())
}

/// Checks the notes of a page; their texts by size.
fn of_page(
    page: Vec<(i64, String)>,
    key: &VerifyingKey,
    heads: &HashMap<i64, HeadRow>,
    report: &mut Report,
) -> HashMap<i64, String> {
    let keys = [seal::named(key)];
    let mut texts = HashMap::new();
    for (size, note) in page {
        report.checkpoints.0 += 1;
        let read = Note::read(&note).and_then(|note| Ok((Checkpoint::read(&note.text)?, note)));
        let head = heads.get(&size);
        let (Ok((checkpoint, note)), Some(head)) = (read, head) else {
            report.findings.push(format!("the checkpoint of size {size} is none, or has no head"));
            continue;
        };
        let same = checkpoint.size.cast_signed() == size && checkpoint.root.as_slice() == head.root_hash;
        // Signed by another key before a decision that is on record: its head was passed over for the same reason.
        let signed = head.key_id != seal::key_id(key) || note.signed_by(&keys).is_ok();
        if !same || !signed {
            report.findings.push(format!("the checkpoint of size {size} is not the head that was signed"));
        }
        texts.insert(size, note.text);
    }
    texts
}

fn countersigned(row: &CosignatureRow, text: String, report: &mut Report) {
    report.checkpoints.1 += 1;
    let line = SignatureLine::read(&row.line).map(|line| Note { text, signatures: vec![line] });
    let holds = NamedKey::read(&row.witness).is_ok_and(|key| line.is_ok_and(|note| note.signed_by(&[key]).is_ok()));
    if !holds {
        let size = row.tree_size;
        report.findings.push(format!("a countersignature on the checkpoint of size {size} does not hold"));
    }
}
