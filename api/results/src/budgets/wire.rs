//! Budgets against charts on the wire.

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::{AccountId, BudgetDecisionId, ChartPhaseId, ControlChartId, MethodId};
use ferrotitre_base::web::answer::Located;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The budgets of a method's versions, each against the charts of the method.
#[derive(Debug, Serialize, ToSchema)]
pub struct BudgetsView {
    /// Method, in any version.
    pub method: Uuid,
    /// Its code.
    #[schema(example = "M1")]
    pub code: String,
    /// Probability of refuting a budget that is just right.
    #[schema(example = 0.01)]
    pub level: f64,
    /// Versions in force and in draft, newest first.
    pub versions: Vec<VersionBudget>,
}

/// The budget of a method version.
#[derive(Debug, Serialize, ToSchema)]
pub struct VersionBudget {
    /// Method version.
    pub id: MethodId,
    /// Its number.
    pub version: i32,
    /// Its state.
    #[schema(example = "approved")]
    pub state: String,
    /// How its uncertainty is reported.
    #[schema(example = "bottom-up")]
    pub uncertainty: &'static str,
    /// Whether no result by it is approved that is judged against a specification.
    pub blocked: bool,
    /// The charts of its control materials.
    pub charts: Vec<HeldView>,
    /// What else was seen of it: titres, blanks, standardisations, duplicates, proficiency rounds.
    pub evidence: Vec<EvidenceView>,
    /// Determination whose budget the lines are of; absent where none is signed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lines_of: Option<Uuid>,
    /// Lines of that budget, the largest first, each with what it rests on.
    pub lines: Vec<BudgetGroundView>,
}

/// Something that was seen, against what the budget claims.
#[derive(Debug, Serialize, ToSchema)]
pub struct EvidenceView {
    /// titres, blanks, standardisations (factors of the newest lot about their line), duplicates or proficiency rounds.
    #[schema(example = "titres")]
    pub what: &'static str,
    /// Unit of what was seen and claimed.
    #[schema(example = "mL")]
    pub unit: String,
    /// Degrees of freedom there are.
    pub degrees_of_freedom: usize,
    /// Pooled standard deviation of a single value; absent where there is not enough data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seen: Option<f64>,
    /// What the budget claims for it, pooled in the same way.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub claimed: Option<f64>,
    /// Squares over claimed variances against chi-squared.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub test: Option<TestView>,
    /// Why there is no test.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_tested: Option<String>,
}

/// A line of a budget and what it rests on.
#[derive(Debug, Serialize, ToSchema)]
pub struct BudgetGroundView {
    /// What it is.
    #[schema(example = "repeatability of the titre")]
    pub label: String,
    /// Its share of the variance, per cent.
    pub share_percent: f64,
    /// seen, refuted, certificate, published or assumption.
    #[schema(example = "seen")]
    pub ground: &'static str,
    /// In words.
    #[schema(example = "s = 0.028 mL with 34 degrees of freedom")]
    pub words: String,
}

/// A budget against one chart.
#[derive(Debug, Serialize, ToSchema)]
pub struct HeldView {
    /// Chart.
    pub chart: ControlChartId,
    /// Its code.
    pub code: String,
    /// Unit of what follows.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Phase in force; what it has seen counts from the first point of the baseline of its limits.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phase: Option<ChartPhaseId>,
    /// Control values, one for each run.
    pub runs: u64,
    /// What both came to; absent where there is not enough data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub held: Option<Figures>,
    /// Why there is not enough data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_enough_data: Option<String>,
    /// What a manager decided in this phase.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decision: Option<BudgetDecisionView>,
}

/// What a budget claims and what a chart saw, in the unit of the chart.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Figures {
    /// Mean of the control values.
    pub mean: f64,
    /// Standard deviation between runs.
    pub s_rw: f64,
    /// Mean minus assigned value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bias: Option<f64>,
    /// Standard uncertainty by the budget: root mean square of the newest control determinations.
    pub claimed_u: f64,
    /// How many of them.
    pub claimed_by: usize,
    /// Whether one of the tests refutes the budget.
    pub refuted: bool,
    /// (n - 1) s^2 / u^2 against chi-squared.
    pub scatter: TestView,
    /// Distance from the assigned value over its uncertainty, against the normal distribution.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bias_test: Option<TestView>,
    /// Standard uncertainty from the chart, bias included.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub top_down_u: Option<f64>,
    /// Relative standard deviation between runs that the budget lacks, per cent.
    pub lacking_percent: f64,
    /// Relative standard uncertainty from the chart, per cent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub top_down_percent: Option<f64>,
}

/// A test.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct TestView {
    /// Statistic.
    pub statistic: f64,
    /// Critical value.
    pub critical: f64,
    /// Probability of so much or more if the budget is right.
    pub p: f64,
    /// Whether it refutes the budget.
    pub refuted: bool,
}

/// Why results go on being judged although a chart refutes their budget.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct BudgetDecisionView {
    /// Decision.
    pub id: BudgetDecisionId,
    /// Method, in any version.
    pub method: Uuid,
    /// Method version.
    pub method_version: MethodId,
    /// Chart.
    pub chart: ControlChartId,
    /// What the chart showed then.
    pub seen: String,
    /// Why.
    pub reason: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// Who.
    pub recorded_by: AccountId,
}

impl Located for BudgetDecisionView {
    fn location(&self) -> String {
        format!("/api/v1/methods/{}/budget", self.method)
    }
}

/// A decision on a refuted budget; it holds for the phase of the chart that is in force.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewBudgetDecision {
    /// Method version whose budget is refuted.
    pub method_version: MethodId,
    /// Chart that refutes it.
    pub chart: ControlChartId,
    /// Why results go on being judged, at least 5 characters.
    #[schema(example = "no client's limit is nearer than U of the chart; version 2 takes it in and is drafted")]
    pub reason: String,
}
