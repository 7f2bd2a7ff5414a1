//! Signatures of an earlier release on preparations and standardisations get the rows they stand over.

use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::pins::{self, Unpinned, Used};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::lifecycle::EntityKind;

use crate::titrants::{preparations, standardisations};

/// Signatures that are read in one transaction.
const AT_ONCE: i64 = 100;

/// Gives pins or marks to all of them; returns how many got pins, and how many a mark.
///
/// # Errors
/// A store that cannot be reached.
pub async fn adopt(db: &Db) -> Result<(usize, usize), Refusal> {
    let act = Act::system("pin_signatures");
    let (mut pinned, mut marked) = (0, 0);
    // Preparations first: a standardisation against a titrant stands over what that one's signature does.
    for (kind, meaning) in [(EntityKind::Titrant, "approved"), (EntityKind::Standardisation, "authored")] {
        loop {
            let outcomes = db
                .transact(&act, async |connection| {
                    let mut outcomes = Vec::new();
                    for one in pins::without(connection, (kind.table(), meaning), AT_ONCE).await? {
                        let read = read(connection, kind, &one).await?;
                        outcomes.push(pins::adopt(connection, &one, read).await?);
                    }
                    Ok(outcomes)
                })
                .await?;
            if outcomes.is_empty() {
                break;
            }
            pinned += outcomes.iter().filter(|fits| **fits).count();
            marked += outcomes.iter().filter(|fits| !**fits).count();
        }
    }
    Ok((pinned, marked))
}

async fn read(
    connection: &ferrotitre_base::db::Connection,
    kind: EntityKind,
    one: &Unpinned,
) -> Result<Option<(String, Used)>, Refusal> {
    match kind {
        EntityKind::Titrant => preparations::as_of(connection, one.entity_id, one.signed_at).await,
        _ => standardisations::as_of(connection, one.entity_id, one.signed_at).await,
    }
}
