//! What follows from an uncertainty: coverage factors, conformity; and the top-down way to one.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::uncertainty::conformity::{self, GuardBand, Specification};
use ferrotitre_core::uncertainty::decision_rule::percent;
use ferrotitre_core::uncertainty::nordtest::{self, BiasSource};
use ferrotitre_core::uncertainty::{self as core, CoverageRule, DegreesOfFreedom};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::figures::uncertainty::{
    ComparisonFigures, CoverageFigures, CoverageIntervalFigures, DecisionFigures, GlobalRiskFigures, TopDownFigures,
};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Show, ninety_five};

/// A standard uncertainty and its degrees of freedom.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CoverageFactorInput {
    /// Standard uncertainty.
    #[serde(default = "unit")]
    #[schema(default = 1.0)]
    u: f64,
    /// Effective degrees of freedom; left out, infinite.
    degrees_of_freedom: Option<f64>,
    /// Coverage probability.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    probability: f64,
}

fn unit() -> f64 {
    1.0
}

impl Calculation for CoverageFactorInput {
    const NAME: &'static str = "coverage-factor";
    const SUMMARY: &'static str = "coverage factor for a probability and degrees of freedom";
    const METHOD: &'static str = "quantile of Student's t; degrees of freedom are not cut to whole numbers";
    const SOURCE: &'static str = "JCGM 100:2008, 6.2 and G.4";
    const EXAMPLE: &'static str = r#"{"u": 0.21, "degrees_of_freedom": 7.6}"#;
    type Result = CoverageFigures;

    fn calculate(self, _: Place) -> Result<Outcome<CoverageFigures>, Refusal> {
        if !(self.u >= 0.0 && self.u.is_finite()) {
            return Err(Refusal::invalid("u", "range", "must be 0 or more", self.u));
        }
        let degrees = self.degrees_of_freedom.map_or(DegreesOfFreedom::Infinite, DegreesOfFreedom::Finite);
        Ok(Outcome::of(core::expand(self.u, degrees, CoverageRule::Probability(self.probability))?.show()))
    }
}

/// Guard band.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GuardInput {
    /// Guard band as a multiple of the expanded uncertainty.
    w: Option<f64>,
    /// Coverage factor of that expanded uncertainty.
    k: Option<f64>,
    /// 1.645 u: at most 5 % risk at a one-sided limit.
    #[serde(default)]
    one_sided_95: bool,
}

/// Spread of what the process produces.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ProcessInput {
    /// Mean.
    pub(super) mean: f64,
    /// Standard deviation of the true values.
    pub(super) sd: f64,
}

/// A result and a specification.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ConformityInput {
    /// Result.
    value: f64,
    /// Standard uncertainty, greater than 0.
    u: f64,
    /// Lower tolerance limit.
    lower: Option<f64>,
    /// Upper tolerance limit.
    upper: Option<f64>,
    /// Guard band; left out, simple acceptance.
    #[serde(default)]
    guard: GuardInput,
    /// Process, for risks over all that is produced.
    process: Option<ProcessInput>,
}

/// Decision with its risks.
#[derive(Debug, Serialize, ToSchema)]
pub struct ConformityFigures {
    /// Decision.
    decision: DecisionFigures,
    /// Length of the guard band.
    guard_band: f64,
    /// Lower acceptance limit.
    lower_acceptance: Option<f64>,
    /// Upper acceptance limit.
    upper_acceptance: Option<f64>,
    /// Risks over all that the process produces.
    global_risk: Option<GlobalRiskFigures>,
}

impl Calculation for ConformityInput {
    const NAME: &'static str = "conformity";
    const SUMMARY: &'static str = "decision against a specification with guard band and risks";
    const METHOD: &'static str = "normal tails; global risks by quadrature";
    const SOURCE: &'static str = "JCGM 106:2012, 7 to 9; ISO/IEC 17025:2017, 7.8.6";
    const EXAMPLE: &'static str = r#"{"value": 119.5, "u": 0.55, "upper": 120, "guard": {"one_sided_95": true},
        "process": {"mean": 117, "sd": 1.5}}"#;
    type Result = ConformityFigures;

    fn calculate(self, _: Place) -> Result<Outcome<ConformityFigures>, Refusal> {
        let specification = Specification::new(self.lower, self.upper)?;
        let guard = match (self.guard.w, self.guard.one_sided_95) {
            (Some(w), false) => GuardBand::Expanded { w, k: self.guard.k.unwrap_or(2.0) },
            (None, true) => GuardBand::OneSided95,
            (None, false) => GuardBand::Simple,
            (Some(w), true) => {
                return Err(Refusal::invalid("guard.w", "one_of", "give w or one_sided_95, not both", w));
            }
        };
        let decision = specification.decide(self.value, self.u, guard)?;
        let acceptance = specification.acceptance(guard, self.u)?;
        let risk = self.process.map(|process| specification.global_risk(process.mean, process.sd, self.u, acceptance));
        let interval: CoverageIntervalFigures = acceptance.show();
        let figures = ConformityFigures {
            decision: decision.show(),
            guard_band: guard.length(self.u),
            lower_acceptance: interval.low.is_finite().then_some(interval.low),
            upper_acceptance: interval.high.is_finite().then_some(interval.high),
            global_risk: risk.transpose()?.show(),
        };
        let detail = format!("conformance probability {}", percent(decision.conformance_probability));
        let outcome = match decision.outcome {
            conformity::Outcome::Conforms => "met",
            conformity::Outcome::Conditional => "query",
            conformity::Outcome::DoesNotConform => "not met",
        };
        Ok(Outcome::of(figures).says("conforms to the specification", outcome, detail))
    }
}

/// Within-laboratory reproducibility and bias, in one unit, usually per cent.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TopDownInput {
    /// Within-laboratory reproducibility u(Rw).
    u_rw: f64,
    /// Biases against several reference materials or rounds.
    biases: Option<Vec<f64>>,
    /// Bias against one reference material.
    bias: Option<f64>,
    /// Standard deviation of the results for that material.
    s: Option<f64>,
    /// Number of results for that material.
    n: Option<u32>,
    /// Standard uncertainty of the reference values.
    u_reference: f64,
    /// Standard uncertainty of the bottom-up budget, to compare.
    bottom_up: Option<f64>,
}

/// Top-down uncertainty.
#[derive(Debug, Serialize, ToSchema)]
pub struct TopDownAnswer {
    /// Parts and sum.
    top_down: TopDownFigures,
    /// Against the bottom-up budget.
    comparison: Option<ComparisonFigures>,
}

impl Calculation for TopDownInput {
    const NAME: &'static str = "top-down-uncertainty";
    const SUMMARY: &'static str = "uncertainty from within-laboratory reproducibility and bias";
    const METHOD: &'static str = "u_c = sqrt(u(Rw)^2 + u(bias)^2), U = 2 u_c";
    const SOURCE: &'static str = "Nordtest TR 537";
    const EXAMPLE: &'static str =
        r#"{"u_rw": 0.35, "biases": [0.4, -0.3, 0.6, 0.2, -0.5, 0.3], "u_reference": 0.25, "bottom_up": 0.4}"#;
    type Result = TopDownAnswer;

    fn calculate(self, _: Place) -> Result<Outcome<TopDownAnswer>, Refusal> {
        let u_reference = self.u_reference;
        let source = match (self.biases, self.bias, self.s, self.n) {
            (Some(biases), None, None, None) => BiasSource::Several { biases, u_reference },
            (None, Some(bias), Some(s), Some(n)) => BiasSource::OneMaterial { bias, s, n, u_reference },
            (biases, ..) => {
                let given = biases.map(|biases| biases.len().to_string()).unwrap_or_default();
                return Err(Refusal::invalid("biases", "one_of", "give biases, or bias, s and n", given));
            }
        };
        let found = nordtest::top_down(self.u_rw, &source)?;
        let comparison = self.bottom_up.map(|bottom_up| {
            nordtest::compare(bottom_up, found.combined).ok_or_else(|| {
                Refusal::invalid("bottom_up", "range", "must be greater than 0, like the top-down one", bottom_up)
            })
        });
        let comparison = comparison.transpose()?;
        let outcome = Outcome::of(TopDownAnswer { top_down: found.show(), comparison: comparison.show() });
        Ok(match comparison {
            Some(comparison) => {
                let finding = if comparison.query { "query" } else { "met" };
                let detail = format!("ratio {}, common range 0.5 to 2", comparison.ratio);
                outcome.says("bottom-up and top-down agree", finding, detail)
            }
            None => outcome,
        })
    }
}
