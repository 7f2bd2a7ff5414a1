//! Plans of a determination on the wire.

use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// What is asked for: a target and what acts cost, in whatever unit all costs are in.
#[derive(Debug, Default, Clone, Copy, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AskedPlan {
    /// Expanded uncertainty that is wanted at most, in the unit of the result; half of the present one if not given.
    #[param(minimum = 0, example = 0.25)]
    pub target: Option<f64>,
    /// What beginning a run costs; 60 if not given (minutes at the bench: common practice, no source).
    #[param(minimum = 0)]
    pub run_cost: Option<f64>,
    /// What a titration costs; 10 if not given.
    #[param(minimum = 0)]
    pub titre_cost: Option<f64>,
    /// What a blank costs; 10 if not given.
    #[param(minimum = 0)]
    pub blank_cost: Option<f64>,
    /// What changing to another titrant costs; 20 if not given.
    #[param(minimum = 0)]
    pub titrant_cost: Option<f64>,
    /// Whether a titre may take more than one filling of the burette; no if not given.
    pub refills: Option<bool>,
}

/// What would lower the uncertainty of a determination.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanView {
    /// Determination.
    pub determination: Uuid,
    /// Its number.
    #[schema(example = "DET-000001")]
    pub code: String,
    /// Chemistry of its method, whose cautions hold for whatever is planned.
    #[schema(example = "dichromate")]
    pub chemistry: String,
    /// Unit of the uncertainties.
    #[schema(example = "g/L")]
    pub unit: &'static str,
    /// Expanded uncertainty that is wanted at most.
    pub target: f64,
    /// What acts were taken to cost.
    pub costs: CostsView,
    /// As it was made.
    pub present: PlannedView,
    /// One thing changed, all else as it was made; the largest gain for its cost first.
    pub single_changes: Vec<SingleChangeView>,
    /// The cheapest way to the target; absent where none reaches it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cheapest: Option<PlannedView>,
    /// The least uncertainty with what is at hand, whatever it costs.
    pub best: PlannedView,
    /// Ways that no other beats in both cost and uncertainty, by rising cost.
    pub frontier: Vec<PlannedView>,
    /// Combinations evaluated.
    pub compared: usize,
    /// Combinations that cannot be made: what does not fit, or the rule of the method does not count.
    pub impossible: usize,
}

/// Costs of acts.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct CostsView {
    /// Beginning a run.
    pub run: f64,
    /// A titration.
    pub titre: f64,
    /// A blank.
    pub blank: f64,
    /// Changing to another titrant.
    pub titrant: f64,
}

/// A determination as it would be.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PlannedView {
    /// What is done otherwise.
    pub changes: Vec<String>,
    /// What it costs in all.
    pub cost: f64,
    /// Titre less blank, mL.
    pub titre_ml: f64,
    /// Fillings of the burette for one titre.
    pub fillings: usize,
    /// Standard uncertainty.
    pub u: f64,
    /// Expanded uncertainty, unrounded.
    pub expanded_uncertainty: f64,
}

/// One thing changed.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SingleChangeView {
    /// What is changed.
    #[schema(example = "aliquot")]
    pub act: String,
    /// How it was made.
    #[schema(example = "P25")]
    pub from: String,
    /// How it would be made.
    #[schema(example = "P50")]
    pub to: String,
    /// Titre less blank then, mL.
    pub titre_ml: f64,
    /// Fillings of the burette for one titre.
    pub fillings: usize,
    /// Expanded uncertainty then.
    pub expanded_uncertainty: f64,
    /// By how much it is lower, per cent of the present one; negative where it is higher.
    pub gain_percent: f64,
    /// What it costs more.
    pub further_cost: f64,
    /// By how much U is lower for each unit of cost; absent where it costs nothing more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gain_per_cost: Option<f64>,
}
