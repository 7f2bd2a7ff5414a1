//! Decisions on the wire.

use chrono::NaiveDate;
use ferrotitre_base::web::answer::Located;
use ferrotitre_ledger::accounts::store::competences::Competence;
use secrecy::SecretString;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Decisions asked for, all of them or none: the secret once, and of each thing what was looked at.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewManyDecisions {
    /// Own password, asked once for all of them.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
    /// Words that go with every decision.
    pub reason: Option<String>,
    /// What is released or approved; from 1 to 100. The order is of no consequence: what another rests on is decided first.
    pub of: Vec<ToDecide>,
    /// People who are authorised for the methods that are approved here.
    pub authorise: Option<NewAuthorisation>,
}

/// Something to be decided on, as it was looked at.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ToDecide {
    /// primary_standards, reagents, titrants, control_materials, methods, chart_phases, runs, determinations or iron_results.
    #[schema(example = "titrants")]
    pub kind: String,
    /// Which; of what has versions, the thing itself.
    pub id: Uuid,
    /// Digest of what was looked at, as the list of what waits names it; if it is another by now, nothing is decided.
    pub content_digest: String,
}

/// Who is authorised for the methods that are approved in the same request.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewAuthorisation {
    /// Their accounts.
    pub people: Vec<Uuid>,
    /// First day.
    pub valid_from: NaiveDate,
    /// Last day.
    pub valid_to: NaiveDate,
    /// What each of the authorisations rests on.
    #[schema(example = "seven blind replicates of the control within limits")]
    pub evidence: String,
}

/// What was decided.
#[derive(Debug, Serialize, ToSchema)]
pub struct DecidedSeveral {
    /// In the order of the request.
    pub decided: Vec<DecidedOne>,
    /// Authorisations, one for each person and method.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub authorised: Vec<Competence>,
}

impl Located for DecidedSeveral {
    fn location(&self) -> String {
        "/api/v1/decisions".to_owned()
    }
}

/// What became of one.
#[derive(Debug, Serialize, ToSchema)]
pub struct DecidedOne {
    /// Kind, as asked.
    #[schema(example = "titrants")]
    pub kind: &'static str,
    /// Which.
    pub id: Uuid,
    /// Its state now.
    #[schema(example = "released")]
    pub state: String,
}

/// What waits for a manager's decision.
#[derive(Debug, Serialize, ToSchema)]
pub struct WaitingDecisions {
    /// In the order of decisions, those that wait for somebody or something else among them.
    pub items: Vec<WaitingDecision>,
    /// Whether there is more of a kind than the newest 50.
    pub more: bool,
}

/// Something that waits for a decision.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WaitingDecision {
    /// primary_standards, reagents, titrants, control_materials, methods, chart_phases, runs, determinations or iron_results.
    #[schema(example = "titrants")]
    pub kind: &'static str,
    /// Which.
    pub id: Uuid,
    /// What it is called.
    #[schema(example = "D-1")]
    pub code: String,
    /// What it is.
    #[schema(example = "titrant, dichromate")]
    pub what: String,
    /// release or approve.
    #[schema(example = "release")]
    pub decision: &'static str,
    /// The figure it stands for, with its unit; empty where there is none.
    #[schema(example = "factor 1.00157")]
    pub figure: String,
    /// What else should be known before the decision.
    pub about: String,
    /// Names what is looked at; goes with the decision.
    pub content_digest: String,
    /// What must be decided before it, or in the same request.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub after: Vec<Uuid>,
    /// Its page.
    pub page: String,
    /// What it waits for, where this person cannot decide now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub waits_for: Option<String>,
    /// Who can bring that.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub who: Option<String>,
}
