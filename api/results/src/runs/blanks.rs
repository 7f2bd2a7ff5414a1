//! Blanks of a run. A blank may be negative and is never clipped.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{AccountId, BlankId, CalibrationId, ConcessionId, FactorId, RunId, TitrantId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal, from_store};
use ferrotitre_base::states::{self, NewMove, StateMove};
use ferrotitre_base::web::answer::{Answer, Located, expect_version};
use ferrotitre_base::web::decimal::{Decimal, in_range, words};
use ferrotitre_base::web::versions::Correction;
use ferrotitre_bench::{impacts, methods, readings};
use ferrotitre_core::chemistry::indicator;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_schema::blanks;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::determinations::use_of::{self, Burette};
use crate::runs::service;
use ferrotitre_base::locks;
use ferrotitre_base::pins::Sight;

pub const KIND: EntityKind = EntityKind::Blank;

/// A blank as entered.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewBlank {
    /// reagent, reagent with iron(II), or indicator.
    #[schema(example = "reagent with iron(II)")]
    pub kind: String,
    /// Titrant lot.
    pub titrant: Uuid,
    /// Burette.
    pub burette: Uuid,
    /// Burette readings before each segment, mL, as entered.
    #[schema(example = json!(["0.00"]))]
    pub initial_readings: Vec<Decimal>,
    /// Burette readings after each segment, mL, as entered.
    #[schema(example = json!(["1.06"]))]
    pub final_readings: Vec<Decimal>,
    /// Temperature of the titrant, C.
    #[schema(example = "21.0")]
    pub solution_temperature: Option<Decimal>,
    /// Drops of indicator: as many as in the samples.
    pub indicator_drops: Option<i32>,
    /// End point as seen, in words.
    #[schema(example = "violet, sharp")]
    pub end_point: String,
    /// Titrant volume equivalent to the added iron(II), mL; for a reagent blank with iron(II).
    #[schema(example = "1.00")]
    pub iron_equivalent_ml: Option<Decimal>,
    /// Concession under which an expired or overdue item is used.
    pub concession: Option<ConcessionId>,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// Why it is recorded so much later than observed: needed after more than a day, or whatever the laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
}

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

/// A blank.
#[derive(Debug, Serialize, ToSchema)]
pub struct BlankView {
    /// The blank itself, the same in all its versions.
    pub id: Uuid,
    /// This version; named in If-Match when it is corrected.
    pub version_id: Uuid,
    /// Number of the version.
    pub version: i32,
    /// Run.
    pub run: Uuid,
    /// recorded, accepted, rejected or superseded.
    #[schema(example = "recorded")]
    pub state: String,
    /// What was recorded.
    #[serde(flatten)]
    pub facts: NewBlank,
    /// Reason of the correction.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

impl Located for BlankView {
    fn location(&self) -> String {
        format!("/api/v1/runs/{}/blanks", self.run)
    }
}

/// Acceptance or rejection of a blank.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Judgement {
    /// accepted or rejected.
    #[schema(example = "accepted")]
    pub to: String,
    /// Assignable cause of a rejection, from the list for titrations.
    pub cause: Option<String>,
    /// Why, at least 5 characters for a rejection.
    pub reason: Option<String>,
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "blanks_supersedes_once",
    code: Code::StaleVersion,
    field: "",
    detail: "somebody corrected it at the same moment; read it again",
}];

impl Row {
    fn view(self, state: String) -> BlankView {
        BlankView {
            id: self.record_id,
            version_id: self.id.0,
            version: self.version,
            run: self.run_id.0,
            state,
            reason: self.reason,
            facts: NewBlank {
                kind: self.kind,
                titrant: self.titrant_id.0,
                burette: self.burette_id,
                initial_readings: self.initial_readings,
                final_readings: self.final_readings,
                solution_temperature: self.solution_temperature,
                indicator_drops: self.indicator_drops,
                end_point: self.end_point,
                iron_equivalent_ml: self.iron_equivalent_ml,
                concession: self.concession_id,
                observed_at: self.observed_at,
                late_reason: None,
            },
            recorded_by: self.recorded_by,
        }
    }
}

/// All versions of the blanks of a run, with the moves of each.
#[derive(Debug, Clone, Default)]
pub struct OfRun {
    pub all: Vec<Row>,
    pub moves: Vec<StateMove>,
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
}

/// Blanks of a run.
pub async fn of_run(connection: &Connection, run: RunId) -> Result<OfRun, Refusal> {
    Ok(of_runs(connection, &[run]).await?.remove(&run).unwrap_or_default())
}

/// Blanks of several runs.
pub async fn of_runs(
    mut connection: &Connection,
    runs: &[RunId],
) -> Result<std::collections::HashMap<RunId, OfRun>, Refusal> {
    let rows: Vec<Row> = blanks::table
        .filter(blanks::run_id.eq_any(runs))
        .order((blanks::record_id, blanks::version))
        .select(Row::as_select())
        .load(&mut connection)
        .await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let of_run: std::collections::HashMap<Uuid, RunId> = rows.iter().map(|row| (row.id.0, row.run_id)).collect();
    let mut found: std::collections::HashMap<RunId, OfRun> = std::collections::HashMap::new();
    for step in states::moves_of(connection, &ids).await? {
        if let Some(run) = of_run.get(&step.entity_id) {
            found.entry(*run).or_default().moves.push(step);
        }
    }
    for row in rows {
        found.entry(row.run_id).or_default().all.push(row);
    }
    Ok(found)
}

async fn checked(
    connection: &Connection,
    act: &Act,
    run: &service::Row,
    new: NewBlank,
    follows: Option<(&Row, String)>,
) -> Result<Row, Refusal> {
    let method = methods::store::versions::exactly(connection, run.method_id).await?.facts;
    let mut errors = FieldErrors::default();
    let with_iron = new.kind == "reagent with iron(II)";
    let known = with_iron || matches!(new.kind.as_str(), "reagent" | "indicator");
    errors.require(known, "kind", "one_of", "must be reagent, reagent with iron(II) or indicator", &new.kind);
    errors.require(
        new.iron_equivalent_ml.is_some() == with_iron,
        "iron_equivalent_ml",
        "with_iron",
        "is given for, and only for, a reagent blank with iron(II)",
        new.iron_equivalent_ml.as_ref().map(ToString::to_string).unwrap_or_default(),
    );
    if let Some(equivalent) = &new.iron_equivalent_ml {
        in_range(&mut errors, "iron_equivalent_ml", equivalent, 0.01, 20.0, "mL");
    }
    words(&mut errors, "end_point", &new.end_point);
    errors.check()?;
    if !with_iron && indicator(&method.indicator).is_some_and(|entry| entry.needs_iron) {
        let detail = format!(
            "{} turns only where iron is present: without added iron(II) the blank shows no end point. Add a known amount of iron(II) and give its titrant equivalent in iron_equivalent_ml",
            method.indicator
        );
        return Err(Refusal::new(Code::BlankWithoutIron, detail).at("kind", "iron_present", &new.kind));
    }
    let at = new.observed_at;
    let id = BlankId::new();
    if follows.as_ref().is_none_or(|(before, _)| before.observed_at != at) {
        let late = Observed::new(KIND.table(), id.0, at, new.late_reason.as_deref()).within(run.id.0);
        bench_times::accept(connection, act, late).await?;
    }
    let used = use_of::titrant(connection, &method.chemistry, new.titrant, at, new.concession).await?;
    let Burette { usable } = use_of::burette(connection, new.burette, at, new.concession).await?;
    let mut errors = FieldErrors::default();
    readings::check(&mut errors, &new.initial_readings, &new.final_readings, &usable.facts);
    use_of::temperature(&mut errors, new.solution_temperature.as_ref(), method.rules.0.correct_temperature);
    errors.check()?;
    Ok(Row {
        id,
        record_id: follows.as_ref().map_or(id.0, |(row, _)| row.record_id),
        version: follows.as_ref().map_or(1, |(row, _)| row.version + 1),
        supersedes: follows.as_ref().map(|(row, _)| row.id),
        reason: follows.map(|(_, reason)| reason),
        run_id: run.id,
        kind: new.kind,
        titrant_id: TitrantId(new.titrant),
        factor_id: used.factor.id,
        burette_id: new.burette,
        calibration_id: usable.calibration.id,
        initial_readings: new.initial_readings,
        final_readings: new.final_readings,
        solution_temperature: new.solution_temperature,
        indicator: method.indicator,
        indicator_drops: new.indicator_drops,
        end_point: new.end_point,
        iron_equivalent_ml: new.iron_equivalent_ml,
        concession_id: new.concession,
        observed_at: at,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    })
}

async fn insert(mut connection: &Connection, row: &Row) -> Result<Row, Refusal> {
    diesel::insert_into(blanks::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

pub async fn record(db: &Db, act: &Act, run: Uuid, new: NewBlank) -> Result<Answer, Refusal> {
    not_in_the_future("observed_at", new.observed_at)?;
    db.write(act, async |connection| {
        let run = service::find(connection, run).await?;
        hold(connection, &[Held::Run(run.id.0)]).await?;
        service::still_open(connection, run.id).await?;
        let row = checked(connection, act, &run, new, None).await?;
        Ok(insert(connection, &row).await?.view(KIND.first_state().to_owned()))
    })
    .await
}

async fn current(mut connection: &Connection, record: Uuid) -> Result<Row, Refusal> {
    let row = blanks::table
        .filter(blanks::record_id.eq(record))
        .order(blanks::version.desc())
        .select(Row::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    row.ok_or_else(|| Refusal::not_found("blank", record))
}

pub async fn correct(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<NewBlank>,
) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&correction.reason))?;
    not_in_the_future("facts.observed_at", correction.facts.observed_at)?;
    db.write(act, async |connection| {
        hold(connection, &[Held::Run(current(connection, id).await?.run_id.0)]).await?;
        let present = current(connection, id).await?;
        expect_version(if_match, &present.id.to_string())?;
        let run = service::find(connection, present.run_id.0).await?;
        service::still_open(connection, run.id).await?;
        let row = checked(connection, act, &run, correction.facts, Some((&present, correction.reason))).await?;
        let row = insert(connection, &row).await?;
        impacts::follow_up(connection, act, row.id.0).await?;
        Ok(row.view(KIND.first_state().to_owned()))
    })
    .await
}

pub async fn judge(db: &Db, act: &Act, id: Uuid, judgement: Judgement) -> Result<Answer, Refusal> {
    if judgement.to == "rejected" {
        readings::cause(judgement.cause.as_deref().unwrap_or_default())?;
    }
    db.write(act, async |connection| {
        hold(connection, &[Held::Run(current(connection, id).await?.run_id.0)]).await?;
        let present = current(connection, id).await?;
        locks::share(connection, &[present.run_id.0]).await?;
        service::still_open(connection, present.run_id).await?;
        let asked = NewMove { to: judgement.to, reason: judgement.reason };
        let moved = states::advance(connection, act, KIND, present.id.0, &asked, judgement.cause.as_deref()).await?;
        impacts::follow_up(connection, act, moved.id.0).await?;
        Ok(present.view(moved.to_state))
    })
    .await
}

pub async fn list(db: &Db, run: Uuid) -> Result<Vec<BlankView>, Refusal> {
    db.read(async |connection| {
        let run = service::find(connection, run).await?;
        let rows = of_run(connection, run.id).await?.all;
        let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
        let known = states::present_many(connection, KIND, &ids).await?;
        let replaced: Vec<BlankId> = rows.iter().filter_map(|row| row.supersedes).collect();
        Ok(rows
            .into_iter()
            .map(|row| {
                let superseded = replaced.contains(&row.id);
                let state = if superseded {
                    "superseded".to_owned()
                } else {
                    known.get(&row.id.0).cloned().unwrap_or_default()
                };
                row.view(state)
            })
            .collect())
    })
    .await
}
