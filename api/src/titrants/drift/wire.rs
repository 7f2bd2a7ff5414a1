//! The drift of a lot on the wire.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::titrants::wire::FactorView;
use crate::web::decimal::Decimal;

/// What is asked.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
pub(crate) struct DriftQuestion {
    /// As seen at this moment; now if absent. Factors that began later are left out.
    pub(crate) at: Option<DateTime<Utc>>,
    /// Share of the factor in the uncertainty of results, as relative standard uncertainty in per cent; the answer then
    /// names the longest interval between standardisations that keeps to it.
    #[param(example = 0.1, minimum = 0.0)]
    pub(crate) u_budget_percent: Option<f64>,
}

/// The moment of a factor.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
pub(crate) struct FactorQuestion {
    /// Moment.
    pub(crate) at: DateTime<Utc>,
}

/// How the factor of a lot moves in time.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DriftView {
    /// Titrant lot.
    pub(crate) titrant: Uuid,
    /// Its code.
    #[schema(example = "M-1")]
    pub(crate) code: String,
    /// Its present state.
    pub(crate) state: String,
    /// Moment of this view.
    pub(crate) at: DateTime<Utc>,
    /// Lowest acceptable factor.
    pub(crate) factor_low: Decimal,
    /// Highest acceptable factor.
    pub(crate) factor_high: Decimal,
    /// Factors, oldest first.
    pub(crate) points: Vec<DriftPoint>,
    /// Straight line of the factor against days since the first.
    pub(crate) line: Option<LineView>,
    /// When the line leaves the tolerance, looked for from the last factor on.
    pub(crate) leaves_by_line: Option<Passage>,
    /// When its confidence band does.
    pub(crate) leaves_by_confidence_band: Option<Passage>,
    /// When the prediction band of a single further standardisation does.
    pub(crate) leaves_by_prediction_band: Option<Passage>,
    /// When the lot must be standardised again at the latest.
    pub(crate) restandardise_by: Option<DateTime<Utc>>,
    /// What sets that date.
    #[schema(example = "the prediction band leaves the tolerance")]
    pub(crate) because: String,
    /// Trend without a model.
    pub(crate) mann_kendall: Option<TrendView>,
    /// Slope that a single bad point does not turn.
    pub(crate) theil_sen: Option<TheilSenView>,
    /// Cumulative sums of the change since the first factor over its standard uncertainty; k = 0.5, h = 5.
    pub(crate) cumulative_sums: Vec<CumulativeSum>,
    /// What the factor in force does to results now, if the line is right.
    pub(crate) effect_now: Option<EffectView>,
    /// Longest interval between standardisations, if a budget was given.
    pub(crate) interval: Option<IntervalView>,
    /// What cannot be answered yet, and why.
    pub(crate) missing: Vec<Missing>,
}

/// A factor of the lot.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DriftPoint {
    /// Factor.
    pub(crate) factor_id: Uuid,
    /// Standardisation it comes from.
    pub(crate) standardisation: Option<Uuid>,
    /// Preparation it comes from.
    pub(crate) preparation: Option<Uuid>,
    /// From when it counts.
    pub(crate) at: DateTime<Utc>,
    /// Days since the first factor.
    #[schema(example = 7.0)]
    pub(crate) day: f64,
    /// Concentration divided by the nominal one.
    #[schema(example = 0.9993)]
    pub(crate) factor: f64,
    /// Standard uncertainty of the factor.
    pub(crate) u: f64,
    /// Until when it may be used.
    pub(crate) valid_to: DateTime<Utc>,
}

/// A straight line with its bands.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LineView {
    /// Change of the factor per day.
    #[schema(example = -7.04e-5)]
    pub(crate) slope_per_day: f64,
    /// Its standard error.
    pub(crate) slope_standard_error: f64,
    /// Two-sided p-value of no drift; absent when all points lie on the line.
    pub(crate) slope_p: Option<f64>,
    /// Factor on the day of the first.
    pub(crate) intercept: f64,
    /// Residual standard deviation.
    pub(crate) residual_sd: f64,
    /// Degrees of freedom.
    pub(crate) degrees_of_freedom: f64,
    /// Confidence of the bands.
    pub(crate) confidence: f64,
    /// The line and both bands, to where the prediction band leaves the tolerance.
    pub(crate) band: Vec<BandPoint>,
}

/// The line and its bands at a day.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BandPoint {
    /// Days since the first factor.
    pub(crate) day: f64,
    /// The moment.
    pub(crate) at: DateTime<Utc>,
    /// Value of the line.
    pub(crate) fitted: f64,
    /// Lower edge of the confidence band.
    pub(crate) confidence_low: f64,
    /// Upper edge of the confidence band.
    pub(crate) confidence_high: f64,
    /// Lower edge of the prediction band.
    pub(crate) prediction_low: f64,
    /// Upper edge of the prediction band.
    pub(crate) prediction_high: f64,
}

/// When something leaves the tolerance.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Passage {
    /// It is outside at the last factor already.
    pub(crate) outside_already: bool,
    /// Days since the first factor; absent if it never leaves.
    #[schema(example = 64.1)]
    pub(crate) day: Option<f64>,
    /// The moment; absent beyond a century.
    pub(crate) at: Option<DateTime<Utc>>,
}

/// Mann-Kendall test.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TrendView {
    /// Pairs that rise minus pairs that fall.
    #[schema(example = -21)]
    pub(crate) s: i64,
    /// Kendall's tau-b.
    pub(crate) tau: f64,
    /// Two-sided p-value.
    pub(crate) p: f64,
    /// Whether p is exact; otherwise from the normal form.
    pub(crate) exact: bool,
}

/// Theil-Sen slope.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TheilSenView {
    /// Median of the slopes of all pairs, per day.
    pub(crate) slope_per_day: f64,
    /// Lower end of its confidence interval; absent when the points are too few for it.
    pub(crate) low: Option<f64>,
    /// Upper end.
    pub(crate) high: Option<f64>,
}

/// Cumulative sums at a factor.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CumulativeSum {
    /// Grows when the factor is higher than the first.
    pub(crate) upper: f64,
    /// Grows when it is lower.
    pub(crate) lower: f64,
    /// Whether either exceeds h.
    pub(crate) beyond: bool,
}

/// Effect of the factor in force.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EffectView {
    /// Factor the line gives for the moment.
    pub(crate) expected_factor: f64,
    /// Lower edge of the line's confidence band.
    pub(crate) low: f64,
    /// Upper edge.
    pub(crate) high: f64,
    /// Relative error of every result computed with the factor in force, per cent; positive: too high.
    #[schema(example = 0.05)]
    pub(crate) percent: f64,
    /// The same as a share of the expanded uncertainty (k = 2) of a result, from the newest determinations that used the lot:
    /// their median. Absent while none is complete.
    #[schema(example = 0.12)]
    pub(crate) share_of_u: Option<f64>,
    /// How many determinations that is from.
    pub(crate) determinations: usize,
}

/// Interval between standardisations.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct IntervalView {
    /// Budget, relative standard uncertainty, per cent.
    pub(crate) u_budget_percent: f64,
    /// Of which a standardisation takes, per cent.
    pub(crate) u_of_a_standardisation_percent: f64,
    /// Longest interval, days; absent if nothing drifts.
    pub(crate) days: Option<f64>,
}

/// An answer that cannot be given.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Missing {
    /// Which.
    #[schema(example = "regression")]
    pub(crate) what: String,
    /// Why.
    #[schema(example = "not enough data: points needs at least 3, has 1")]
    pub(crate) detail: String,
}

/// Factor of a lot at a moment.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FactorAt {
    /// Titrant lot.
    pub(crate) titrant: Uuid,
    /// Moment.
    pub(crate) at: DateTime<Utc>,
    /// The factor in force then, which titrations of that moment take.
    pub(crate) in_force: FactorView,
    /// The one that followed.
    pub(crate) next: Option<FactorView>,
    /// Between both, where another followed.
    pub(crate) interpolated: Option<InterpolatedView>,
}

/// Factor interpolated between two standardisations.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct InterpolatedView {
    /// On the straight line through both.
    pub(crate) factor: f64,
    /// Standard uncertainty.
    pub(crate) u: f64,
    /// Relative difference of results with the factor in force from those with this one, per cent.
    pub(crate) difference_percent: f64,
}
