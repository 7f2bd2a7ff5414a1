//! Conformity with a specification: probability, acceptance limits, risks.

use super::monte_carlo::CoverageInterval;
use crate::statistics::distribution::{normal_cdf, normal_density, normal_sf};
use crate::statistics::quadrature::Rule;

/// Why a decision cannot be computed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ConformityError {
    /// A number outside its range.
    #[error("{field} must be {rule}, not {value}")]
    OutOfRange {
        /// Which number.
        field: &'static str,
        /// The rule broken.
        rule: &'static str,
        /// Offending value.
        value: f64,
    },
    /// A specification without any limit.
    #[error("a specification needs a lower or an upper limit")]
    NoLimit,
    /// Guard bands that leave nothing to accept.
    #[error("the guard bands leave no acceptance interval: from {low} to {high}")]
    NothingAcceptable {
        /// Lower acceptance limit.
        low: f64,
        /// Upper acceptance limit.
        high: f64,
    },
}

pub(super) fn require(field: &'static str, rule: &'static str, value: f64, ok: bool) -> Result<f64, ConformityError> {
    if ok { Ok(value) } else { Err(ConformityError::OutOfRange { field, rule, value }) }
}

pub(super) fn positive(field: &'static str, value: f64) -> Result<f64, ConformityError> {
    require(field, "finite and greater than 0", value, value.is_finite() && value > 0.0)
}

/// Tolerance limits of a specification.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Specification {
    lower: Option<f64>,
    upper: Option<f64>,
}

/// How far inside the tolerance limits a value must lie to be accepted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum GuardBand {
    /// None: simple acceptance, up to 50 % risk at the limit.
    Simple,
    /// g = w U with the expanded uncertainty U.
    Expanded {
        /// Length of the guard band in U; 1 is usual.
        w: f64,
        /// Coverage factor of U.
        k: f64,
    },
    /// g = 1.645 u: at most 5 % risk for a one-sided limit.
    OneSided95,
}

impl GuardBand {
    /// Length g for standard uncertainty `u`.
    ///
    /// # Source
    /// JCGM 106:2012, 8.3; ILAC-G8 (summary read, clauses from memory).
    #[must_use]
    pub fn length(self, u: f64) -> f64 {
        match self {
            Self::Simple => 0.0,
            Self::Expanded { w, k } => w * k * u,
            // 0.95 quantile of the normal distribution to the figures that the rule prints.
            Self::OneSided95 => 1.645 * u,
        }
    }
}

/// What a value is, measured against a specification and its acceptance limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Inside the acceptance limits.
    Conforms,
    /// Inside the tolerance but in a guard band.
    Conditional,
    /// Outside the tolerance.
    DoesNotConform,
}

/// A decision with its risk.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decision {
    /// What the rule says.
    pub outcome: Outcome,
    /// Probability that the true value conforms.
    pub conformance_probability: f64,
    /// Probability that it does not, from the tails themselves: the consumer's risk if accepted.
    pub specific_consumer_risk: f64,
    /// The same as the conformance probability: the producer's risk if rejected.
    pub specific_producer_risk: f64,
}

/// Risks of a rule over all that the process produces.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlobalRisk {
    /// Probability that an item does not conform and is accepted.
    pub consumer: f64,
    /// Probability that an item conforms and is rejected.
    pub producer: f64,
    /// Probability that an item is accepted.
    pub accepted: f64,
    /// Probability that an item conforms.
    pub conforming: f64,
}

impl Specification {
    /// Limits; at least one.
    ///
    /// # Errors
    /// No limit, a limit that is not finite, an upper limit not above the lower.
    pub fn new(lower: Option<f64>, upper: Option<f64>) -> Result<Self, ConformityError> {
        for limit in lower.iter().chain(&upper) {
            require("tolerance limit", "finite", *limit, limit.is_finite())?;
        }
        match (lower, upper) {
            (None, None) => return Err(ConformityError::NoLimit),
            (Some(low), Some(high)) => {
                require("upper tolerance limit", "greater than the lower", high, high > low)?;
            }
            _ => {}
        }
        Ok(Self { lower, upper })
    }

    pub(super) fn ends(&self) -> (f64, f64) {
        (self.lower.unwrap_or(f64::NEG_INFINITY), self.upper.unwrap_or(f64::INFINITY))
    }

    /// Probability that a quantity conforms, known as normal about `y` with standard uncertainty `u`.
    ///
    /// # Formula
    /// p_c = Φ((T_U − y)/u) − Φ((T_L − y)/u)
    ///
    /// # Source
    /// JCGM 106:2012, 7.2 and 7.4 (from memory).
    ///
    /// # Errors
    /// A value that is not finite, an uncertainty that is not positive.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::uncertainty::conformity::Specification;
    /// let bath = Specification::new(None, Some(120.0))?;
    /// assert!((bath.conformance_probability(119.5, 0.55)? - 0.818).abs() < 0.0005);
    /// # Ok::<(), ferrotitre_core::uncertainty::conformity::ConformityError>(())
    /// ```
    pub fn conformance_probability(&self, y: f64, u: f64) -> Result<f64, ConformityError> {
        require("measured value", "finite", y, y.is_finite())?;
        positive("standard uncertainty", u)?;
        let (low, high) = self.ends();
        Ok(between((low - y) / u, (high - y) / u))
    }

    /// Acceptance limits: the tolerance limits moved inwards by the guard band; infinite where there is no limit.
    ///
    /// # Formula
    /// A_U = T_U − g, A_L = T_L + g
    ///
    /// # Errors
    /// An uncertainty that is not positive, a guard band that is not finite, nothing left to accept.
    pub fn acceptance(&self, guard: GuardBand, u: f64) -> Result<CoverageInterval, ConformityError> {
        positive("standard uncertainty", u)?;
        let g = guard.length(u);
        require("guard band", "finite", g, g.is_finite())?;
        let (low, high) = self.ends();
        let (low, high) = (low + g, high - g);
        if low > high {
            Err(ConformityError::NothingAcceptable { low, high })
        } else {
            Ok(CoverageInterval { low, high })
        }
    }

    /// Probability of lying outside, from the tails themselves.
    pub(super) fn risk_outside(&self, y: f64, u: f64) -> f64 {
        let (low, high) = self.ends();
        normal_cdf((low - y) / u) + normal_sf((high - y) / u)
    }

    /// Decides on one measured value. A value on a limit is inside it.
    ///
    /// # Source
    /// ISO/IEC 17025:2017, 7.8.6; JCGM 106:2012, 8 (from memory).
    ///
    /// # Errors
    /// As [`Specification::acceptance`].
    pub fn decide(&self, y: f64, u: f64, guard: GuardBand) -> Result<Decision, ConformityError> {
        let conformance_probability = self.conformance_probability(y, u)?;
        let accepted = self.acceptance(guard, u)?;
        let (low, high) = self.ends();
        let outcome = if y < low || y > high {
            Outcome::DoesNotConform
        } else if y < accepted.low || y > accepted.high {
            Outcome::Conditional
        } else {
            Outcome::Conforms
        };
        let specific_consumer_risk = self.risk_outside(y, u);
        let specific_producer_risk = conformance_probability;
        Ok(Decision { outcome, conformance_probability, specific_consumer_risk, specific_producer_risk })
    }

    /// Risks of accepting between the acceptance limits, for a normal process measured with normal error.
    ///
    /// # Formula
    /// R_C = ∫ outside T of g₀(η) P(A_L ≤ y ≤ A_U | η) dη; R_P = ∫ inside T of g₀(η) \[1 − P(A_L ≤ y ≤ A_U | η)\] dη:
    /// areas of the bivariate normal distribution of true and measured value
    ///
    /// # Source
    /// JCGM 106:2012, 9.5 (from memory).
    ///
    /// # Errors
    /// A process mean that is not finite; a deviation or an uncertainty that is not positive.
    pub fn global_risk(
        &self,
        process_mean: f64,
        process_sd: f64,
        u: f64,
        acceptance: CoverageInterval,
    ) -> Result<GlobalRisk, ConformityError> {
        require("process mean", "finite", process_mean, process_mean.is_finite())?;
        positive("process standard deviation", process_sd)?;
        positive("standard uncertainty", u)?;
        let (low, high) = self.ends();
        let accept = |eta: f64| between((acceptance.low - eta) / u, (acceptance.high - eta) / u);
        let reject = |eta: f64| normal_cdf((acceptance.low - eta) / u) + normal_sf((acceptance.high - eta) / u);
        let reach = 9.0 * process_sd;
        let (bottom, top) = (process_mean - reach, process_mean + reach);
        let integral = |from: f64, to: f64, f: &dyn Fn(f64) -> f64| {
            let (from, to) = (from.max(bottom), to.min(top));
            if from >= to {
                return 0.0;
            }
            // Where the measurement is sharp, acceptance changes over a few u about its limits only.
            let mut cuts = vec![from, to];
            for limit in [acceptance.low, acceptance.high] {
                cuts.extend(
                    [-8.0, -4.0, 0.0, 4.0, 8.0].map(|k| limit + k * u).iter().filter(|c| **c > from && **c < to),
                );
            }
            cuts.extend(
                [-6.0, -3.0, 0.0, 3.0, 6.0]
                    .map(|k| process_mean + k * process_sd)
                    .iter()
                    .filter(|c| **c > from && **c < to),
            );
            cuts.sort_by(f64::total_cmp);
            let rule = Rule::new(24);
            let density = |eta: f64| normal_density((eta - process_mean) / process_sd) / process_sd;
            cuts.windows(2).map(|cut| rule.integrate(cut[0], cut[1], |eta| density(eta) * f(eta))).sum()
        };
        let total = process_sd.hypot(u);
        Ok(GlobalRisk {
            consumer: integral(f64::NEG_INFINITY, low, &accept) + integral(high, f64::INFINITY, &accept),
            producer: integral(low, high, &reject),
            accepted: between((acceptance.low - process_mean) / total, (acceptance.high - process_mean) / total),
            conforming: between((low - process_mean) / process_sd, (high - process_mean) / process_sd),
        })
    }
}

/// Probability between two standardised limits, from the nearer tail.
fn between(a: f64, b: f64) -> f64 {
    if a > 0.0 { normal_sf(a) - normal_sf(b) } else { normal_cdf(b) - normal_cdf(a) }
}
