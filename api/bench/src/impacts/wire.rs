//! Impacts on the wire.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::impacts::store::{Row, Touch, Touched};
use ferrotitre_base::ids::{AccountId, ImpactId, SignOffId};
use ferrotitre_base::web::answer::Located;

/// Something that touched a signed result.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct TouchView {
    /// The impact.
    pub impact: ImpactId,
    /// What happened.
    #[schema(example = "certificate of PS-1 corrected: purity misread")]
    pub what: String,
    /// When it was recorded.
    pub at: DateTime<Utc>,
    /// By whom; absent for the service itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<AccountId>,
    /// no change, or amended; absent until it is decided.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decision: Option<String>,
    /// Reason of the decision.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// When it was decided.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decided_at: Option<DateTime<Utc>>,
    /// By whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decided_by: Option<AccountId>,
}

impl From<&Touch> for TouchView {
    fn from(touch: &Touch) -> Self {
        Self {
            impact: touch.id,
            what: touch.what.clone(),
            at: touch.recorded_at,
            by: touch.recorded_by,
            decision: touch.decision.clone(),
            reason: touch.reason.clone(),
            decided_at: touch.decided_at,
            decided_by: touch.decided_by,
        }
    }
}

/// A signed result that an impact touches.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct TouchedResult {
    /// Kind of result, by the name of its table.
    #[schema(example = "determinations")]
    pub kind: String,
    /// The result.
    pub id: Uuid,
    /// Its code.
    pub code: String,
    /// Signature of its author, under which it stands.
    pub sign_off: SignOffId,
    /// When it was signed.
    pub signed_at: DateTime<Utc>,
    /// Present state.
    pub state: String,
    /// no change, or amended; absent until it is decided.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decision: Option<String>,
    /// Reason of the decision.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Where its page is.
    #[serde(skip)]
    pub shown_at: Uuid,
}

impl TouchedResult {
    pub(super) fn of(row: Touched, code: String) -> Self {
        Self {
            shown_at: row.shown_at,
            kind: row.entity_kind,
            id: row.entity_id,
            code,
            sign_off: row.sign_off,
            signed_at: row.signed_at,
            state: row.state,
            decision: row.decision,
            reason: row.reason,
        }
    }
}

/// A row that touches signed results.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ImpactView {
    /// Identity.
    pub id: ImpactId,
    /// What happened.
    pub what: String,
    /// Kind of the row that touches, by the name of its table.
    #[schema(example = "primary_standards")]
    pub cause_kind: String,
    /// That row.
    pub cause: Uuid,
    /// Touches only what used the row at or after this bench time; absent for all.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<DateTime<Utc>>,
    /// Whether a figure could come out differently.
    pub figures: bool,
    /// How many signed results it touches.
    pub results: i64,
    /// Whether something waits to be decided.
    pub waits: bool,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Who recorded the cause; absent for the service itself.
    pub recorded_by: Option<AccountId>,
}

impl ImpactView {
    pub(super) fn of(row: Row, results: i64, waits: bool) -> Self {
        Self {
            id: row.id,
            what: row.what,
            cause_kind: row.cause_kind,
            cause: row.cause_id,
            since: row.since,
            figures: row.figures,
            results,
            waits,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
        }
    }
}

/// An impact with the signed results it touches.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ImpactDetail {
    /// The impact.
    #[serde(flatten)]
    pub impact: ImpactView,
    /// Results, in the order of their signatures.
    pub touched: Vec<TouchedResult>,
    /// Cursor of the next page of results; absent after the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<Uuid>,
}

impl Located for ImpactDetail {
    fn location(&self) -> String {
        format!("/api/v1/impacts/{}", self.impact.id)
    }
}

/// A decision that results stand as they were signed. One that has to change is amended instead.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewImpactDecision {
    /// Results it is decided for: determinations, iron results or standardisations that the impact touches.
    pub results: Vec<Uuid>,
    /// Why they stay as they are, at least 5 characters.
    #[schema(example = "the volume taken differs by less than a tenth of its uncertainty")]
    pub reason: String,
}
