//! Whether a run is in control: its control values, blanks and duplicates against the plan of its method.

use std::fmt;

use chrono::{DateTime, Utc};
use ferrotitre_base::certified;
use ferrotitre_base::db::{Act, Connection};
use ferrotitre_base::ids::{ControlChartId, ControlValueId};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_bench::impacts;
use ferrotitre_bench::methods;
use ferrotitre_bench::methods::rules::BlankText;
use ferrotitre_bench::nonconformities::service::{Opening, open_because};
use ferrotitre_core::lifecycle::EntityKind;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::control_charts::taking::{self, LookBack, RunValue};
use crate::control_charts::wire::Hit;
use crate::determinations::{self, measured};
use crate::runs::service::{KIND, Row};
use crate::runs::{blanks, repeats};
use ferrotitre_base::pins::Sight;

/// Something that the method or its plan of quality control needs and the run lacks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Missing {
    /// So many blanks of the open run are neither accepted nor rejected.
    Verdicts(usize),
    /// The blank that the method subtracts.
    SubtractedBlank,
    /// Control values on a chart, of so many.
    Values { lacking: usize, of: u32, chart: String },
    /// Blanks, of so many.
    Blanks { lacking: usize, of: usize },
    /// Samples in duplicate, of so many.
    Duplicates { lacking: usize, of: usize },
}

impl fmt::Display for Missing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Verdicts(blanks) => write!(f, "a verdict on {blanks} of its blanks: accepted or rejected"),
            Self::SubtractedBlank => f.write_str("a blank, which the method subtracts"),
            Self::Values { lacking, of, chart } => write!(f, "{lacking} of {of} control values on chart {chart}"),
            Self::Blanks { lacking, of } => write!(f, "{lacking} of {of} blanks"),
            Self::Duplicates { lacking, of } => write!(f, "{lacking} of {of} samples in duplicate"),
        }
    }
}

/// Verdict on a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing is planned and nothing was controlled.
    NoPlan,
    /// All is there and in control.
    InControl,
    /// In control; the cause of a rule's hit is looked for.
    Investigate,
    /// A rule rejects the run.
    OutOfControl,
    /// Something the plan demands is missing.
    Missing,
}

impl Verdict {
    fn text(self) -> &'static str {
        match self {
            Self::NoPlan => "no QC plan",
            Self::InControl => "in control",
            Self::Investigate => "in control with something to investigate",
            Self::OutOfControl => "out of control",
            Self::Missing => "missing QC",
        }
    }
}

/// The quality control of a run.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct QualityView {
    /// in control, in control with something to investigate, out of control, missing QC, or no QC plan.
    #[schema(example = "in control")]
    pub verdict: &'static str,
    /// Plan the run goes by: the version in force when it was opened.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plan: Option<Uuid>,
    /// Blanks that the method or the plan asks for and that are not there yet.
    #[schema(example = 0)]
    pub blanks_due: usize,
    /// Control values with the verdicts they got.
    pub values: Vec<RunValueView>,
    /// What speaks against the run, or asks for a look.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub reasons: Vec<String>,
}

/// A control value of a run.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RunValueView {
    /// Control value.
    pub id: ControlValueId,
    /// Chart.
    pub chart: ControlChartId,
    /// Its code.
    #[schema(example = "X-BATH")]
    pub chart_code: String,
    /// Position on the chart.
    pub position: i32,
    /// Value.
    pub value: ferrotitre_base::web::decimal::Decimal,
    /// Unit.
    pub unit: String,
    /// not judged, in control, investigate or out of control.
    pub verdict: String,
    /// Rules it completed.
    pub hits: Vec<Hit>,
    /// Whether it still counts.
    pub valid: bool,
}

/// What the judgement of a run rests on.
pub struct Quality {
    pub verdict: Verdict,
    pub missing: Vec<Missing>,
    /// All versions of its blanks.
    pub blanks: Vec<blanks::Row>,
    pub values: Vec<RunValue>,
    plan: Option<Uuid>,
    reasons: Vec<String>,
    blanks_due: usize,
}

/// What the values of a run say against it.
fn reasons(values: &[RunValue]) -> Vec<String> {
    let mut reasons = Vec::new();
    for value in values {
        let code = &value.chart.code;
        for hit in &value.hits {
            reasons.push(format!("chart {code}, point {}: rule {}, {}", value.row.position, hit.rule, hit.text));
        }
        if value.row.verdict == "not judged" {
            reasons.push(format!("chart {code}, point {}: no phase was in force, not judged", value.row.position));
        }
    }
    reasons
}

/// Judges a run from what is recorded of it. Verdicts on values are those they got; only what is missing can still come.
pub async fn of(connection: &Connection, run: &Row) -> Result<Quality, Refusal> {
    let (method, blanks, values, planned) = futures_util::try_join!(
        methods::store::versions::exactly(connection, run.method_id),
        blanks::of_run(connection, run.id),
        taking::values_of_run(connection, run.id),
        taking::plan_of(connection, run)
    )?;
    let counted = blanks.counted(&Sight::Present).len();
    let mut missing = Vec::new();
    let unjudged = blanks.unjudged();
    if unjudged > 0 && states::present(connection, KIND, run.id.0).await?.state == "open" {
        missing.push(Missing::Verdicts(unjudged));
    }
    let subtracts = method.facts.rules.0.blank == BlankText::Subtract;
    let mut blanks_due = usize::from(subtracts).saturating_sub(counted);
    if blanks_due > 0 {
        missing.push(Missing::SubtractedBlank);
    }
    if let Some((plan, charts)) = &planned {
        for planned in &plan.facts.charts.0 {
            let there = values.iter().filter(|value| value.row.chart_id.0 == planned.chart && value.valid).count();
            let lacking = usize::try_from(planned.values).unwrap_or(0).saturating_sub(there);
            if lacking > 0 {
                let chart = charts.iter().find(|chart| chart.id.0 == planned.chart);
                let chart = chart.map(|chart| chart.code.clone()).unwrap_or_default();
                missing.push(Missing::Values { lacking, of: planned.values, chart });
            }
        }
        let wanted = usize::try_from(plan.facts.blanks).unwrap_or(0);
        blanks_due = blanks_due.max(wanted.saturating_sub(counted));
        if counted < wanted {
            missing.push(Missing::Blanks { lacking: wanted - counted, of: wanted });
        }
        let duplicates = usize::try_from(plan.facts.duplicates).unwrap_or(0);
        let there = if duplicates > 0 { measured::duplicates_in(connection, run.id).await? } else { 0 };
        if there < duplicates {
            missing.push(Missing::Duplicates { lacking: duplicates - there, of: duplicates });
        }
    }
    let reasons = reasons(&values);
    // A plan that asks for nothing is none.
    let demands_something = planned.as_ref().is_some_and(|(plan, _)| plan.facts.demands_something());
    let any = |verdict: &str| values.iter().any(|value| value.row.verdict == verdict);
    let verdict = if any("out of control") {
        Verdict::OutOfControl
    } else if !missing.is_empty() {
        Verdict::Missing
    } else if any("investigate") || any("not judged") {
        Verdict::Investigate
    } else if !demands_something && values.is_empty() {
        Verdict::NoPlan
    } else {
        Verdict::InControl
    };
    let plan = planned.map(|(plan, _)| plan.record_id);
    Ok(Quality { verdict, missing, blanks: blanks.all, values, plan, reasons, blanks_due })
}

impl Quality {
    /// Refuses what needs a run that lacks nothing.
    pub fn lacks(&self) -> Option<Refusal> {
        let missing: Vec<String> = self.missing.iter().map(Missing::to_string).collect();
        let refusal = || Refusal::new(Code::NotEnoughData, format!("the run lacks {}", missing.join(", ")));
        (!missing.is_empty()).then(refusal)
    }

    /// As shown.
    pub fn view(&self) -> QualityView {
        let value = |value: &RunValue| RunValueView {
            id: value.row.id,
            chart: value.chart.id,
            chart_code: value.chart.code.clone(),
            position: value.row.position,
            value: value.row.value.clone(),
            unit: value.chart.unit.clone(),
            verdict: value.row.verdict.clone(),
            hits: value.hits.clone(),
            valid: value.valid,
        };
        QualityView {
            verdict: self.verdict.text(),
            plan: self.plan,
            blanks_due: self.blanks_due,
            values: self.values.iter().map(value).collect(),
            reasons: self.reasons.clone(),
        }
    }

    /// What a signature on the run covers of it.
    pub fn digest_text(&self) -> String {
        let ids: Vec<String> = self.values.iter().map(|v| format!("{} {}", v.row.id, v.row.verdict)).collect();
        format!("{}\n{}", self.verdict.text(), ids.join(" "))
    }
}

/// Takes the results of a rejected run back and opens a nonconformity for it. For a repetition of a rejected run it is a second failure: everything determined
/// since the last good control is listed.
pub async fn rejected(
    connection: &Connection,
    act: &Act,
    run: &Row,
    quality: &Quality,
    reason: Option<&str>,
) -> Result<(), Refusal> {
    let because = format!("run {} was rejected: {}", run.code, reason.unwrap_or_default());
    let given_back = determinations::rejected_runs::give_back(connection, act, run.id, &because).await?;
    let results: Vec<Uuid> = given_back.iter().map(|(_, id)| *id).collect();
    let certificates = certified::issued(connection, &results).await?;
    let first = repeats::chain(connection, run.id).await?;
    let mut links: Vec<(&'static str, Uuid, &'static str)> = vec![(KIND.table(), run.id.0, "origin")];
    links.extend(first.iter().map(|earlier| (KIND.table(), earlier.id.0, "origin")));
    links.extend(bad(&quality.values).map(|value| ("control_values", value.row.id.0, "origin")));
    links.extend(given_back.into_iter().map(|(kind, id)| (kind, id, "affected")));
    links.extend(certificates.iter().map(|(id, _)| (EntityKind::Certificate.table(), *id, "affected")));
    let why = reason.unwrap_or_default();
    let mut opening = Opening {
        source: "run rejection",
        severity: if certificates.is_empty() { "minor" } else { "major" },
        title: format!("run {} was rejected", run.code),
        scope: format!("{why}\n{}{}", quality.reasons.join("\n"), impacts::concerned(&certificates)),
        owner: Some(run.recorded_by),
        observed_at: Utc::now(),
        links,
    };
    if !first.is_empty() {
        let back = second_failure(connection, run, quality, &first).await?;
        opening.source = "repeated run rejection";
        opening.severity = "major";
        opening.title = format!("run {} failed after run {}, which it repeats", run.code, first[0].code);
        opening.scope.push_str(&scope_of(&back));
        let kind = determinations::KIND.table();
        opening.links.extend(back.determinations.iter().map(|id| (kind, id.0, "look-back")));
    }
    open_because(connection, act, opening).await.map(|_| ())
}

fn bad(values: &[RunValue]) -> impl Iterator<Item = &RunValue> {
    values.iter().filter(|value| value.row.verdict == "out of control")
}

async fn second_failure(
    connection: &Connection,
    run: &Row,
    quality: &Quality,
    earlier: &[Row],
) -> Result<LookBack, Refusal> {
    let mut failed: Vec<RunValue> = bad(&quality.values).cloned().collect();
    for run in earlier {
        failed.extend(bad(&taking::values_of_run(connection, run.id).await?).cloned());
    }
    taking::look_back(connection, run.method_id, &failed, until(run)).await
}

/// The look-back ends with the run that failed again.
fn until(run: &Row) -> DateTime<Utc> {
    Utc::now().max(run.observed_at)
}

fn scope_of(back: &LookBack) -> String {
    let mut text = String::new();
    for (chart, good) in &back.good {
        match good {
            Some(row) => text.push_str(&format!(
                "\nlast good control on chart {chart}: point {}, {}",
                row.position,
                row.observed_at.to_rfc3339()
            )),
            None => text.push_str(&format!("\nchart {chart} has no good control before")),
        }
    }
    text.push_str(&format!("\n{} determinations since then are listed", back.determinations.len()));
    text
}
