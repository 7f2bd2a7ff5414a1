//! Figures of uncertainty and conformity, field by field as core has them.

use ferrotitre_core::uncertainty::conformity::{Decision, GlobalRisk, Outcome};
use ferrotitre_core::uncertainty::decision_rule::{CurvePoint, GuardRisk};
use ferrotitre_core::uncertainty::monte_carlo::{CoverageInterval, MonteCarlo};
use ferrotitre_core::uncertainty::nordtest::{Comparison, TopDown};
use ferrotitre_core::uncertainty::{Coverage, DegreesOfFreedom};

use crate::wire::{Show, named, shown};

named! {
    /// What a value is, measured against a specification and its acceptance limits.
    ConformityName of Outcome {
        /// Inside the acceptance limits.
        Conforms = "conforms",
        /// Inside the tolerance but in a guard band.
        Conditional = "conditional",
        /// Outside the tolerance.
        DoesNotConform = "does not conform",
    }
}

/// Acceptance limits; absent where there is no limit.
#[derive(Debug, Clone, PartialEq, serde::Serialize, utoipa::ToSchema)]
pub struct AcceptanceFigures {
    /// Lower acceptance limit.
    pub low: Option<f64>,
    /// Upper acceptance limit.
    pub high: Option<f64>,
}

impl Show<AcceptanceFigures> for CoverageInterval {
    fn show(&self) -> AcceptanceFigures {
        AcceptanceFigures { low: self.low.show(), high: self.high.show() }
    }
}

impl Show<Option<f64>> for DegreesOfFreedom {
    fn show(&self) -> Option<f64> {
        match *self {
            Self::Finite(degrees) => Some(degrees),
            Self::Infinite => None,
        }
    }
}

shown! {
    /// An expanded uncertainty and how it came about.
    CoverageFigures of Coverage {
        /// Coverage factor k.
        factor: f64,
        /// Expanded uncertainty U = k u.
        expanded_uncertainty: f64,
        /// Effective degrees of freedom.
        degrees_of_freedom: Option<f64>,
    }

    /// A coverage interval.
    CoverageIntervalFigures of CoverageInterval {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
    }

    /// Result of a Monte Carlo evaluation.
    MonteCarloFigures of MonteCarlo {
        /// Trials made.
        trials: usize,
        /// Mean of the model values.
        mean: f64,
        /// Their standard deviation.
        standard_uncertainty: f64,
        /// Coverage probability of the intervals.
        probability: f64,
        /// Interval with equal probability left out at both ends.
        symmetric: CoverageIntervalFigures,
        /// Shortest interval.
        shortest: CoverageIntervalFigures,
    }

    /// A decision with its risk.
    DecisionFigures of Decision {
        /// What the rule says.
        outcome: ConformityName,
        /// Probability that the true value conforms.
        conformance_probability: f64,
        /// Probability that it does not, from the tails themselves: the consumer's risk if accepted.
        specific_consumer_risk: f64,
        /// The same as the conformance probability: the producer's risk if rejected.
        specific_producer_risk: f64,
    }

    /// Risks of a rule over all that the process produces.
    GlobalRiskFigures of GlobalRisk {
        /// Probability that an item does not conform and is accepted.
        consumer: f64,
        /// Probability that an item conforms and is rejected.
        producer: f64,
        /// Probability that an item is accepted.
        accepted: f64,
        /// Probability that an item conforms.
        conforming: f64,
    }

    /// Risks for one length of the guard band.
    GuardRiskFigures of GuardRisk {
        /// Length of the guard band in U.
        w: f64,
        /// Acceptance limits.
        acceptance: AcceptanceFigures,
        /// Risks over all that the process produces.
        risk: GlobalRiskFigures,
    }

    /// A point of the specific risk curve.
    CurvePointFigures of CurvePoint {
        /// Measured value.
        y: f64,
        /// Probability that the true value conforms: the producer's risk if rejected.
        conformance_probability: f64,
        /// Probability that it does not: the consumer's risk if accepted.
        specific_consumer_risk: f64,
    }

    /// The combined uncertainty and its parts, in the unit of the figures given.
    TopDownFigures of TopDown {
        /// Within-laboratory reproducibility u(Rw).
        u_rw: f64,
        /// Root mean square of the biases; the absolute bias for one material.
        rms_bias: f64,
        /// Uncertainty component of bias, u(bias).
        u_bias: f64,
        /// Combined standard uncertainty u_c.
        combined: f64,
        /// Expanded uncertainty, k = 2.
        expanded: f64,
    }

    /// How bottom-up and top-down uncertainties compare.
    ComparisonFigures of Comparison {
        /// Bottom-up over top-down.
        ratio: f64,
        /// Outside 0.5 to 2: one of the two budgets misses something.
        query: bool,
    }
}
