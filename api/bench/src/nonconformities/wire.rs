//! Nonconformities on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use ferrotitre_base::ids::{AccountId, NonconformityId, NonconformityStepId};
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::answer::Located;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// A nonconformity as opened by a person.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewNonconformity {
    /// rule violation, complaint, audit, proficiency test or other.
    #[schema(example = "complaint")]
    pub source: String,
    /// minor, major or critical.
    #[schema(example = "minor")]
    pub severity: String,
    /// Title.
    pub title: String,
    /// What is concerned: samples, runs, lots, time.
    pub scope: String,
    /// Who sees to it; the one who opens it if not given. Somebody else closes it.
    pub owner: Option<Uuid>,
    /// Day by which it is to be closed.
    pub due_on: NaiveDate,
    /// When it came up.
    pub observed_at: DateTime<Utc>,
    /// Records it concerns.
    #[serde(default)]
    pub links: Vec<NewLink>,
}

/// A record that a nonconformity concerns.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewLink {
    /// Kind of record, by the name of its table.
    #[schema(example = "runs")]
    pub entity_kind: String,
    /// The record.
    pub entity: Uuid,
}

/// What was found or done.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewStep {
    /// containment, impact, cause, action or effectiveness.
    #[schema(example = "containment")]
    pub kind: String,
    /// In words, at least 5 characters.
    pub words: String,
    /// Whether the action was found effective; of an effectiveness check.
    pub effective: Option<bool>,
    /// Day by which an action is to be done.
    pub due_on: Option<NaiveDate>,
}

/// Why something is taken up again.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Reopening {
    /// Why, at least 5 characters.
    pub reason: String,
}

/// A nonconformity.
#[derive(Debug, Serialize, ToSchema)]
pub struct NonconformityView {
    /// Identity.
    pub id: NonconformityId,
    /// Code.
    #[schema(example = "NC-000012")]
    pub code: String,
    /// What brought it up.
    #[schema(example = "run rejection")]
    pub source: String,
    /// minor, major or critical.
    pub severity: String,
    /// Title.
    pub title: String,
    /// What is concerned.
    pub scope: String,
    /// Opened by the service because of what happened.
    pub automatic: bool,
    /// Who sees to it.
    pub owner: AccountId,
    /// Day by which it is to be closed.
    pub due_on: NaiveDate,
    /// Past its day and not closed.
    pub overdue: bool,
    /// When it came up.
    pub observed_at: DateTime<Utc>,
    /// opened, contained, investigating, action, verifying, closed or reopened.
    #[schema(example = "opened")]
    pub state: String,
    /// What was found and done, oldest first.
    pub steps: Vec<StepRecord>,
    /// Records it concerns.
    pub links: Vec<LinkView>,
    /// SHA-256 of what a signature would cover now: what was opened, and every step.
    pub content_digest: String,
    /// Signatures.
    pub sign_offs: Vec<SignOff>,
    /// Moves between states.
    pub moves: Vec<StateMove>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account in whose act it was opened.
    pub recorded_by: AccountId,
}

impl Located for NonconformityView {
    fn location(&self) -> String {
        format!("/api/v1/nonconformities/{}", self.id)
    }
}

/// What was found or done about a nonconformity.
#[derive(Debug, Serialize, ToSchema)]
pub struct StepRecord {
    /// Identity.
    pub id: NonconformityStepId,
    /// containment, impact, cause, action or effectiveness.
    pub kind: String,
    /// In words.
    pub words: String,
    /// Whether the action was found effective.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective: Option<bool>,
    /// Day by which an action is to be done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub due_on: Option<NaiveDate>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

/// A record that a nonconformity concerns.
#[derive(Debug, Serialize, ToSchema)]
pub struct LinkView {
    /// Kind of record, by the name of its table.
    #[schema(example = "determinations")]
    pub entity_kind: String,
    /// The record.
    pub entity: Uuid,
    /// origin, affected or look-back.
    #[schema(example = "look-back")]
    pub relation: String,
}

/// Which nonconformities.
#[derive(Debug, Default, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct NonconformityListing {
    /// How many at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// Cursor from `next` of the page before.
    pub after: Option<Uuid>,
    /// Only recorded at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only recorded before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only those that concern this record.
    pub entity: Option<Uuid>,
}
