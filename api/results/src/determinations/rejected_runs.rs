//! What the rejection of a run does to the results determined in it: nothing of it stays simply approved.

use ferrotitre_base::db::{Act, Connection};
use ferrotitre_base::ids::{DeterminationId, RunId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::determinations::{iron_results, record, store};

/// Where a result goes whose run is rejected. One that is still worked at stays: nothing more can be recorded for it.
fn leads_to(state: &str) -> Option<&'static str> {
    match state {
        "submitted" | "reviewed" => Some("returned"),
        "approved" | "reported" | "amended" => Some("invalidated"),
        _ => None,
    }
}

async fn fall(
    connection: &Connection,
    act: &Act,
    (kind, id): (EntityKind, Uuid),
    reason: &str,
) -> Result<bool, Refusal> {
    let Some(to) = leads_to(&states::present(connection, kind, id).await?.state) else { return Ok(false) };
    let asked = NewMove { to: to.to_owned(), reason: Some(reason.to_owned()) };
    states::advance(connection, act, kind, id, &asked, None).await?;
    Ok(true)
}

/// Returns or invalidates the clients' results of a rejected run and what was computed from them, each with the reason; answers
/// with what was moved. The determinations of controls stay: what failed is on record with them.
pub async fn give_back(
    connection: &Connection,
    act: &Act,
    run: RunId,
    reason: &str,
) -> Result<Vec<(&'static str, Uuid)>, Refusal> {
    let mut moved = Vec::new();
    let rows = store::of_run(connection, run).await?;
    let of_clients: Vec<DeterminationId> =
        rows.into_iter().filter(|row| row.purpose == "sample").map(|row| row.id).collect();
    for id in &of_clients {
        if fall(connection, act, (record::KIND, id.0), reason).await? {
            moved.push((record::KIND.table(), id.0));
        }
    }
    for result in store::iron_results_from(connection, &of_clients).await? {
        if fall(connection, act, (iron_results::KIND, result.id.0), reason).await? {
            moved.push((iron_results::KIND.table(), result.id.0));
        }
    }
    Ok(moved)
}
