//! What a conclusion stands over: plan, limits, data, exclusions, and what the signatures on the results behind the data do.

use std::collections::HashSet;

use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::locks;
use ferrotitre_base::pins::{self, Used};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs;
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::validation_studies::conclusions;
use crate::validation_studies::reading::{self, Loaded};
use crate::validation_studies::store::{self, StudyRow};

const KIND: EntityKind = EntityKind::ValidationConclusion;
/// Signatures that are read in one transaction.
const AT_ONCE: i64 = 100;

/// Every row that answers are read from, and those behind the determinations and iron results that gave data.
async fn used_of(connection: &Connection, study: &StudyRow, loaded: &Loaded) -> Result<Used, Refusal> {
    let mut used = Used::default();
    used.add("validation_studies", study.id.0, study.recorded_at);
    used.add("methods", study.method_id.0, study.recorded_at);
    let behind = loaded.rows_read(&mut used, study.recorded_at);
    used.extend(&pins::together(connection, &behind).await?);
    for standing in pins::standing(connection, &behind).await?.into_values() {
        used.add("sign_offs", standing.sign_off.0, standing.signed_at);
    }
    Ok(used)
}

/// A study as its conclusion is signed over it: what it rests on stays as it is until the signature is made.
pub(super) async fn to_pin(connection: &Connection, study: &StudyRow) -> Result<(Loaded, Used), Refusal> {
    locks::hold(connection, &[study.id.0]).await?;
    let mut shared: HashSet<Uuid> = HashSet::new();
    loop {
        let loaded = reading::load_study(connection, study).await?;
        let used = used_of(connection, study, &loaded).await?;
        let rows = used.rows();
        if rows.is_subset(&shared) {
            return Ok((loaded, used));
        }
        locks::share(connection, &rows.iter().copied().collect::<Vec<_>>()).await?;
        shared.extend(rows);
    }
}

/// Gives pins or marks to conclusions that were signed by an earlier release; returns how many got pins, and how many a mark.
///
/// # Errors
/// A store that cannot be reached.
pub async fn adopt(db: &Db) -> Result<(usize, usize), Refusal> {
    let act = Act::system("pin_signatures");
    let (mut pinned, mut marked) = (0, 0);
    loop {
        let outcomes = db
            .transact(&act, async |connection| {
                let mut outcomes = Vec::new();
                for one in pins::without(connection, (KIND.table(), "authored"), AT_ONCE).await? {
                    let row = store::conclusion(connection, one.entity_id).await?;
                    let study = store::study(connection, row.study_id.0).await?;
                    let signed = sign_offs::of(connection, row.id.0).await?;
                    let read = match conclusions::signed_digest(&row, &signed) {
                        Some(digest) => {
                            let loaded = reading::load_study(connection, &study).await?.seen_at(one.signed_at);
                            let mut used = used_of(connection, &study, &loaded).await?;
                            used.add(KIND.table(), row.id.0, one.signed_at);
                            Some((digest, used))
                        }
                        None => None,
                    };
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
    Ok((pinned, marked))
}
