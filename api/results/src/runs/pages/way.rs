//! The way to what comes next in a run, in words.

use ferrotitre_base::db::Db;
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::runs::next::{self, Next};

/// Words of a button, and the page it leads to; none where nothing follows from what is there.
///
/// # Errors
/// A store that cannot be reached.
pub async fn on(
    db: &Db,
    run: Uuid,
    after: Option<Uuid>,
    person: AccountId,
) -> Result<Option<(String, String)>, Refusal> {
    let next = next::of(db, run, after, person).await?;
    let words = match &next {
        Next::Blank { code, .. } => format!("Record the blank of {code}"),
        Next::Titrate { sample, .. } => {
            let codes = labels::of(db, EntityKind::Sample, &[*sample]).await?;
            format!("Titrate {}", codes.get(sample).cloned().unwrap_or_default())
        }
        Next::Finish { .. } => "Close and submit".to_owned(),
        Next::Open => String::new(),
    };
    Ok(next.place().map(|place| (words, place)))
}
