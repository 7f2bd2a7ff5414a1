//! The working of iron(III) by difference.

use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::workings::Worked;
use ferrotitre_core::determination::{Iron3, ResultOutcome};
use uuid::Uuid;

use super::load;
use crate::determinations::{service, store};

/// Which of its determinations are discordant, as it stands below the working.
fn discordant(derived: &Iron3) -> String {
    let parts = [("total iron", &derived.total), ("iron(II)", &derived.iron2)];
    let said = parts.into_iter().filter(|(_, of)| of.outcome == ResultOutcome::Discordant);
    let said: Vec<String> = said.map(|(name, of)| format!("{name}: {}", service::how(&of.progress))).collect();
    if said.is_empty() { String::new() } else { format!("\ndiscordant: {}", said.join("; ")) }
}

/// The working of an iron result.
pub async fn working(db: &Db, id: Uuid) -> Result<Worked, Refusal> {
    db.snapshot(async |connection| {
        let loaded = load(connection, store::iron_result(connection, id).await?).await?;
        let derived = loaded.evaluate()?;
        let foot = discordant(&derived);
        match (derived.working, derived.reported) {
            (Some(working), Some(reported)) => Ok(Worked {
                of: ("iron_result", id.to_string()),
                head: format!("{} iron(III) by difference\n\n", loaded.row.code),
                working,
                foot: format!("{foot}{}", service::reported_line(&reported)),
            }),
            _ => Err(Refusal::new(Code::NotEnoughData, "not enough data: both determinations must be complete")),
        }
    })
    .await
}
