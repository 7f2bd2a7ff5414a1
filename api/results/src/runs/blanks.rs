//! Blanks of a run. A blank may be negative and is never clipped.

mod store;

use chrono::{DateTime, Utc};
use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{AccountId, BlankAdditionId, BlankId, ConcessionId, TitrantId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::{Answer, Located, expect_version};
use ferrotitre_base::web::decimal::{Decimal, in_range, words};
use ferrotitre_base::web::versions::Correction;
use ferrotitre_bench::equipment::service::usable;
use ferrotitre_bench::instrument_readings::uses;
use ferrotitre_bench::instrument_readings::wire::Accepted;
use ferrotitre_bench::{impacts, methods, readings};
use ferrotitre_core::chemistry::{chemistry, indicator};
use ferrotitre_core::lifecycle::EntityKind;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::determinations::use_of::{self, Burette};
use crate::runs::service;
use ferrotitre_base::locks;

pub use store::{AdditionRow, OfRun, Row, of_run, of_runs};
use store::{additions, current, insert};

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
    /// Titrant volume equivalent to the added iron(II), mL; for a reagent blank with iron(II), unless a pipette added it.
    #[schema(example = "1.00")]
    pub iron_equivalent_ml: Option<Decimal>,
    /// Standard uncertainty of that equivalent, mL.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "0.004")]
    pub iron_equivalent_u_ml: Option<Decimal>,
    /// Lot of the solution that a pipette added: iron(II), or in a back-titration the oxidant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub added_titrant: Option<Uuid>,
    /// Pipette that added it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub added_pipette: Option<Uuid>,
    /// Concession under which an expired or overdue item is used.
    pub concession: Option<ConcessionId>,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// Why it is recorded so much later than observed: needed after more than a day, or whatever the laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
    /// Readings of instruments that were accepted for readings of the burette.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub accepted: Vec<Accepted>,
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

impl Row {
    fn view(self, state: String, added: Option<&AdditionRow>) -> BlankView {
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
                iron_equivalent_u_ml: added.and_then(|added| added.equivalent_u_ml.clone()),
                added_titrant: added.and_then(|added| added.titrant_id).map(|id| id.0),
                added_pipette: added.and_then(|added| added.pipette_id),
                concession: self.concession_id,
                observed_at: self.observed_at,
                late_reason: None,
                accepted: Vec::new(),
            },
            recorded_by: self.recorded_by,
        }
    }
}

fn check_equivalent(errors: &mut FieldErrors, new: &NewBlank) {
    if let Some(equivalent) = &new.iron_equivalent_ml {
        in_range(errors, "iron_equivalent_ml", equivalent, 0.01, 20.0, "mL");
    }
    if let Some(u) = &new.iron_equivalent_u_ml {
        in_range(errors, "iron_equivalent_u_ml", u, 0.0, 1.0, "mL");
        let with = new.iron_equivalent_ml.is_some();
        errors.require(with, "iron_equivalent_u_ml", "with_equivalent", "belongs to iron_equivalent_ml", u);
    }
}

/// Checks what a blank is of, and what was added to it, against the method.
fn check_kind(new: &NewBlank, method: &methods::store::MethodFacts) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    let with_iron = new.kind == "reagent with iron(II)";
    let back = chemistry(&method.chemistry).is_some_and(|entry| !entry.excess_of.is_empty());
    let known = with_iron || matches!(new.kind.as_str(), "reagent" | "indicator");
    errors.require(known, "kind", "one_of", "must be reagent, reagent with iron(II) or indicator", &new.kind);
    let message = "in a back-titration iron(II) is in the burette: a reagent blank is the oxidant without sample";
    errors.require(!(back && with_iron), "kind", "back_titration", message, &new.kind);
    let by_pipette = new.added_titrant.is_some() && new.added_pipette.is_some();
    let half = new.added_titrant.is_some() != new.added_pipette.is_some();
    errors.require(!half, "added_pipette", "with_titrant", "give added_titrant and added_pipette together", "");
    let said = new.iron_equivalent_ml.as_ref().map(ToString::to_string).unwrap_or_default();
    if back {
        let oxidant = new.kind != "reagent" || by_pipette;
        let message = "name the oxidant and the pipette that added it: what it takes without sample stands for it";
        errors.require(oxidant, "added_titrant", "required", message, "");
        errors.require(
            new.iron_equivalent_ml.is_none(),
            "iron_equivalent_ml",
            "with_iron",
            "is of a blank with added iron(II)",
            said,
        );
    } else {
        let message = "is given for, and only for, a reagent blank with iron(II) that no pipette added";
        errors.require(
            new.iron_equivalent_ml.is_some() == (with_iron && !by_pipette),
            "iron_equivalent_ml",
            "with_iron",
            message,
            said,
        );
        errors.require(
            with_iron || !by_pipette,
            "added_titrant",
            "with_iron",
            "is of a reagent blank with iron(II)",
            "",
        );
    }
    check_equivalent(&mut errors, new);
    words(&mut errors, "end_point", &new.end_point);
    errors.check()?;
    if !back && !with_iron && indicator(&method.indicator).is_some_and(|entry| entry.needs_iron) {
        let detail = format!(
            "{} turns only where iron is present: without added iron(II) the blank shows no end point. Add a known amount of iron(II), by a pipette or as its titrant equivalent in iron_equivalent_ml",
            method.indicator
        );
        return Err(Refusal::new(Code::BlankWithoutIron, detail).at("kind", "iron_present", &new.kind));
    }
    Ok(())
}

/// What was added, with the factor in force.
async fn addition(
    connection: &Connection,
    act: &Act,
    (new, id): (&NewBlank, BlankId),
    method: &methods::store::MethodFacts,
) -> Result<Option<AdditionRow>, Refusal> {
    let mut row = AdditionRow {
        id: BlankAdditionId::new(),
        blank_id: id,
        titrant_id: None,
        factor_id: None,
        pipette_id: None,
        equivalent_u_ml: new.iron_equivalent_u_ml.clone(),
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    if let (Some(lot), Some(pipette)) = (new.added_titrant, new.added_pipette) {
        let excess_of = chemistry(&method.chemistry).map_or(&[][..], |entry| entry.excess_of);
        let species = if excess_of.is_empty() { &["iron(II)"][..] } else { excess_of };
        let at = new.observed_at;
        let used = use_of::lot(connection, "added_titrant", species, lot, at, new.concession).await?;
        usable(connection, "added_pipette", pipette, &["pipette"], at).await?.not_overdue("added_pipette")?;
        row.titrant_id = Some(TitrantId(lot));
        row.factor_id = Some(used.factor.id);
        row.pipette_id = Some(pipette);
        return Ok(Some(row));
    }
    Ok(row.equivalent_u_ml.is_some().then_some(row))
}

async fn checked(
    connection: &Connection,
    act: &Act,
    run: &service::Row,
    new: NewBlank,
    follows: Option<(&Row, String)>,
) -> Result<(Row, Option<AdditionRow>), Refusal> {
    let method = methods::store::versions::exactly(connection, run.method_id).await?.facts;
    check_kind(&new, &method)?;
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
    let added = addition(connection, act, (&new, id), &method).await?;
    let row = Row {
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
    };
    Ok((row, added))
}

/// Notes which readings of the burette an instrument sent.
async fn note(connection: &Connection, act: &Act, row: &Row, accepted: &[Accepted]) -> Result<(), Refusal> {
    let made = uses::Made { table: KIND.table(), row: row.id.0, record: row.record_id };
    let measured = uses::Measured::burette(row.burette_id, &row.initial_readings, &row.final_readings);
    uses::note(connection, act, made, accepted, &measured).await
}

async fn record_in(connection: &Connection, act: &Act, run: Uuid, new: NewBlank) -> Result<BlankView, Refusal> {
    not_in_the_future("observed_at", new.observed_at)?;
    let run = service::find(connection, run).await?;
    hold(connection, &[Held::Run(run.id.0)]).await?;
    service::still_open(connection, run.id).await?;
    let accepted = new.accepted.clone();
    let row = checked(connection, act, &run, new, None).await?;
    note(connection, act, &row.0, &accepted).await?;
    Ok(insert(connection, &row).await?.view(KIND.first_state().to_owned(), row.1.as_ref()))
}

pub async fn record(db: &Db, act: &Act, run: Uuid, new: NewBlank) -> Result<Answer, Refusal> {
    db.write(act, async |connection| record_in(connection, act, run, new).await).await
}

/// Records a blank that counts: accepted with its entry, or not recorded.
pub async fn record_accepted(db: &Db, act: &Act, run: Uuid, new: NewBlank) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let blank = record_in(connection, act, run, new).await?;
        judge_in(connection, act, blank.id, Judgement { to: "accepted".to_owned(), cause: None, reason: None }).await
    })
    .await
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
        let accepted = correction.facts.accepted.clone();
        let row = checked(connection, act, &run, correction.facts, Some((&present, correction.reason))).await?;
        note(connection, act, &row.0, &accepted).await?;
        let made = insert(connection, &row).await?;
        impacts::follow_up(connection, act, made.id.0).await?;
        Ok(made.view(KIND.first_state().to_owned(), row.1.as_ref()))
    })
    .await
}

pub async fn judge(db: &Db, act: &Act, id: Uuid, judgement: Judgement) -> Result<Answer, Refusal> {
    if judgement.to == "rejected" {
        readings::cause(judgement.cause.as_deref().unwrap_or_default())?;
    }
    db.write(act, async |connection| judge_in(connection, act, id, judgement).await).await
}

async fn judge_in(connection: &Connection, act: &Act, id: Uuid, judgement: Judgement) -> Result<BlankView, Refusal> {
    hold(connection, &[Held::Run(current(connection, id).await?.run_id.0)]).await?;
    let present = current(connection, id).await?;
    locks::share(connection, &[present.run_id.0]).await?;
    service::still_open(connection, present.run_id).await?;
    let asked = NewMove { to: judgement.to, reason: judgement.reason };
    let moved = states::advance(connection, act, KIND, present.id.0, &asked, judgement.cause.as_deref()).await?;
    impacts::follow_up(connection, act, moved.id.0).await?;
    let added = additions(connection, std::slice::from_ref(&present)).await?.pop();
    Ok(present.view(moved.to_state, added.as_ref()))
}

pub async fn list(db: &Db, run: Uuid) -> Result<Vec<BlankView>, Refusal> {
    db.read(async |connection| {
        let run = service::find(connection, run).await?;
        let OfRun { all: rows, additions, .. } = of_run(connection, run.id).await?;
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
                let added = additions.iter().find(|added| added.blank_id == row.id);
                row.view(state, added)
            })
            .collect())
    })
    .await
}
