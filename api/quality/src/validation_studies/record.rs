//! A study whole, for those who check it elsewhere.

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::pins::Used;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

use crate::validation_studies::reading;
use crate::validation_studies::store;

/// A study whole.
pub struct StudyRecord {
    /// Code.
    pub code: String,
    /// Its rows: plan, limits, data, exclusions, conclusions.
    pub rows: Vec<Uuid>,
    /// The conclusion drawn last; none of a study that has not been concluded.
    pub conclusion: Option<Uuid>,
}

async fn load(connection: &Connection, id: Uuid) -> Result<StudyRecord, Refusal> {
    let study = store::study(connection, id).await?;
    let loaded = reading::load_study(connection, &study).await?;
    let mut used = Used::default();
    let _ = loaded.rows_read(&mut used, study.recorded_at);
    let conclusions = store::conclusions(connection, study.id).await?;
    let mut rows: Vec<Uuid> = used.rows().iter().copied().collect();
    rows.push(study.id.0);
    rows.extend(conclusions.iter().map(|row| row.id.0));
    Ok(StudyRecord { code: study.code, rows, conclusion: conclusions.last().map(|row| row.id.0) })
}

/// Reads a study whole, as it stands at one moment.
///
/// # Errors
/// No such study.
pub async fn read(db: &Db, id: Uuid) -> Result<StudyRecord, Refusal> {
    db.snapshot(async |connection| load(connection, id).await).await
}
