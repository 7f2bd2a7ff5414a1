//! What a decision rule costs on both sides: specific risk against the measured value, global risks against the guard band.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::uncertainty::conformity::Specification;
use ferrotitre_core::uncertainty::decision_rule::{risk_curve, risks_by_guard_band};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::conformity::ProcessInput;
use crate::figures::uncertainty::{CurvePointFigures, GuardRiskFigures};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::Show;

/// Limits, a measurement and the process that it is made on.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DecisionRiskInput {
    /// Lower tolerance limit.
    lower: Option<f64>,
    /// Upper tolerance limit.
    upper: Option<f64>,
    /// Standard uncertainty of a result, greater than 0.
    u: f64,
    /// Coverage factor of the expanded uncertainty U that w counts in.
    #[serde(default = "two")]
    #[schema(default = 2.0)]
    k: f64,
    /// Process, as true values are spread.
    process: ProcessInput,
    /// Lengths of the guard band in U; left out, 0 to 2 by 0.1.
    widths: Option<Vec<f64>>,
    /// Points of the specific risk curve.
    #[serde(default = "forty_one")]
    #[schema(default = 41)]
    points: u32,
}

fn two() -> f64 {
    2.0
}

fn forty_one() -> u32 {
    41
}

/// Risks on both sides.
#[derive(Debug, Serialize, ToSchema)]
pub struct DecisionRiskFigures {
    /// Global risks against the length of the guard band; lengths that leave nothing to accept are left out.
    by_guard_band: Vec<GuardRiskFigures>,
    /// Specific risk against the measured value.
    curve: Vec<CurvePointFigures>,
}

impl Calculation for DecisionRiskInput {
    const NAME: &'static str = "decision-risk";
    const SUMMARY: &'static str = "consumer's and producer's risk against the guard band, and the specific risk curve";
    const METHOD: &'static str = "bivariate normal distribution of true and measured value, by quadrature";
    const SOURCE: &'static str = "JCGM 106:2012, 7 to 9";
    const EXAMPLE: &'static str =
        r#"{"upper": 120, "u": 0.55, "process": {"mean": 118, "sd": 1.2}, "widths": [0, 0.5, 1]}"#;
    type Result = DecisionRiskFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        let widths = self.widths.as_ref().map_or(0, Vec::len);
        vec![("widths", widths, 500), ("points", usize::try_from(self.points).unwrap_or(usize::MAX), 10_000)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<DecisionRiskFigures>, Refusal> {
        let limits = Specification::new(self.lower, self.upper)?;
        let widths = self.widths.unwrap_or_else(|| (0..=20).map(|tenths| f64::from(tenths) / 10.0).collect());
        let risks = risks_by_guard_band(&limits, (self.process.mean, self.process.sd), self.u, self.k, &widths)?;
        let curve = risk_curve(&limits, self.u, usize::try_from(self.points).unwrap_or(usize::MAX))?;
        Ok(Outcome::of(DecisionRiskFigures { by_guard_band: risks.show(), curve: curve.show() }))
    }
}
