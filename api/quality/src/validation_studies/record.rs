//! A study whole, for those who check it elsewhere.

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::pins::Used;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states;
use uuid::Uuid;

use crate::validation_studies::plan::STUDY;
use crate::validation_studies::reading;
use crate::validation_studies::store;
use crate::validation_studies::workings::{self, StatisticWorking};

/// A study whole.
pub struct StudyRecord {
    /// Code.
    pub code: String,
    /// Its rows: plan, limits, data, exclusions, conclusions.
    pub rows: Vec<Uuid>,
    /// The conclusion that stands over what the data come to; none of a study that goes on.
    pub conclusion: Option<Uuid>,
    /// Statistics with an expression, by the place of their characteristic in the plan.
    pub statistics: Vec<(i32, StatisticWorking)>,
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
    let mut statistics = Vec::new();
    for row in loaded.plan.iter().filter(|row| loaded.points(row.id).len() <= workings::MOST) {
        let made = workings::on(connection, &loaded, row).await?;
        statistics.extend(made.into_iter().map(|one| (row.position, one)));
    }
    let state = states::present(connection, STUDY, id).await?.state;
    let concluded = matches!(state.as_str(), "complete" | "reviewed" | "approved");
    let conclusion = conclusions.last().filter(|_| concluded).map(|row| row.id.0);
    Ok(StudyRecord { code: study.code, rows, conclusion, statistics })
}

/// Reads a study whole, as it stands at one moment.
///
/// # Errors
/// No such study.
pub async fn read(db: &Db, id: Uuid) -> Result<StudyRecord, Refusal> {
    db.snapshot(async |connection| load(connection, id).await).await
}
