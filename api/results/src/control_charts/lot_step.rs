//! Whether a change of titrant lot shows on a chart of a control material.
//!
//! The material stays the same over the change, so a step of its values is a step of the titrant: its factor, its storage,
//! its standardisation.

use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_core::statistics::hypothesis::{equivalent_means, welch_t};
use ferrotitre_core::statistics::summary::Summary;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::control_charts::rules::Quantity;
use crate::control_charts::store::{charts, values};
use crate::control_charts::values::KIND;
use crate::determinations::measured;

/// Confidence of the interval of the difference; a step is shown when 0 lies outside.
const CONFIDENCE: f64 = 0.95;
/// Level of each of the two one-sided tests of equivalence.
const ALPHA: f64 = 0.05;

/// Which change of lots.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LotStepQuestion {
    /// Titrant lot that was used before.
    pub old: Uuid,
    /// Titrant lot that is used now.
    pub new: Uuid,
    /// Largest difference that does not matter, in the chart's unit; if absent, U (k = 2) of the newest of these values.
    pub margin: Option<Decimal>,
}

/// Values found with one lot.
#[derive(Debug, Serialize, ToSchema)]
pub struct LotValues {
    /// Lot.
    pub titrant: Uuid,
    /// Its code.
    #[schema(example = "D-2")]
    pub code: String,
    /// Number of values; those found invalid with a cause are left out.
    pub n: usize,
    /// Mean.
    pub mean: Option<f64>,
    /// Sample standard deviation.
    pub sd: Option<f64>,
}

/// Welch's test of the difference.
#[derive(Debug, Serialize, ToSchema)]
pub struct StepTest {
    /// Statistic.
    pub t: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Two-sided p-value.
    pub p: f64,
    /// Ends of the 95 % confidence interval of the difference.
    pub interval: [f64; 2],
}

/// Two one-sided tests against the margin.
#[derive(Debug, Serialize, ToSchema)]
pub struct StepEquivalence {
    /// Largest difference that does not matter.
    pub margin: f64,
    /// Where the margin comes from.
    pub margin_from: String,
    /// p-value of equivalence.
    pub p: f64,
    /// Ends of the 90 % confidence interval of the difference.
    pub interval: [f64; 2],
    /// Whether the lots give the same, at 5 %.
    pub equivalent: bool,
}

/// What a change of lots did to a chart.
#[derive(Debug, Serialize, ToSchema)]
pub struct LotStep {
    /// Chart.
    pub chart: Uuid,
    /// Unit of all values.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Before.
    pub old: LotValues,
    /// After.
    pub new: LotValues,
    /// New mean less old mean.
    pub difference: Option<f64>,
    /// The same, per cent of the old mean.
    pub percent: Option<f64>,
    /// Whether there is a step.
    pub test: Option<StepTest>,
    /// Whether it is small enough not to matter.
    pub equivalence: Option<StepEquivalence>,
    /// What it comes to.
    #[schema(example = "no step shown, and the lots are equivalent within 0.48 g/L")]
    pub conclusion: String,
    /// What cannot be answered, and why.
    pub missing: Vec<String>,
}

/// Reads the step between two lots.
pub(super) async fn read(db: &Db, id: Uuid, question: &LotStepQuestion) -> Result<LotStep, Refusal> {
    if question.old == question.new {
        return Err(Refusal::invalid("new", "another_lot", "must be another lot than old", question.new));
    }
    let margin = question.margin.as_ref().map(Decimal::value);
    if let Some(margin) = margin.filter(|margin| !(margin.is_finite() && *margin > 0.0)) {
        return Err(Refusal::invalid("margin", "range", "must be greater than 0", margin));
    }
    db.read(async |connection| {
        let chart = charts::find(connection, id).await?;
        if !Quantity::of(&chart.quantity)?.of_material() {
            let detail = format!("chart {} is not a chart of a control material", chart.code);
            return Err(Refusal::new(Code::RuleBroken, detail).at("id", "of_material", &chart.code));
        }
        let mut codes = Vec::new();
        for (field, lot) in [("old", question.old), ("new", question.new)] {
            let found = titrants::titrant(connection, lot).await.map_err(|refusal| match refusal.code {
                Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", lot),
                _ => refusal,
            })?;
            codes.push(found.code);
        }
        let mut rows = values::by_lot(connection, chart.id, &[question.old, question.new]).await?;
        let ids: Vec<Uuid> = rows.iter().map(|row| row.id).collect();
        let standing = states::present_many(connection, KIND, &ids).await?;
        rows.retain(|row| standing.get(&row.id).is_none_or(|state| state != "invalid-with-cause"));
        let margin = match (margin, rows.last()) {
            (Some(margin), _) => Some((margin, "given".to_owned())),
            (None, Some(newest)) => {
                let measured = measured::one(connection, newest.determination_id).await?;
                let u = measured.in_unit(&chart.unit).map(|(_, u)| 2.0 * u);
                u.map(|u| (u, format!("U (k = 2) of {}", measured.code)))
            }
            (None, None) => None,
        };
        let of = |lot: Uuid| rows.iter().filter(|row| row.titrant_id == lot).map(|row| row.value).collect::<Vec<f64>>();
        let lots = [(question.old, of(question.old)), (question.new, of(question.new))];
        Ok(step(&chart, lots, codes, margin))
    })
    .await
}

fn lot_values(titrant: Uuid, code: String, values: &[f64]) -> LotValues {
    let summary = Summary::of(values).ok();
    LotValues {
        titrant,
        code,
        n: values.len(),
        mean: summary.as_ref().and_then(|summary| summary.mean().ok()),
        sd: summary.as_ref().and_then(|summary| summary.sample_sd().ok()),
    }
}

/// Whether the means are equivalent within a margin, or why nothing can be said.
fn equivalence([old, new]: [&[f64]; 2], margin: Option<(f64, String)>) -> Result<StepEquivalence, String> {
    let (margin, margin_from) =
        margin.ok_or("equivalence: no value has an uncertainty to take the margin from; give one")?;
    let answer =
        equivalent_means(new, old, (-margin, margin), ALPHA, false).map_err(|error| format!("equivalence: {error}"))?;
    Ok(StepEquivalence {
        margin,
        margin_from,
        p: answer.p,
        interval: [answer.interval.low, answer.interval.high],
        equivalent: answer.equivalent,
    })
}

fn conclusion(shown: Option<bool>, equivalence: Option<&StepEquivalence>, unit: &str) -> String {
    match (shown, equivalence) {
        (Some(true), Some(answer)) if answer.equivalent => {
            format!("a step is shown, but it is smaller than {} {unit}: the lots are equivalent", answer.margin)
        }
        (Some(true), _) => "a step is shown, and it may matter: look at the factor of the new lot".to_owned(),
        (Some(false), Some(answer)) if answer.equivalent => {
            format!("no step is shown, and the lots are equivalent within {} {unit}", answer.margin)
        }
        (Some(false), _) => {
            "no step is shown, but too few values or too wide a spread to call the lots equivalent".to_owned()
        }
        (None, _) => "not enough data to compare the lots".to_owned(),
    }
}

fn step(
    chart: &charts::Row,
    [(old_lot, old), (new_lot, new)]: [(Uuid, Vec<f64>); 2],
    codes: Vec<String>,
    margin: Option<(f64, String)>,
) -> LotStep {
    let mut missing = Vec::new();
    let test = match welch_t(&new, &old, 0.0, CONFIDENCE) {
        Ok(test) => Some(test),
        Err(error) => {
            missing.push(format!("test of the step: {error}"));
            None
        }
    };
    let equivalence = equivalence([&old, &new], margin).map_err(|reason| missing.push(reason)).ok();
    let shown = test.as_ref().map(|test| test.p.two_sided < 1.0 - CONFIDENCE);
    let unit = &chart.unit;
    let conclusion = conclusion(shown, equivalence.as_ref(), unit);
    let mut codes = codes.into_iter();
    let old = lot_values(old_lot, codes.next().unwrap_or_default(), &old);
    let new = lot_values(new_lot, codes.next().unwrap_or_default(), &new);
    let difference = new.mean.zip(old.mean).map(|(new, old)| new - old);
    LotStep {
        chart: chart.id.0,
        unit: unit.clone(),
        difference,
        percent: difference.zip(old.mean).filter(|(_, old)| *old != 0.0).map(|(step, old)| 100.0 * step / old),
        old,
        new,
        test: test.map(|test| StepTest {
            t: test.t,
            degrees_of_freedom: test.degrees_of_freedom,
            p: test.p.two_sided,
            interval: [test.interval.low, test.interval.high],
        }),
        equivalence,
        conclusion,
        missing,
    }
}
