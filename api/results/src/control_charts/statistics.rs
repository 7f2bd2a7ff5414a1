//! Statistics of a chart and its periodic review; all mathematics is core's.

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::ChartPhaseId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_core::control::limits::{Spread, individuals, ranges};
use ferrotitre_core::control::process::{LongTerm, PeriodicReview, Review, long_term, periodic_review, resolution};
use ferrotitre_core::control::{Centre, Limits};
use ferrotitre_core::statistics::summary::{Summary, lag1_autocorrelation};
use ferrotitre_core::uncertainty::nordtest::{BiasSource, compare, top_down};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::control_charts::judging::{Criteria, limits_of};
use crate::control_charts::rules::Quantity;
use crate::control_charts::run_lengths::{self, RunLengthsView};
use crate::control_charts::store::{charts, phases, values};
use crate::control_charts::values::KIND as VALUE;
use crate::control_materials;
use crate::determinations::measured;

/// Points that the statistics are made of, at most: the newest ones.
const WINDOW: i64 = 1000;

/// Statistics of the newest points that count.
#[derive(Debug, Serialize, ToSchema)]
pub struct StatisticsView {
    /// Points used: the newest valid ones, at most 1000.
    pub n: u64,
    /// Phase in force now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phase: Option<ChartPhaseId>,
    /// What the rules do while in control, and what the phase's baseline does to that.
    pub run_lengths: RunLengthsView,
    /// Long-term figures.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub long_term: Option<LongTermView>,
    /// Points outside the warning limits among the last 60; about 3 expected.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outside_warning: Option<ReviewedCount>,
    /// Share of the last 60 outside the warning limits.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 0.05)]
    pub share_outside_warning: Option<f64>,
    /// Mean of the last 20 minus the centre line, in s; beyond 0.35 the centre has moved.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub centre_shift: Option<ReviewedShift>,
    /// Autocorrelation at lag 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lag1_autocorrelation: Option<f64>,
    /// Whether the values are written finely enough.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resolution: Option<ResolutionView>,
    /// What cannot be said yet, and why.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub not_enough_data: Vec<String>,
}

/// Long-term figures of a chart.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LongTermView {
    /// Mean.
    pub mean: f64,
    /// Within-laboratory reproducibility standard deviation.
    pub s_rw: f64,
    /// Mean minus assigned value; absent without one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bias: Option<f64>,
    /// Standard uncertainty of the bias.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u_bias: Option<f64>,
    /// s_Rw over the mean, per cent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_s_rw_percent: Option<f64>,
    /// Bias over the assigned value, per cent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_bias_percent: Option<f64>,
}

/// A reviewed count.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReviewedCount {
    /// unchanged, changed or not enough data.
    #[schema(example = "unchanged")]
    pub finding: &'static str,
    /// The count.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub count: Option<u64>,
    /// Points needed.
    pub needed: u64,
}

/// A reviewed shift.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReviewedShift {
    /// unchanged, changed or not enough data.
    #[schema(example = "unchanged")]
    pub finding: &'static str,
    /// Shift in s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shift: Option<f64>,
    /// Points needed.
    pub needed: u64,
}

/// Rounding step against standard deviation.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ResolutionView {
    /// Standard deviation over the rounding step.
    pub steps_per_s: f64,
    /// At least three.
    pub suffices: bool,
}

/// Findings of core on the wire.
fn reviewed(review: &PeriodicReview) -> (ReviewedCount, ReviewedShift) {
    let (count_needed, shift_needed) = (60, 20);
    let count = |finding, count| ReviewedCount { finding, count, needed: count_needed };
    let shift = |finding, shift| ReviewedShift { finding, shift, needed: shift_needed };
    let outside = match review.outside_warning {
        Review::NotEnough { .. } => count("not enough data", None),
        Review::Unchanged(found) => count("unchanged", Some(found)),
        Review::Changed(found) => count("changed", Some(found)),
    };
    let centre = match review.centre_shift {
        Review::NotEnough { .. } => shift("not enough data", None),
        Review::Unchanged(found) => shift("unchanged", Some(found)),
        Review::Changed(found) => shift("changed", Some(found)),
    };
    (outside, centre)
}

/// What statistics are made of.
struct Material {
    /// Valid points, oldest first.
    rows: Vec<values::Row>,
    figures: Vec<f64>,
    phase: Option<phases::Row>,
    limits: Option<Limits>,
    /// Assigned value and its standard uncertainty.
    assigned: Option<(f64, f64)>,
}

async fn gather(connection: &Connection, chart: &charts::Row) -> Result<Material, Refusal> {
    let (newest, approved) =
        futures_util::try_join!(values::newest(connection, chart.id, WINDOW), phases::approved(connection, chart.id))?;
    let ids: Vec<Uuid> = newest.iter().map(|row| row.id.0).collect();
    let standing = states::present_many(connection, VALUE, &ids).await?;
    let valid = |row: &values::Row| standing.get(&row.id.0).is_none_or(|state| state != "invalid-with-cause");
    let rows: Vec<values::Row> = newest.into_iter().rev().filter(valid).collect();
    let now = chrono::Utc::now();
    let phase = approved.into_iter().rfind(|phase| phase.valid_from <= now);
    let quantity = Quantity::of(&chart.quantity)?;
    let assigned = match (quantity, chart.material_id) {
        (Quantity::Recovery, _) => Some((100.0, 0.0)),
        (Quantity::X | Quantity::Cusum | Quantity::Ewma, Some(material)) => {
            let facts = control_materials::service::known(connection, "material", material).await?;
            control_materials::service::assigned(&facts).ok()
        }
        _ => None,
    };
    Ok(Material {
        figures: rows.iter().map(|row| row.value.value()).collect(),
        limits: phase.as_ref().and_then(limits_of),
        rows,
        phase,
        assigned,
    })
}

/// What a chart has seen since the points its limits come from.
pub(crate) struct Seen {
    pub(crate) phase: Option<ChartPhaseId>,
    /// Times and values of the points that count, oldest first.
    pub(crate) points: Vec<(chrono::DateTime<chrono::Utc>, f64)>,
    /// Determinations behind them, newest first.
    pub(crate) determinations: Vec<Uuid>,
    /// Assigned value and its standard uncertainty.
    pub(crate) assigned: Option<(f64, f64)>,
}

/// What a chart has seen.
pub(crate) async fn seen(connection: &Connection, chart: &charts::Row) -> Result<Seen, Refusal> {
    let material = gather(connection, chart).await?;
    let baseline = match &material.phase {
        Some(phase) => phases::baseline(connection, phase.id).await?,
        None => Vec::new(),
    };
    let first = material.rows.iter().position(|row| baseline.iter().any(|point| point.value_id == row.id));
    let rows = material.rows.get(first.unwrap_or_default()..).unwrap_or_default();
    Ok(Seen {
        phase: material.phase.as_ref().map(|phase| phase.id),
        points: rows.iter().map(|row| (row.observed_at, row.value.value())).collect(),
        determinations: rows.iter().rev().filter_map(|row| Some(row.determination_id?.0)).collect(),
        assigned: material.assigned,
    })
}

fn baseline_of(phase: Option<&phases::Row>) -> run_lengths::Baseline {
    let phase = phase?;
    let n = u64::try_from(phase.n?).ok()?;
    Some((n, phase.origin != "baseline"))
}

fn long_term_view(figures: &[f64], assigned: Option<(f64, f64)>) -> Result<(LongTermView, Option<LongTerm>), String> {
    let said = |error: ferrotitre_core::control::ControlError| format!("long-term figures: {error}");
    let whole = long_term(figures, assigned.map_or(0.0, |(value, _)| value), assigned.map_or(0.0, |(_, u)| u));
    let whole = whole.map_err(said)?;
    let known = assigned.is_some();
    let view = LongTermView {
        mean: whole.mean,
        s_rw: whole.s_rw,
        bias: known.then_some(whole.bias),
        u_bias: known.then_some(whole.u_bias),
        relative_s_rw_percent: whole.relative_s_rw_percent,
        relative_bias_percent: whole.relative_bias_percent.filter(|_| known),
    };
    Ok((view, known.then_some(whole)))
}

/// Statistics of a chart.
pub async fn of_chart(connection: &Connection, chart: &charts::Row) -> Result<StatisticsView, Refusal> {
    let criteria = Criteria::of(chart)?;
    let material = gather(connection, chart).await?;
    let mut missing = Vec::new();
    let long = match long_term_view(&material.figures, material.assigned) {
        Ok((view, _)) => Some(view),
        Err(why) => {
            missing.push(why);
            None
        }
    };
    let (mut outside, mut centre) = (None, None);
    match &material.limits {
        Some(limits) => match periodic_review(&material.figures, limits) {
            Ok(review) => {
                let (count, shift) = reviewed(&review);
                (outside, centre) = (Some(count), Some(shift));
            }
            Err(error) => missing.push(format!("review: {error}")),
        },
        None => missing.push("review: no phase with limits is in force".to_owned()),
    }
    let autocorrelation = match lag1_autocorrelation(&material.figures) {
        Ok(r) => Some(r),
        Err(error) => {
            missing.push(format!("autocorrelation: {error}"));
            None
        }
    };
    let fine = chart.resolution.as_ref().zip(material.limits.as_ref());
    let fine = fine.and_then(|(step, limits)| resolution(limits.sigma, step.value()).ok());
    Ok(StatisticsView {
        n: material.figures.len() as u64,
        phase: material.phase.as_ref().map(|phase| phase.id),
        run_lengths: run_lengths::of(&criteria, baseline_of(material.phase.as_ref())),
        long_term: long,
        share_outside_warning: outside
            .as_ref()
            .and_then(|count: &ReviewedCount| count.count.map(|found| found as f64 / count.needed as f64)),
        outside_warning: outside,
        centre_shift: centre,
        lag1_autocorrelation: autocorrelation,
        resolution: fine.map(|r| ResolutionView { steps_per_s: r.steps_per_s, suffices: r.suffices }),
        not_enough_data: missing,
    })
}

/// The periodic review of a chart. Nothing is stored; a new phase is proposed by a person.
#[derive(Debug, Serialize, ToSchema)]
pub struct ChartReview {
    /// Phase reviewed.
    pub phase: ChartPhaseId,
    /// The last 60 points.
    pub outside_warning: ReviewedCount,
    /// The last 20 points.
    pub centre_shift: ReviewedShift,
    /// Mean of the last 20 points.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mean_of_last_20: Option<f64>,
    /// Long-term figures of the newest points.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub long_term: Option<LongTermView>,
    /// Top-down uncertainty beside the bottom-up one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<UncertaintyView>,
    /// What a new phase from the newest points would be.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub proposal: Option<ProposalView>,
    /// What the review says, in words.
    pub findings: Vec<String>,
}

/// Top-down uncertainty from the chart, and the bottom-up one of its newest determination, in the unit of the chart.
#[derive(Debug, Serialize, ToSchema)]
pub struct UncertaintyView {
    /// u(Rw).
    pub u_rw: f64,
    /// u(bias).
    pub u_bias: f64,
    /// Combined standard uncertainty from the chart.
    pub top_down_u: f64,
    /// Expanded, k = 2.
    pub top_down_expanded: f64,
    /// Determination whose budget is compared.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub determination: Option<Uuid>,
    /// Its standard uncertainty from the budget.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bottom_up_u: Option<f64>,
    /// Bottom-up over top-down.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ratio: Option<f64>,
    /// Outside 0.5 to 2: one of the two misses something.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub query: Option<bool>,
}

/// A phase as it could be proposed; not stored.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProposalView {
    /// preliminary or established.
    pub label: &'static str,
    /// Position of the first point.
    pub first: i32,
    /// Position of the last point.
    pub last: i32,
    /// Points used.
    pub n: u64,
    /// Centre line.
    pub centre: f64,
    /// Standard deviation.
    pub s: f64,
    /// Lower action limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower_action: Option<f64>,
    /// Upper action limit.
    pub upper_action: f64,
    /// Positions of points that were out of control: to be left out with an assigned cause, or investigated and found valid.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub to_be_decided: Vec<i32>,
}

fn proposal(chart: &charts::Row, material: &Material) -> Option<ProposalView> {
    let needed = usize::try_from(chart.baseline_minimum).unwrap_or(60);
    let from = material.rows.len().saturating_sub(needed);
    let rows = &material.rows[from..];
    let (open, used): (Vec<_>, Vec<_>) = rows.iter().partition(|row| row.verdict == "out of control");
    let figures: Vec<f64> = used.iter().map(|row| row.value.value()).collect();
    let reference = material.phase.as_ref().filter(|phase| phase.origin == "reference").and(material.assigned);
    let centre = reference.map_or(Centre::Mean, |(value, _)| Centre::Reference(value));
    let made = match Quantity::of(&chart.quantity).ok()? {
        Quantity::DiscardedReductions => return None,
        Quantity::Range => ranges(&figures, u32::try_from(chart.replicates?).ok()?),
        _ => individuals(&figures, centre, Spread::StandardDeviation),
    }
    .ok()?;
    Some(ProposalView {
        label: if figures.len() < needed { "preliminary" } else { "established" },
        first: rows.first()?.position,
        last: rows.last()?.position,
        n: made.n,
        centre: made.limits.centre,
        s: made.limits.sigma,
        lower_action: made.limits.lower_action,
        upper_action: made.limits.upper_action,
        to_be_decided: open.iter().map(|row| row.position).collect(),
    })
}

async fn uncertainty(
    connection: &Connection,
    chart: &charts::Row,
    material: &Material,
    whole: &LongTerm,
) -> Result<Option<UncertaintyView>, Refusal> {
    let Some((_, u_reference)) = material.assigned else { return Ok(None) };
    let n = u32::try_from(whole.n).unwrap_or(u32::MAX);
    let source = BiasSource::OneMaterial { bias: whole.bias, s: whole.s_rw, n, u_reference };
    let from_chart = top_down(whole.s_rw, &source)
        .map_err(|error| Refusal::new(Code::NotEnoughData, error.to_string()).because(error))?;
    let newest = material.rows.iter().rev().find_map(|row| row.determination_id);
    let mut bottom_up = None;
    if let Some(id) = newest {
        bottom_up = measured::one(connection, id.0).await?.in_unit(&chart.unit).map(|(_, u)| u);
    }
    let compared = bottom_up.and_then(|u| compare(u, from_chart.combined));
    Ok(Some(UncertaintyView {
        u_rw: from_chart.u_rw,
        u_bias: from_chart.u_bias,
        top_down_u: from_chart.combined,
        top_down_expanded: from_chart.expanded,
        determination: newest.filter(|_| bottom_up.is_some()).map(|id| id.0),
        bottom_up_u: bottom_up,
        ratio: compared.map(|c| c.ratio),
        query: compared.map(|c| c.query),
    }))
}

/// Reviews a chart.
pub async fn review(db: &Db, id: Uuid) -> Result<ChartReview, Refusal> {
    db.read(async |connection| {
        let chart = charts::find(connection, id).await?;
        let material = gather(connection, &chart).await?;
        let (Some(phase), Some(limits)) = (&material.phase, &material.limits) else {
            let detail = "not enough data: no phase with limits is in force, so there is nothing to review against";
            return Err(Refusal::new(Code::NotEnoughData, detail));
        };
        let review = periodic_review(&material.figures, limits)
            .map_err(|error| Refusal::new(Code::NotEnoughData, error.to_string()).because(error))?;
        let (outside, centre) = reviewed(&review);
        let (long, whole) = match long_term_view(&material.figures, material.assigned) {
            Ok((view, whole)) => (Some(view), whole),
            Err(_) => (None, None),
        };
        let uncertainty = match &whole {
            Some(whole) => uncertainty(connection, &chart, &material, whole).await?,
            None => None,
        };
        let last_20 = material.figures.len().checked_sub(20).map(|from| &material.figures[from..]);
        let mut findings = Vec::new();
        if outside.finding == "changed" {
            findings.push("the dispersion has changed: more than 6 or none of the last 60 outside warning".to_owned());
        }
        if centre.finding == "changed" {
            findings.push("the centre has moved: the mean of the last 20 is more than 0.35 s off the line".to_owned());
        }
        if uncertainty.as_ref().and_then(|u| u.query) == Some(true) {
            findings.push("top-down and bottom-up uncertainty differ by more than a factor of 2".to_owned());
        }
        if findings.is_empty() {
            findings.push("nothing asks for a new phase".to_owned());
        }
        Ok(ChartReview {
            phase: phase.id,
            mean_of_last_20: last_20.and_then(|points| Summary::of(points).ok()?.mean().ok()),
            outside_warning: outside,
            centre_shift: centre,
            long_term: long,
            uncertainty,
            proposal: proposal(&chart, &material),
            findings,
        })
    })
    .await
}
