//! Signatures of an earlier release get the rows they stand over; one whose digest fits no rows on record is marked, not repaired.

use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::pins::{self, Sight, Unpinned, Used};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::titrants;
use ferrotitre_core::lifecycle::EntityKind;

use crate::determinations::record::{self, KIND};
use crate::determinations::{iron_results, store};

/// Signatures that are read in one transaction.
const AT_ONCE: i64 = 100;

/// What became of signatures of an earlier release.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Adopted {
    /// How many got their pins.
    pub pinned: usize,
    /// How many fit no rows on record.
    pub marked: usize,
}

/// Gives pins or marks to every signature of an author that has neither. Run after the migrations; without such signatures it
/// asks four short questions and ends.
///
/// # Errors
/// A store that cannot be reached.
pub async fn adopt(db: &Db) -> Result<Adopted, Refusal> {
    let (pinned, marked) = titrants::adoption::adopt(db).await?;
    let mut adopted = Adopted { pinned, marked };
    let act = Act::system("pin_signatures");
    // Determinations first: an iron result stands over what their signatures do.
    for kind in [KIND, EntityKind::IronResult] {
        loop {
            let outcomes = db
                .transact(&act, async |connection| {
                    let mut outcomes = Vec::new();
                    for one in pins::without(connection, (kind.table(), "authored"), AT_ONCE).await? {
                        let read = read(connection, kind, &one).await?;
                        outcomes.push(pins::adopt(connection, &one, read).await?);
                    }
                    Ok(outcomes)
                })
                .await?;
            if outcomes.is_empty() {
                break;
            }
            adopted.pinned += outcomes.iter().filter(|fits| **fits).count();
            adopted.marked += outcomes.iter().filter(|fits| !**fits).count();
        }
    }
    if adopted.pinned > 0 {
        db.transact(&act, async |connection| pins::touch_past(connection).await).await?;
    }
    Ok(adopted)
}

/// Digest and rows of what was signed, read as of the moment of the signature; none where it cannot be evaluated any more.
async fn read(connection: &Connection, kind: EntityKind, one: &Unpinned) -> Result<Option<(String, Used)>, Refusal> {
    let sight = Sight::AsOf(one.signed_at);
    if kind == EntityKind::IronResult {
        let row = store::iron_result(connection, one.entity_id).await?;
        return iron_results::as_of(connection, row, &sight).await;
    }
    let row = store::determination(connection, one.entity_id).await?;
    let Ok(loaded) = record::load_under(connection, row, &sight).await else { return Ok(None) };
    Ok(Some((loaded.content_digest(), loaded.pins(connection).await?)))
}
