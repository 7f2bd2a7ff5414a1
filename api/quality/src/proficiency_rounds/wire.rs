//! Rounds on the wire.

use chrono::{DateTime, Utc};
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::versions::VersionView;
use ferrotitre_core::validation::{Scores, Signal};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::proficiency_rounds::store::RoundFacts;

/// Scores of a round.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ScoresView {
    /// (x - X)/sigma_pt.
    #[schema(example = -0.6)]
    pub z: f64,
    /// (x - X)/sqrt(sigma_pt² + u_X²).
    pub z_prime: f64,
    /// (x - X)/sqrt(u_x² + u_X²); absent when both are zero.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zeta: Option<f64>,
    /// (x - X)/sqrt(U_x² + U_X²); absent when both are zero.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub e_n: Option<f64>,
    /// z, or z' where u_X exceeds 0.3 sigma_pt.
    #[schema(example = "z")]
    pub judged_by: &'static str,
    /// Why by that score.
    pub because: String,
    /// satisfactory (at most 2), warning (above 2) or action (above 3), by size.
    #[schema(example = "satisfactory")]
    pub verdict: &'static str,
    /// The same of zeta: whether the stated uncertainties explain the difference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zeta_verdict: Option<&'static str>,
    /// satisfactory (at most 1) or action, of E_n.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub e_n_verdict: Option<&'static str>,
}

fn word(signal: Signal) -> &'static str {
    match signal {
        Signal::Satisfactory => "satisfactory",
        Signal::Warning => "warning",
        Signal::Action => "action",
    }
}

impl ScoresView {
    pub(super) fn of(scores: Scores, assigned_u: f64, sigma_pt: f64) -> Self {
        let (judged_by, relation) = if scores.use_z_prime { ("z'", "exceeds") } else { ("z", "does not exceed") };
        Self {
            z: scores.z,
            z_prime: scores.z_prime,
            zeta: scores.zeta,
            e_n: scores.e_n,
            judged_by,
            because: format!("u(X) = {assigned_u} {relation} 0.3 sigma_pt = {}", 0.3 * sigma_pt),
            verdict: word(scores.signal),
            zeta_verdict: scores.zeta_signal.map(word),
            e_n_verdict: scores.e_n_signal.map(word),
        }
    }

    /// The score that judges.
    pub(super) fn score(&self) -> f64 {
        if self.judged_by == "z" { self.z } else { self.z_prime }
    }
}

/// A round with its scores.
#[derive(Debug, Serialize, ToSchema)]
pub struct RoundView {
    /// The round in its present version.
    #[serde(flatten)]
    pub round: VersionView<RoundFacts>,
    /// Scores of the own result.
    pub scores: ScoresView,
}

impl Located for RoundView {
    fn location(&self) -> String {
        self.round.location()
    }
}

/// A round with all its versions and what came of it.
#[derive(Debug, Serialize, ToSchema)]
pub struct RoundHistory {
    /// Versions with their scores, oldest first.
    pub versions: Vec<RoundView>,
    /// Moves between states, oldest first.
    pub moves: Vec<StateMove>,
    /// Nonconformities that concern it.
    pub nonconformities: Vec<RoundConsequence>,
}

/// A nonconformity that concerns a round.
#[derive(Debug, Serialize, ToSchema)]
pub struct RoundConsequence {
    /// Identity.
    pub id: Uuid,
    /// Code.
    #[schema(example = "NC-000012")]
    pub code: String,
    /// Present state.
    #[schema(example = "opened")]
    pub state: String,
    /// minor, major or critical.
    #[schema(example = "minor")]
    pub severity: String,
}

/// Which rounds.
#[derive(Debug, Default, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct RoundListing {
    /// How many at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// Cursor from `next` of the page before.
    pub after: Option<Uuid>,
    /// Only recorded at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only recorded before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only of this series.
    pub series: Option<String>,
}

/// Whose history is drawn.
#[derive(Debug, Default, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HistoryQuestion {
    /// Series; all rounds if not given.
    pub series: Option<String>,
}
