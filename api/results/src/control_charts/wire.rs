//! Charts, phases, values and what is shown of them.

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::{AccountId, ChartPhaseId, ControlChartId, ControlValueId};
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::control_charts::rules::{Design, RuleText, RuleView};
use crate::control_charts::statistics::StatisticsView;

/// A control chart as entered. Its rules and design are chosen before data and stay.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewChart {
    /// Code.
    #[schema(example = "X-BATH")]
    pub code: String,
    /// Title.
    #[schema(example = "Total iron in the bath control")]
    pub title: String,
    /// x, range, difference, blank, recovery, titrant factor, cusum, ewma, discarded reductions, or reading for a quantity that
    /// the service does not compute.
    #[schema(example = "x")]
    pub quantity: String,
    /// Control material lot.
    pub material: Option<Uuid>,
    /// Method, in any of its versions.
    pub method: Option<Uuid>,
    /// Titrant lot, for a chart of its factor.
    pub titrant: Option<Uuid>,
    /// Unit of the values; % for recoveries and for ranges and differences relative to the mean.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Rounding step of the values, in the unit; for the resolution check.
    #[schema(example = "0.1")]
    pub resolution: Option<Decimal>,
    /// Values in a range; 2 if not given.
    pub replicates: Option<i32>,
    /// Published set of run rules by its name, as `rule-sets` lists them, or own for those given in `rules`.
    #[schema(example = "daily judgement")]
    pub rule_set: Option<String>,
    /// Own run rules; the laboratory's default set for the quantity if neither they nor a set are given.
    pub rules: Option<Vec<RuleText>>,
    /// Design of a cumulative sum or of a moving average.
    pub design: Option<Design>,
    /// Fewest baseline points of limits without the label preliminary; 60 if not given.
    pub baseline_minimum: Option<i32>,
}

/// A control chart.
#[derive(Debug, Serialize, ToSchema)]
pub struct ChartView {
    /// Identity.
    pub id: ControlChartId,
    /// Code.
    pub code: String,
    /// Title.
    pub title: String,
    /// What is charted.
    #[schema(example = "x")]
    pub quantity: String,
    /// Control material lot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub material: Option<Uuid>,
    /// Method.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub method: Option<Uuid>,
    /// Titrant lot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub titrant: Option<Uuid>,
    /// Unit of the values.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Rounding step of the values.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resolution: Option<Decimal>,
    /// Values in a range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub replicates: Option<i32>,
    /// Published set that the rules are; absent for own ones.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "daily judgement")]
    pub rule_set: Option<&'static str>,
    /// Run rules by their numbers.
    pub rules: Vec<RuleView>,
    /// Design of a cumulative sum or of a moving average.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub design: Option<Design>,
    /// Fewest baseline points of limits without the label preliminary.
    pub baseline_minimum: i32,
    /// in use or closed.
    #[schema(example = "in use")]
    pub state: String,
    /// Number of points.
    pub points: i32,
    /// Phases, oldest first; in a list only those approved.
    pub phases: Vec<PhaseView>,
    /// Statistics of the newest points; absent in a list.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub statistics: Option<StatisticsView>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

impl Located for ChartView {
    fn location(&self) -> String {
        format!("/api/v1/control-charts/{}", self.id)
    }
}

/// A phase as proposed: limits from a target, a reference value or a baseline.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPhase {
    /// target: centre and s from a requirement; reference: the assigned value as centre, s given or from the baseline;
    /// baseline: both from the baseline.
    #[schema(example = "baseline")]
    pub origin: String,
    /// preliminary or established. A baseline of fewer points than the chart's minimum must be labelled preliminary.
    #[schema(example = "preliminary")]
    pub label: String,
    /// Centre line of a target; of a proportion, the proportion.
    pub centre: Option<Decimal>,
    /// Standard deviation: of the values, for a range chart of single values.
    pub s: Option<Decimal>,
    /// Lower action limit of a target, instead of centre and s.
    pub lower_action: Option<Decimal>,
    /// Upper action limit of a target, instead of centre and s.
    pub upper_action: Option<Decimal>,
    /// How s is estimated from a baseline: standard deviation (if not given) or moving range.
    pub spread: Option<String>,
    /// The points of the baseline.
    pub baseline: Option<BaselineRange>,
    /// Points left out, each with an assignable cause; they stay drawn.
    #[serde(default)]
    pub exclusions: Vec<NewExclusion>,
    /// Values observed from here on are judged by the phase; after the last value recorded so far.
    pub valid_from: DateTime<Utc>,
    /// Why, at least 5 characters.
    pub reason: String,
}

/// A stretch of points.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BaselineRange {
    /// Position of the first point.
    #[schema(example = 1)]
    pub first: i32,
    /// Position of the last point.
    #[schema(example = 60)]
    pub last: i32,
}

/// A point left out of a baseline.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewExclusion {
    /// Control value.
    pub value: ControlValueId,
    /// Assignable cause from the list; an outlier test is none.
    #[schema(example = "wrong factor")]
    pub cause: String,
    /// Evidence, at least 5 characters.
    pub reason: String,
}

/// A phase.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PhaseView {
    /// Identity.
    pub id: ChartPhaseId,
    /// Chart.
    pub chart: ControlChartId,
    /// Which phase of the chart, from 1.
    pub number: i32,
    /// proposed, preliminary, established, superseded or rejected.
    #[schema(example = "established")]
    pub state: String,
    /// preliminary or established, as proposed.
    pub label: String,
    /// target, reference or baseline.
    pub origin: String,
    /// How s was estimated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spread: Option<String>,
    /// Centre line.
    pub centre: f64,
    /// Standard deviation of the plotted quantity; absent for a proportion.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub s: Option<f64>,
    /// Lower action limit; absent where it cannot be passed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower_action: Option<f64>,
    /// Lower warning limit; absent where it cannot be passed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower_warning: Option<f64>,
    /// Upper warning limit; absent for a proportion.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub upper_warning: Option<f64>,
    /// Upper action limit; absent for a proportion.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub upper_action: Option<f64>,
    /// Baseline points used; absent for a target.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub n: Option<i32>,
    /// Values observed from here on are judged by it.
    pub valid_from: DateTime<Utc>,
    /// When the next phase took over.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub valid_to: Option<DateTime<Utc>>,
    /// Why.
    pub reason: String,
    /// Points of the baseline that were left out, with their causes.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub exclusions: Vec<ExclusionView>,
    /// Signatures.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub sign_offs: Vec<SignOff>,
    /// Digest of what a signature covers.
    pub content_digest: String,
    /// Moves between states.
    pub moves: Vec<StateMove>,
    /// Server time of the proposal.
    pub recorded_at: DateTime<Utc>,
    /// Who proposed it.
    pub recorded_by: AccountId,
}

impl Located for PhaseView {
    fn location(&self) -> String {
        format!("/api/v1/chart-phases/{}", self.id)
    }
}

/// A point left out of a baseline.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ExclusionView {
    /// Control value.
    pub value: ControlValueId,
    /// Its position on the chart.
    pub position: i32,
    /// Assignable cause.
    pub cause: String,
    /// Evidence.
    pub reason: String,
}

/// A control value as recorded. Where the service computes the quantity, name what it is computed from; only history that was
/// written down elsewhere is typed, and then says where.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewValue {
    /// Submitted or approved determination to compute the value from.
    pub determination: Option<Uuid>,
    /// Second determination of a pair: the duplicate; of a recovery, the unspiked sample.
    pub second_determination: Option<Uuid>,
    /// Run to compute the value from: the share of discarded reductions.
    pub run: Option<Uuid>,
    /// Titrant factor to compute the value from.
    pub factor: Option<Uuid>,
    /// Value as entered.
    #[schema(example = "118.2")]
    pub value: Option<Decimal>,
    /// Counted events, of imported history of a proportion.
    pub events: Option<i32>,
    /// Trials, of imported history of a proportion.
    pub trials: Option<i32>,
    /// Where imported history is written down, such as "bench book 7, page 12".
    pub history: Option<String>,
    /// Note.
    pub note: Option<String>,
    /// When; for entered and imported values.
    pub observed_at: Option<DateTime<Utc>>,
}

/// A point of a chart with the verdict it got when it was recorded.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PointView {
    /// Identity.
    pub id: ControlValueId,
    /// Chart.
    pub chart: ControlChartId,
    /// Order on the chart, from 1.
    pub position: i32,
    /// Value, unrounded or as entered.
    #[schema(example = "118.2")]
    pub value: Decimal,
    /// Counted events of a proportion.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub events: Option<i32>,
    /// Trials of a proportion.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trials: Option<i32>,
    /// determination, duplicates, run, factor, entered or imported.
    pub source: String,
    /// Run.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<Uuid>,
    /// Determination it was computed from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub determination: Option<Uuid>,
    /// Second determination of a pair.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub second_determination: Option<Uuid>,
    /// Titrant factor it was computed from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub factor: Option<Uuid>,
    /// Where imported history is written down.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub history: Option<String>,
    /// Note.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// Bench time.
    pub observed_at: DateTime<Utc>,
    /// Phase that judged it; absent before the first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phase: Option<ChartPhaseId>,
    /// Distance from the centre line in s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub z: Option<f64>,
    /// Limits for this point alone, of a proportion.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limits: Option<PointLimits>,
    /// Cumulative sums or moving average after this point.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub statistic: Option<Statistic>,
    /// Rules this point completed.
    pub hits: Vec<Hit>,
    /// not judged, in control, investigate or out of control.
    #[schema(example = "in control")]
    pub verdict: String,
    /// valid, invalid-with-cause or under investigation.
    #[schema(example = "valid")]
    pub state: String,
    /// Left out of limits with an assigned cause; drawn hollow.
    pub excluded: bool,
    /// The cause.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cause: Option<String>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

impl Located for PointView {
    fn location(&self) -> String {
        format!("/api/v1/control-charts/{}/points", self.chart)
    }
}

/// A point with what became of it.
#[derive(Debug, Serialize, ToSchema)]
pub struct ControlValueView {
    /// The point.
    #[serde(flatten)]
    pub point: PointView,
    /// Dispositions, oldest first.
    pub moves: Vec<StateMove>,
}

/// A completed rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Hit {
    /// Number of the rule on the chart, from 1.
    #[schema(example = 2)]
    pub rule: i32,
    /// The rule in words.
    #[schema(example = "2 of 3 points beyond 2 s on the same side")]
    pub text: String,
}

/// Counts at which a proportion is out of control for its number of trials, as proportions.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct PointLimits {
    /// Largest proportion that is out of control below.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower: Option<f64>,
    /// Smallest proportion that is out of control above.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub upper: Option<f64>,
}

/// Memory of a cumulative sum or of a moving average after a point, in s.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(untagged)]
pub enum Statistic {
    /// Cumulative sums.
    Cusum {
        /// Sum that grows when the mean is too high.
        upper: f64,
        /// Sum that grows when the mean is too low.
        lower: f64,
        /// Points since the upper sum was 0.
        since_upper: u64,
        /// Points since the lower sum was 0.
        since_lower: u64,
    },
    /// Moving average.
    Ewma {
        /// Weighted average.
        average: f64,
        /// Limit for its absolute value at this point.
        limit: f64,
        /// Squared weight that the start still has.
        remaining: f64,
    },
}

/// A page of points, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct PointPage {
    /// Points.
    pub items: Vec<PointView>,
    /// Position to give as `before` for the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<i32>,
    /// Set when the points are shown as this phase would judge them: another view, not their verdicts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub as_judged_by: Option<ChartPhaseId>,
    /// What that means, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub caution: Option<String>,
}

/// Which points.
#[derive(Debug, Default, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PointListing {
    /// How many at most, 1 to 1000; 100 if not given.
    #[param(minimum = 1, maximum = 1000)]
    pub limit: Option<i64>,
    /// Only points that were observed before the one at this position; from `next` of the page before.
    pub before: Option<i32>,
    /// Only observed at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only observed before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only those that got this verdict: not judged, in control, investigate or out of control.
    pub verdict: Option<String>,
    /// Show what this phase would say of the points; their verdicts stay.
    pub as_judged_by: Option<Uuid>,
}

/// What became of a control value.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewDisposition {
    /// under investigation, invalid-with-cause or valid.
    #[schema(example = "invalid-with-cause")]
    pub to: String,
    /// Assignable cause from the list, for invalid-with-cause; an outlier test is none.
    #[schema(example = "wrong aliquot")]
    pub cause: Option<String>,
    /// Evidence or finding, at least 5 characters.
    pub reason: String,
}

/// Rules whose run lengths are asked for before they are chosen.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRuleSet {
    /// Quantity of the chart; x if not given.
    pub quantity: Option<String>,
    /// Published set of run rules by its name, or own for those given in `rules`.
    #[schema(example = "zone rules")]
    pub rule_set: Option<String>,
    /// Own run rules; the default set of the quantity if neither they nor a set are given.
    pub rules: Option<Vec<RuleText>>,
    /// Design of a cumulative sum or of a moving average.
    pub design: Option<Design>,
    /// Points of the baseline that the limits come from.
    #[schema(example = 25)]
    pub baseline: Option<u32>,
    /// The centre is a reference value and not the mean of the baseline.
    #[serde(default)]
    pub centre_is_reference: bool,
    /// Shifts of the mean, in s, for which run lengths are wanted, too; at most 20.
    #[serde(default)]
    pub shifts: Vec<Decimal>,
}
