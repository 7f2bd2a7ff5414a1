//! The drift of a lot on the wire.

use chrono::{DateTime, Utc};
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_bench::titrants::wire::FactorView;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// What is asked.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DriftQuestion {
    /// As seen at this moment; now if absent. Factors that began later are left out.
    pub at: Option<DateTime<Utc>>,
    /// Share of the factor in the uncertainty of results, as relative standard uncertainty in per cent; the answer then
    /// names the longest interval between standardisations that keeps to it.
    #[param(example = 0.1, minimum = 0.0)]
    pub u_budget_percent: Option<f64>,
    /// What a standardisation costs, whatever its replicates; 30 if not given (minutes at the bench: common practice, no source).
    #[param(minimum = 0.0)]
    pub cost_each: Option<f64>,
    /// What a replicate costs; 10 if not given.
    #[param(minimum = 0.0)]
    pub cost_replicate: Option<f64>,
}

impl DriftQuestion {
    /// # Errors
    /// A budget that is not above 0, a cost below 0.
    pub(super) fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        let budget = self.u_budget_percent;
        let usable = budget.is_none_or(|value| value > 0.0 && value.is_finite());
        errors.require(usable, "u_budget_percent", "range", "must be a number above 0", budget.unwrap_or_default());
        for (field, cost) in [("cost_each", self.cost_each), ("cost_replicate", self.cost_replicate)] {
            let usable = cost.is_none_or(|value| value >= 0.0 && value.is_finite());
            errors.require(usable, field, "range", "must be a number, 0 or more", cost.unwrap_or_default());
        }
        errors.check()
    }
}

/// The moment of a factor.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct FactorQuestion {
    /// Moment.
    pub at: DateTime<Utc>,
}

/// How the factor of a lot moves in time.
#[derive(Debug, Serialize, ToSchema)]
pub struct DriftView {
    /// Titrant lot.
    pub titrant: Uuid,
    /// Its code.
    #[schema(example = "M-1")]
    pub code: String,
    /// Its present state.
    pub state: String,
    /// Moment of this view.
    pub at: DateTime<Utc>,
    /// Lowest acceptable factor.
    pub factor_low: Decimal,
    /// Highest acceptable factor.
    pub factor_high: Decimal,
    /// Factors, oldest first.
    pub points: Vec<DriftPoint>,
    /// Straight line of the factor against days since the first.
    pub line: Option<LineView>,
    /// When the line leaves the tolerance, looked for from the last factor on.
    pub leaves_by_line: Option<Passage>,
    /// When its confidence band does.
    pub leaves_by_confidence_band: Option<Passage>,
    /// When the prediction band of a single further standardisation does.
    pub leaves_by_prediction_band: Option<Passage>,
    /// When the lot must be standardised again at the latest.
    pub restandardise_by: Option<DateTime<Utc>>,
    /// What sets that date.
    #[schema(example = "the prediction band leaves the tolerance")]
    pub because: String,
    /// Trend without a model.
    pub mann_kendall: Option<TrendView>,
    /// Slope that a single bad point does not turn.
    pub theil_sen: Option<TheilSenView>,
    /// Cumulative sums of the change since the first factor over its standard uncertainty; k = 0.5, h = 5.
    pub cumulative_sums: Vec<CumulativeSum>,
    /// What the factor in force does to results now, if the line is right.
    pub effect_now: Option<EffectView>,
    /// Longest interval between standardisations, if a budget was given.
    pub interval: Option<IntervalView>,
    /// How often to standardise with how many replicates, at which cost a year; absent where nothing was standardised or no line
    /// can be drawn.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub schedules: Option<SchedulesView>,
    /// What cannot be answered yet, and why.
    pub missing: Vec<Missing>,
}

/// A factor of the lot.
#[derive(Debug, Serialize, ToSchema)]
pub struct DriftPoint {
    /// Factor.
    pub factor_id: Uuid,
    /// Standardisation it comes from.
    pub standardisation: Option<Uuid>,
    /// Preparation it comes from.
    pub preparation: Option<Uuid>,
    /// From when it counts.
    pub at: DateTime<Utc>,
    /// Days since the first factor.
    #[schema(example = 7.0)]
    pub day: f64,
    /// Concentration divided by the nominal one.
    #[schema(example = 0.9993)]
    pub factor: f64,
    /// Standard uncertainty of the factor.
    pub u: f64,
    /// Until when it may be used.
    pub valid_to: DateTime<Utc>,
}

/// A straight line with its bands.
#[derive(Debug, Serialize, ToSchema)]
pub struct LineView {
    /// Change of the factor per day.
    #[schema(example = -7.04e-5)]
    pub slope_per_day: f64,
    /// Its standard error.
    pub slope_standard_error: f64,
    /// Two-sided p-value of no drift; absent when all points lie on the line.
    pub slope_p: Option<f64>,
    /// Factor on the day of the first.
    pub intercept: f64,
    /// Residual standard deviation.
    pub residual_sd: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Confidence of the bands.
    pub confidence: f64,
    /// The line and both bands, to where the prediction band leaves the tolerance.
    pub band: Vec<BandPoint>,
}

/// The line and its bands at a day.
#[derive(Debug, Serialize, ToSchema)]
pub struct BandPoint {
    /// Days since the first factor.
    pub day: f64,
    /// The moment.
    pub at: DateTime<Utc>,
    /// Value of the line.
    pub fitted: f64,
    /// Lower edge of the confidence band.
    pub confidence_low: f64,
    /// Upper edge of the confidence band.
    pub confidence_high: f64,
    /// Lower edge of the prediction band.
    pub prediction_low: f64,
    /// Upper edge of the prediction band.
    pub prediction_high: f64,
}

/// When something leaves the tolerance.
#[derive(Debug, Serialize, ToSchema)]
pub struct Passage {
    /// It is outside at the last factor already.
    pub outside_already: bool,
    /// Days since the first factor; absent if it never leaves.
    #[schema(example = 64.1)]
    pub day: Option<f64>,
    /// The moment; absent beyond a century.
    pub at: Option<DateTime<Utc>>,
}

/// Mann-Kendall test.
#[derive(Debug, Serialize, ToSchema)]
pub struct TrendView {
    /// Pairs that rise minus pairs that fall.
    #[schema(example = -21)]
    pub s: i64,
    /// Kendall's tau-b.
    pub tau: f64,
    /// Two-sided p-value.
    pub p: f64,
    /// Whether p is exact; otherwise from the normal form.
    pub exact: bool,
}

/// Theil-Sen slope.
#[derive(Debug, Serialize, ToSchema)]
pub struct TheilSenView {
    /// Median of the slopes of all pairs, per day.
    pub slope_per_day: f64,
    /// Lower end of its confidence interval; absent when the points are too few for it.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
}

/// Cumulative sums at a factor.
#[derive(Debug, Serialize, ToSchema)]
pub struct CumulativeSum {
    /// Grows when the factor is higher than the first.
    pub upper: f64,
    /// Grows when it is lower.
    pub lower: f64,
    /// Whether either exceeds h.
    pub beyond: bool,
}

/// Effect of the factor in force.
#[derive(Debug, Serialize, ToSchema)]
pub struct EffectView {
    /// Factor the line gives for the moment.
    pub expected_factor: f64,
    /// Lower edge of the line's confidence band.
    pub low: f64,
    /// Upper edge.
    pub high: f64,
    /// Relative error of every result computed with the factor in force, per cent; positive: too high.
    #[schema(example = 0.05)]
    pub percent: f64,
    /// The same as a share of the expanded uncertainty (k = 2) of a result, from the newest determinations that used the lot:
    /// their median. Absent while none is complete.
    #[schema(example = 0.12)]
    pub share_of_u: Option<f64>,
    /// How many determinations that is from.
    pub determinations: usize,
}

/// Interval between standardisations.
#[derive(Debug, Serialize, ToSchema)]
pub struct IntervalView {
    /// Budget, relative standard uncertainty, per cent.
    pub u_budget_percent: f64,
    /// Of which a standardisation takes, per cent.
    pub u_of_a_standardisation_percent: f64,
    /// Longest interval, days; absent if nothing drifts.
    pub days: Option<f64>,
}

/// How often a lot is standardised.
#[derive(Debug, Serialize, ToSchema)]
pub struct SchedulesView {
    /// Largest relative standard uncertainty of the factor that is allowed, per cent: as asked, or half more than that of the last
    /// standardisation (common practice, no source).
    pub u_budget_percent: f64,
    /// Relative repeatability standard deviation of a replicate, per cent, pooled over the standardisations of the lot.
    pub repeatability_percent: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: usize,
    /// What every standardisation leaves besides: standard, glassware, balance, per cent.
    pub fixed_percent: f64,
    /// Drift a day by the line, per cent, its size.
    pub drift_percent_per_day: f64,
    /// What a standardisation was taken to cost.
    pub cost_each: f64,
    /// What a replicate was taken to cost.
    pub cost_replicate: f64,
    /// Replicates of the last standardisation.
    pub present_replicates: usize,
    /// By number of replicates, those that keep the budget when fresh.
    pub schedules: Vec<ScheduleView>,
    /// The cheapest a year; absent where no number of replicates keeps the budget.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cheapest: Option<ScheduleView>,
}

/// Standardisations of so many replicates, as far apart as the budget allows.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ScheduleView {
    /// Replicates.
    pub replicates: u32,
    /// Days between standardisations; absent where nothing drifts.
    pub days: Option<f64>,
    /// Relative standard uncertainty just after one, per cent.
    pub at_start_percent: f64,
    /// Share of the variance that drift has at the end of the interval.
    pub share_of_drift: f64,
    /// Cost a year.
    pub cost_a_year: f64,
}

/// An answer that cannot be given.
#[derive(Debug, Serialize, ToSchema)]
pub struct Missing {
    /// Which.
    #[schema(example = "regression")]
    pub what: String,
    /// Why.
    #[schema(example = "not enough data: points needs at least 3, has 1")]
    pub detail: String,
}

/// Factor of a lot at a moment.
#[derive(Debug, Serialize, ToSchema)]
pub struct FactorAt {
    /// Titrant lot.
    pub titrant: Uuid,
    /// Moment.
    pub at: DateTime<Utc>,
    /// The factor in force then, which titrations of that moment take.
    pub in_force: FactorView,
    /// The one that followed.
    pub next: Option<FactorView>,
    /// Between both, where another followed.
    pub interpolated: Option<InterpolatedView>,
}

/// Factor interpolated between two standardisations.
#[derive(Debug, Serialize, ToSchema)]
pub struct InterpolatedView {
    /// On the straight line through both.
    pub factor: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Relative difference of results with the factor in force from those with this one, per cent.
    pub difference_percent: f64,
}
