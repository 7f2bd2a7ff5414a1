//! What control data say in the long run, and limits of counts.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::control::budget::{self, Claim};
use ferrotitre_core::control::limits::{self, Limits};
use ferrotitre_core::control::process;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::control::{HeldFigures, LongTermFigures, PeriodicReviewFigures, ProportionLimitsFigures};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::Show;

fn three_sigma() -> f64 {
    0.0027
}

/// Trials of a period and the share when in control.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ProportionLimitsInput {
    /// Trials in the period judged.
    trials: u64,
    /// Share when in control.
    proportion: f64,
    /// False-alarm probability of both sides together.
    #[serde(default = "three_sigma")]
    #[schema(default = 0.0027)]
    alpha: f64,
    /// A count to judge.
    count: Option<u64>,
}

impl Calculation for ProportionLimitsInput {
    const NAME: &'static str = "proportion-limits";
    const SUMMARY: &'static str = "exact limits of a count, as of discarded reductions";
    const METHOD: &'static str = "binomial tails, each at most alpha / 2";
    const SOURCE: &'static str = "definition of the binomial tails";
    const EXAMPLE: &'static str = r#"{"trials": 50, "proportion": 0.04, "count": 5}"#;
    type Result = ProportionLimitsFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("trials", usize::try_from(self.trials).unwrap_or(usize::MAX), 1_000_000_000)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<ProportionLimitsFigures>, Refusal> {
        let found = limits::proportion_limits(self.trials, self.proportion, self.alpha)?;
        let outcome = Outcome::of(found.show());
        Ok(match self.count {
            Some(count) if count > self.trials => {
                return Err(Refusal::invalid("count", "range", "must not exceed the trials", count));
            }
            Some(count) => {
                let inside =
                    found.upper.is_none_or(|upper| count < upper) && found.lower.is_none_or(|lower| count > lower);
                outcome.judged("count in control", inside, format!("{count} of {}", self.trials))
            }
            None => outcome,
        })
    }
}

/// Values of a control material.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ProcessStatisticsInput {
    /// Control values in order.
    #[serde(deserialize_with = "crate::wire::numbers")]
    #[schema(value_type = crate::wire::Data)]
    values: Vec<f64>,
    /// Assigned value.
    assigned: f64,
    /// Standard uncertainty of the assigned value.
    u_assigned: f64,
    /// Centre line of the chart in use, for the periodic review; left out, the assigned value.
    centre: Option<f64>,
    /// Sigma of the chart in use; left out, no review.
    sigma: Option<f64>,
}

/// Long-term figures and review.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProcessStatisticsFigures {
    /// Long-term figures.
    long_term: LongTermFigures,
    /// Periodic review of the chart.
    review: Option<PeriodicReviewFigures>,
}

impl Calculation for ProcessStatisticsInput {
    const NAME: &'static str = "process-statistics";
    const SUMMARY: &'static str =
        "s_Rw, bias and its uncertainty from a control material; periodic review of the chart";
    const METHOD: &'static str =
        "sample deviation; u(bias) = sqrt(s_Rw^2/n + u^2); counts of the last 60 and mean of the last 20";
    const SOURCE: &'static str = "Nordtest TR 537 and TR 569";
    const EXAMPLE: &'static str = r#"{"values": [52.31, 52.36, 52.30, 52.33, 52.35, 52.28, 52.34, 52.32, 52.37, 52.30],
        "assigned": 52.30, "u_assigned": 0.02}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = ProcessStatisticsFigures;

    fn calculate(self, _: Place) -> Result<Outcome<ProcessStatisticsFigures>, Refusal> {
        let long_term = process::long_term(&self.values, self.assigned, self.u_assigned)?;
        let review = match self.sigma {
            Some(sigma) => {
                let limits = Limits::new(self.centre.unwrap_or(self.assigned), sigma)?;
                Some(process::periodic_review(&self.values, &limits)?)
            }
            None => None,
        };
        let (bias, u) = (long_term.bias, long_term.u_bias);
        let figures = ProcessStatisticsFigures { long_term: long_term.show(), review: review.as_ref().map(Show::show) };
        Ok(Outcome::of(figures).judged("bias within 2 u(bias)", bias.abs() <= 2.0 * u, format!("bias {bias}, u {u}")))
    }
}

/// Values of a control material, and what a budget claims.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BudgetCheckInput {
    /// Control values, one for each run.
    #[serde(deserialize_with = "crate::wire::numbers")]
    #[schema(value_type = crate::wire::Data)]
    values: Vec<f64>,
    /// Standard uncertainty that the budget gives a single result.
    u: f64,
    /// Assigned value; left out, the bias is not tested.
    assigned: Option<f64>,
    /// Standard uncertainty of the assigned value.
    u_assigned: Option<f64>,
}

/// A budget against a chart.
#[derive(Debug, Serialize, ToSchema)]
pub struct BudgetCheckFigures {
    /// Long-term figures; the bias counts from 0 where no value is assigned.
    long_term: LongTermFigures,
    /// The tests.
    held: HeldFigures,
}

impl Calculation for BudgetCheckInput {
    const NAME: &'static str = "budget-check";
    const SUMMARY: &'static str = "an uncertainty budget held against what a control material showed";
    const METHOD: &'static str = "(n - 1) s^2 / u^2 against chi-squared; |bias| / sqrt(u^2 + u(assigned)^2) against the normal distribution; both at 1 %";
    const SOURCE: &'static str = "NIST/SEMATECH e-Handbook 7.2.3; Nordtest TR 537";
    const EXAMPLE: &'static str = r#"{"values": [119.2, 120.4, 119.6, 120.9, 118.9, 120.2, 119.5, 120.7, 119.1, 120.5],
        "u": 0.25, "assigned": 120.0, "u_assigned": 0.1}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = BudgetCheckFigures;

    fn calculate(self, _: Place) -> Result<Outcome<BudgetCheckFigures>, Refusal> {
        let u_assigned = self.assigned.map(|_| self.u_assigned.unwrap_or_default());
        let seen = process::long_term(&self.values, self.assigned.unwrap_or_default(), u_assigned.unwrap_or_default())?;
        let held = budget::hold(&seen, Claim { u: self.u, u_assigned })?;
        let words = format!("s {}, u of the budget {}", seen.s_rw, self.u);
        let stands = !held.is_refuted();
        let figures = BudgetCheckFigures { long_term: seen.show(), held: held.show() };
        Ok(Outcome::of(figures).judged("the budget explains what was seen", stands, words))
    }
}
