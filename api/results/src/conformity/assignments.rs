//! Giving specifications to samples, and taking them off again: both are rows, and both stay.

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, SampleSpecificationId, SpecificationId, SpecificationRemovalId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_bench::samples::samples;
use ferrotitre_bench::specifications::service;
use ferrotitre_bench::specifications::store::assignments::{self as store, Assigned, AssignmentRow, RemovalRow};
use ferrotitre_bench::specifications::store::specifications::SpecificationFacts;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::determinations::compared;

/// Which specification a sample is given.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewAssignment {
    /// Version of the specification; it must be approved.
    pub specification: SpecificationId,
}

/// Why a specification is taken off a sample.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRemoval {
    /// Why, at least 5 characters.
    #[schema(example = "the client named another bath")]
    pub reason: String,
}

/// The end of an assignment.
#[derive(Debug, Serialize, ToSchema)]
pub struct RemovalView {
    /// Why.
    pub reason: String,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Account that took it off.
    pub recorded_by: AccountId,
}

/// A specification of a sample.
#[derive(Debug, Serialize, ToSchema)]
pub struct AssignmentView {
    /// Identity of the assignment.
    pub id: SampleSpecificationId,
    /// Sample.
    pub sample: Uuid,
    /// The specification, the same in all its versions.
    pub specification: Uuid,
    /// The version that was assigned; later versions change nothing here.
    pub specification_version: SpecificationId,
    /// Code of the specification.
    #[schema(example = "SP-1")]
    pub code: String,
    /// Number of that version.
    #[schema(example = 1)]
    pub version: i32,
    /// What is judged.
    #[schema(example = "iron(II)")]
    pub analyte: String,
    /// The limits in words.
    #[schema(example = "at most 120 g/L")]
    pub limits: String,
    /// Code and version of the decision rule, and the rule in words; "that of the method version" where it names none.
    #[schema(example = "DR-2 v1: guard band of 1 U")]
    pub rule: String,
    /// Server time of the assignment.
    pub recorded_at: DateTime<Utc>,
    /// Account that assigned it.
    pub recorded_by: AccountId,
    /// Its end, if it was taken off.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub removed: Option<RemovalView>,
}

impl Located for AssignmentView {
    fn location(&self) -> String {
        format!("/api/v1/samples/{}/specifications", self.sample)
    }
}

impl From<Assigned> for AssignmentView {
    fn from(of: Assigned) -> Self {
        let Assigned { assignment, specification, rule, removal } = of;
        Self {
            id: assignment.id,
            sample: assignment.sample_id,
            specification: specification.record_id,
            specification_version: specification.id,
            version: specification.version,
            analyte: specification.facts.analyte.clone(),
            limits: specification.facts.limits_in_words(),
            code: specification.facts.code,
            rule: rule.map_or_else(
                || "that of the method version".to_owned(),
                |rule| format!("{} v{}: {}", rule.facts.code, rule.version, rule.facts.in_words()),
            ),
            recorded_at: assignment.recorded_at,
            recorded_by: assignment.recorded_by,
            removed: removal.map(|removal| RemovalView {
                reason: removal.reason,
                recorded_at: removal.recorded_at,
                recorded_by: removal.recorded_by,
            }),
        }
    }
}

/// Everything a sample was ever given, oldest first.
pub async fn list(db: &Db, sample: Uuid) -> Result<Vec<AssignmentView>, Refusal> {
    db.read(async |connection| {
        samples::versions::current(connection, sample).await?;
        Ok(store::of_samples(connection, &[sample]).await?.into_iter().map(AssignmentView::from).collect())
    })
    .await
}

/// What several samples were ever given, that of one together.
pub async fn of_samples(db: &Db, samples: &[Uuid]) -> Result<Vec<AssignmentView>, Refusal> {
    if samples.is_empty() {
        return Ok(Vec::new());
    }
    let all = db.read(async |connection| store::of_samples(connection, samples).await).await?;
    Ok(all.into_iter().map(AssignmentView::from).collect())
}

async fn shown(connection: &Connection, sample: Uuid, id: SampleSpecificationId) -> Result<AssignmentView, Refusal> {
    let all = store::of_samples(connection, &[sample]).await?;
    let found = all.into_iter().find(|of| of.assignment.id == id).map(AssignmentView::from);
    found.ok_or_else(|| Refusal::not_found("specification of a sample", id))
}

/// Results of a sample so far must be in the unit of the limits, so that they can be compared.
async fn same_unit(connection: &Connection, sample: Uuid, facts: &SpecificationFacts) -> Result<(), Refusal> {
    for (code, unit, expressed) in compared::reporting_of(connection, sample, &facts.analyte).await? {
        if (unit, expressed) != (facts.unit.as_str(), facts.expressed.as_str()) {
            let message = format!(
                "{} has its limits in {} as {}, but {code} of this sample is reported in {unit} as {expressed}",
                facts.code, facts.unit, facts.expressed
            );
            return Err(Refusal::invalid("specification", "same_unit", message, &facts.code));
        }
    }
    Ok(())
}

/// Gives a sample a specification.
pub async fn assign(db: &Db, act: &Act, sample: Uuid, new: NewAssignment) -> Result<Answer, Refusal> {
    let by = author(act)?;
    db.write(act, async |connection| {
        samples::versions::current(connection, sample).await?;
        let version = service::approved(connection, "specification", new.specification).await?;
        let now = Utc::now();
        let facts = &version.facts;
        if now < facts.effective_from || facts.effective_to.is_some_and(|until| now >= until) {
            let until = facts.effective_to.map(|until| format!(" until {until}")).unwrap_or_default();
            let detail = format!("{} is effective from {}{until}, not now", facts.code, facts.effective_from);
            return Err(Refusal::new(Code::Expired, detail).at("specification", "effective", new.specification));
        }
        same_unit(connection, sample, facts).await?;
        let held = store::of_samples(connection, &[sample]).await?;
        let again = |of: &&Assigned| of.removal.is_none() && of.specification.record_id == version.record_id;
        if let Some(of) = held.iter().find(again) {
            let detail = format!("the sample has {} version {} already", facts.code, of.specification.version);
            return Err(Refusal::new(Code::AlreadyExists, detail).at("specification", "once", new.specification));
        }
        let row = AssignmentRow {
            id: SampleSpecificationId::new(),
            sample_id: sample,
            specification_id: version.id,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        };
        let row = store::insert(connection, &row).await?;
        shown(connection, sample, row.id).await
    })
    .await
}

/// Takes a specification off a sample, with a reason.
pub async fn remove(db: &Db, act: &Act, id: Uuid, new: NewRemoval) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&new.reason))?;
    let by = author(act)?;
    db.write(act, async |connection| {
        let assignment = store::find(connection, id).await?;
        let row = RemovalRow {
            id: SpecificationRemovalId::new(),
            sample_specification_id: assignment.id,
            reason: new.reason,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        };
        store::insert_removal(connection, &row).await?;
        shown(connection, assignment.sample_id, assignment.id).await
    })
    .await
}

/// The sample of an assignment, and what was assigned.
pub async fn read(db: &Db, id: Uuid) -> Result<AssignmentView, Refusal> {
    db.read(async |connection| {
        let assignment = store::find(connection, id).await?;
        shown(connection, assignment.sample_id, assignment.id).await
    })
    .await
}
