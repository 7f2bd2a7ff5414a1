//! Blanks as stored, with what was added to them.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::among::among;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{
    AccountId, BlankAdditionId, BlankId, CalibrationId, ConcessionId, FactorId, RunId, TitrantId,
};
use ferrotitre_base::pins::Sight;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::states::{self, StateMove};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_schema::{blank_additions, blanks};
use uuid::Uuid;

/// A blank as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = blanks)]
pub struct Row {
    pub id: BlankId,
    pub record_id: Uuid,
    pub version: i32,
    pub supersedes: Option<BlankId>,
    pub reason: Option<String>,
    pub run_id: RunId,
    pub kind: String,
    pub titrant_id: TitrantId,
    pub factor_id: FactorId,
    pub burette_id: Uuid,
    pub calibration_id: CalibrationId,
    pub initial_readings: Vec<Decimal>,
    pub final_readings: Vec<Decimal>,
    pub solution_temperature: Option<Decimal>,
    pub indicator: String,
    pub indicator_drops: Option<i32>,
    pub end_point: String,
    pub iron_equivalent_ml: Option<Decimal>,
    pub concession_id: Option<ConcessionId>,
    pub observed_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// What was added to a blank, as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = blank_additions)]
pub struct AdditionRow {
    pub id: BlankAdditionId,
    pub blank_id: BlankId,
    pub titrant_id: Option<TitrantId>,
    pub factor_id: Option<FactorId>,
    pub pipette_id: Option<Uuid>,
    pub equivalent_u_ml: Option<Decimal>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "blanks_supersedes_once",
    code: Code::StaleVersion,
    field: "",
    detail: "somebody corrected it at the same moment; read it again",
}];

/// All versions of the blanks of a run, with the moves of each.
#[derive(Debug, Clone, Default)]
pub struct OfRun {
    pub all: Vec<Row>,
    pub moves: Vec<StateMove>,
    /// What was added to them.
    pub additions: Vec<AdditionRow>,
}

impl OfRun {
    /// Blanks that count among those that are seen: not superseded, not rejected.
    pub fn counted(&self, sight: &Sight) -> Vec<&Row> {
        let seen: Vec<&Row> = self.all.iter().filter(|row| sight.sees(row.id.0, row.recorded_at)).collect();
        let counts = |row: &&&Row| {
            let mut moves = self.moves.iter().filter(|step| step.entity_id == row.id.0);
            let last = moves.rfind(|step| sight.sees(step.id.0, step.recorded_at));
            last.is_none_or(|step| step.to_state != "rejected")
                && !seen.iter().any(|other| other.supersedes == Some(row.id))
        };
        seen.iter().filter(counts).copied().collect()
    }

    /// What was added to a blank.
    pub fn addition(&self, blank: BlankId) -> Option<&AdditionRow> {
        self.additions.iter().find(|added| added.blank_id == blank)
    }

    /// Blanks of the present that nobody has accepted or rejected.
    pub fn unjudged(&self) -> usize {
        let accepted = |row: &Row| {
            let last = self.moves.iter().rfind(|step| step.entity_id == row.id.0);
            last.is_some_and(|step| step.to_state == "accepted")
        };
        self.counted(&Sight::Present).into_iter().filter(|row| !accepted(row)).count()
    }
}

/// Blanks of a run.
pub async fn of_run(connection: &Connection, run: RunId) -> Result<OfRun, Refusal> {
    Ok(of_runs(connection, &[run]).await?.remove(&run).unwrap_or_default())
}

/// Blanks of several runs.
pub async fn of_runs(mut connection: &Connection, runs: &[RunId]) -> Result<HashMap<RunId, OfRun>, Refusal> {
    let rows: Vec<Row> = blanks::table
        .filter(among(blanks::run_id, runs))
        .order((blanks::record_id, blanks::version))
        .select(Row::as_select())
        .load(&mut connection)
        .await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let of_run: HashMap<Uuid, RunId> = rows.iter().map(|row| (row.id.0, row.run_id)).collect();
    let mut found: HashMap<RunId, OfRun> = HashMap::new();
    for step in states::moves_of(connection, &ids).await? {
        if let Some(run) = of_run.get(&step.entity_id) {
            found.entry(*run).or_default().moves.push(step);
        }
    }
    for added in additions(connection, &rows).await? {
        if let Some(run) = of_run.get(&added.blank_id.0) {
            found.entry(*run).or_default().additions.push(added);
        }
    }
    for row in rows {
        found.entry(row.run_id).or_default().all.push(row);
    }
    Ok(found)
}

pub(super) async fn additions(mut connection: &Connection, rows: &[Row]) -> Result<Vec<AdditionRow>, Refusal> {
    let ids: Vec<BlankId> = rows.iter().map(|row| row.id).collect();
    if ids.is_empty() {
        return Ok(Vec::new());
    }
    let found = blank_additions::table.filter(among(blank_additions::blank_id, &ids));
    Ok(found.select(AdditionRow::as_select()).load(&mut connection).await?)
}

pub(super) async fn insert(
    mut connection: &Connection,
    (row, added): &(Row, Option<AdditionRow>),
) -> Result<Row, Refusal> {
    let row = diesel::insert_into(blanks::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))?;
    if let Some(added) = added {
        diesel::insert_into(blank_additions::table).values(added).execute(&mut connection).await?;
    }
    Ok(row)
}

/// The present version of a blank.
pub(super) async fn current(mut connection: &Connection, record: Uuid) -> Result<Row, Refusal> {
    let row = blanks::table
        .filter(blanks::record_id.eq(record))
        .order(blanks::version.desc())
        .select(Row::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    row.ok_or_else(|| Refusal::not_found("blank", record))
}
