//! What control values were computed from, as it stands now.

use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::{labels, states};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::control_charts::wire::PointView;

/// What a value was computed from, as it stands now.
pub struct Source {
    /// Run or determination.
    pub kind: EntityKind,
    /// Identity.
    pub id: Uuid,
    /// Code.
    pub code: String,
    /// Present state.
    pub state: String,
}

/// Run and determinations of a value.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of(db: &Db, point: &PointView) -> Result<Vec<Source>, Refusal> {
    let all = [
        (EntityKind::Run, point.run),
        (EntityKind::Determination, point.determination),
        (EntityKind::Determination, point.second_determination),
    ];
    db.read(async |connection| {
        let mut sources = Vec::new();
        for (kind, id) in all {
            let Some(id) = id else { continue };
            let code = labels::on(connection, kind, &[id]).await?.remove(&id);
            let state = states::present(connection, kind, id).await?.state;
            sources.push(Source { kind, id, code: code.unwrap_or_else(|| kind.noun().to_owned()), state });
        }
        Ok(sources)
    })
    .await
}
