//! Decision rules as they are written down: what a result is judged by, and what that costs on both sides.

use super::conformity::{ConformityError, GlobalRisk, GuardBand, Outcome, Specification, positive, require};
use super::monte_carlo::CoverageInterval;
use crate::statistics::distribution::{normal_quantile, normal_sf};
use crate::statistics::quadrature::solve_increasing;

/// A decision rule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DecisionRule {
    /// Accepted inside the tolerance limits.
    Simple,
    /// Accepted inside limits moved inwards by w U, with the expanded uncertainty U = k u.
    Expanded {
        /// Length of the guard band in U.
        w: f64,
    },
    /// Accepted inside limits moved inwards by a multiple of u.
    Standard {
        /// Length of the guard band in u; 1.645 for a one-sided level of 95 %.
        multiple: f64,
    },
    /// Accepted where the probability of conforming is at least so much.
    Probability {
        /// Least conformance probability, between 0 and 1.
        least: f64,
    },
}

/// One of the two limits of a specification.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limit {
    /// The lower one.
    Lower,
    /// The upper one.
    Upper,
}

/// A result judged by a rule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judgement {
    /// What the rule says.
    pub outcome: Outcome,
    /// Probability that the true value conforms.
    pub conformance_probability: f64,
    /// How far the acceptance limits lie inside the tolerance limits; negative where they lie outside.
    pub guard: f64,
    /// Acceptance limits; infinite where there is no limit.
    pub acceptance: CoverageInterval,
    /// The limit that the result is more likely to have passed: the one that decides.
    pub deciding: Limit,
}

/// A point of the specific risk curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Measured value.
    pub y: f64,
    /// Probability that the true value conforms: the producer's risk if rejected.
    pub conformance_probability: f64,
    /// Probability that it does not: the consumer's risk if accepted.
    pub specific_consumer_risk: f64,
}

/// Risks over all that the process produces, for one length of the guard band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GuardRisk {
    /// Length of the guard band in U.
    pub w: f64,
    /// Acceptance limits; infinite where there is no limit.
    pub acceptance: CoverageInterval,
    /// Risks.
    pub risk: GlobalRisk,
}

impl DecisionRule {
    /// Checks the rule's own figure.
    ///
    /// # Errors
    /// A guard band that is not positive or not finite; a probability outside (0, 1).
    pub fn check(self) -> Result<(), ConformityError> {
        match self {
            Self::Simple => Ok(()),
            Self::Expanded { w } => positive("guard band in U", w).map(drop),
            Self::Standard { multiple } => positive("guard band in u", multiple).map(drop),
            Self::Probability { least } => require(
                "least conformance probability",
                "greater than 0 and less than 1",
                least,
                least > 0.0 && least < 1.0,
            )
            .map(drop),
        }
    }

    /// Probability that a result just on an acceptance limit does not conform, for one limit and a normal distribution:
    /// the specific consumer's risk that goes with the rule, at most.
    ///
    /// # Formula
    /// 1 − Φ(g/u)
    ///
    /// # Source
    /// JCGM 106:2012, 8.3 (from memory); ISO/IEC 17025:2017, 7.8.6.1.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::uncertainty::decision_rule::DecisionRule;
    /// assert!((DecisionRule::Simple.risk_at_limit(2.0) - 0.5).abs() < 1e-15);
    /// assert!((DecisionRule::Standard { multiple: 1.645 }.risk_at_limit(2.0) - 0.05).abs() < 5e-5);
    /// ```
    #[must_use]
    pub fn risk_at_limit(self, k: f64) -> f64 {
        match self {
            Self::Simple => 0.5,
            Self::Expanded { w } => normal_sf(w * k),
            Self::Standard { multiple } => normal_sf(multiple),
            Self::Probability { least } => 1.0 - least,
        }
    }

    /// Acceptance limits for a standard uncertainty.
    ///
    /// # Formula
    /// A_U = T_U − g, A_L = T_L + g; for a least probability p the values between which p_c ≥ p, with one limit
    /// g = Φ⁻¹(p) u
    ///
    /// # Source
    /// JCGM 106:2012, 8 (from memory).
    ///
    /// # Errors
    /// As [`DecisionRule::check`] and [`Specification::acceptance`]; nothing acceptable, where no value conforms with the
    /// probability asked for.
    pub fn acceptance(self, limits: &Specification, u: f64, k: f64) -> Result<CoverageInterval, ConformityError> {
        self.check()?;
        match self {
            Self::Simple => limits.acceptance(GuardBand::Simple, u),
            Self::Expanded { w } => limits.acceptance(GuardBand::Expanded { w, k }, u),
            // The same guard band with the coverage factor 1.
            Self::Standard { multiple } => limits.acceptance(GuardBand::Expanded { w: multiple, k: 1.0 }, u),
            Self::Probability { least } => by_probability(limits, u, least),
        }
    }

    /// Judges a measured value with its standard uncertainty. A value on a limit is inside it.
    ///
    /// # Formula
    /// Conforms inside the acceptance limits; conditional outside them but inside the tolerance; else it does not conform
    ///
    /// # Source
    /// JCGM 106:2012, 7 and 8 (from memory); ISO/IEC 17025:2017, 7.8.6.
    ///
    /// # Errors
    /// As [`DecisionRule::acceptance`]; a value that is not finite.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::uncertainty::conformity::{Outcome, Specification};
    /// use ferrotitre_core::uncertainty::decision_rule::DecisionRule;
    /// let bath = Specification::new(None, Some(120.0))?;
    /// let judged = DecisionRule::Standard { multiple: 1.645 }.judge(&bath, 119.5, 0.55, 2.0)?;
    /// assert_eq!(judged.outcome, Outcome::Conditional);
    /// assert!((judged.acceptance.high - 119.095).abs() < 0.0005);
    /// assert!((judged.conformance_probability - 0.818).abs() < 0.0005);
    /// # Ok::<(), ferrotitre_core::uncertainty::conformity::ConformityError>(())
    /// ```
    pub fn judge(self, limits: &Specification, y: f64, u: f64, k: f64) -> Result<Judgement, ConformityError> {
        let conformance_probability = limits.conformance_probability(y, u)?;
        let acceptance = self.acceptance(limits, u, k)?;
        let (low, high) = limits.ends();
        let inside = |from: f64, to: f64| (from..=to).contains(&y);
        let outcome = if inside(acceptance.low, acceptance.high) {
            Outcome::Conforms
        } else if inside(low, high) {
            Outcome::Conditional
        } else {
            Outcome::DoesNotConform
        };
        let guard = if high.is_finite() { high - acceptance.high } else { acceptance.low - low };
        let deciding = if high - y <= y - low { Limit::Upper } else { Limit::Lower };
        Ok(Judgement { outcome, conformance_probability, guard, acceptance, deciding })
    }
}

fn by_probability(limits: &Specification, u: f64, least: f64) -> Result<CoverageInterval, ConformityError> {
    positive("standard uncertainty", u)?;
    let (low, high) = limits.ends();
    if !(low.is_finite() && high.is_finite()) {
        // Only a probability outside (0, 1) has no quantile, and that was refused.
        let guard = normal_quantile(least).unwrap_or(f64::INFINITY) * u;
        return Ok(CoverageInterval { low: low + guard, high: high - guard });
    }
    // The probability is highest in the middle and falls evenly to both sides.
    let middle = 0.5 * (low + high);
    let probability = |y: f64| limits.conformance_probability(y, u).unwrap_or(0.0);
    if probability(middle) < least {
        return Err(ConformityError::NothingAcceptable { low: middle, high: middle });
    }
    let accepted = solve_increasing(middle, high + 40.0 * u, -least, |y| -probability(y));
    Ok(CoverageInterval { low: low + high - accepted, high: accepted })
}

/// The specific risk curve over measured values about the limits, at equal distances.
///
/// # Formula
/// p_c(y) = Φ((T_U − y)/u) − Φ((T_L − y)/u), from 4 u outside to 4 u inside a single limit, from 4 u below the lower to 4 u
/// above the upper one
///
/// # Source
/// JCGM 106:2012, 7.2 and 7.4 (from memory).
///
/// # Errors
/// An uncertainty that is not positive; fewer than 2 points.
pub fn risk_curve(limits: &Specification, u: f64, points: usize) -> Result<Vec<CurvePoint>, ConformityError> {
    positive("standard uncertainty", u)?;
    require("number of points", "at least 2", points as f64, points >= 2)?;
    let (low, high) = limits.ends();
    let from = if low.is_finite() { low - 4.0 * u } else { high - 4.0 * u };
    let to = if high.is_finite() { high + 4.0 * u } else { low + 4.0 * u };
    let step = (to - from) / (points - 1) as f64;
    (0..points)
        .map(|i| {
            let y = from + step * i as f64;
            let conformance_probability = limits.conformance_probability(y, u)?;
            Ok(CurvePoint { y, conformance_probability, specific_consumer_risk: limits.risk_outside(y, u) })
        })
        .collect()
}

/// Consumer's and producer's risk over a normal process against the length of the guard band in U = k u; lengths that
/// leave nothing to accept are left out.
///
/// # Formula
/// As [`Specification::global_risk`], for every w
///
/// # Source
/// JCGM 106:2012, 9.5 (from memory).
///
/// # Errors
/// As [`Specification::global_risk`]; a w that is negative or not finite.
pub fn risks_by_guard_band(
    limits: &Specification,
    (process_mean, process_sd): (f64, f64),
    u: f64,
    k: f64,
    widths: &[f64],
) -> Result<Vec<GuardRisk>, ConformityError> {
    positive("coverage factor", k)?;
    let mut found = Vec::with_capacity(widths.len());
    for w in widths.iter().copied() {
        require("guard band in U", "finite and not negative", w, w.is_finite() && w >= 0.0)?;
        let acceptance = match limits.acceptance(GuardBand::Expanded { w, k }, u) {
            Ok(acceptance) => acceptance,
            Err(ConformityError::NothingAcceptable { .. }) => continue,
            Err(error) => return Err(error),
        };
        let risk = limits.global_risk(process_mean, process_sd, u, acceptance)?;
        found.push(GuardRisk { w, acceptance, risk });
    }
    Ok(found)
}

/// A probability in per cent with one decimal; what rounds to all or nothing is not called so.
///
/// # Example
/// ```
/// use ferrotitre_core::uncertainty::decision_rule::percent;
/// assert_eq!((percent(0.8183), percent(0.9999), percent(1e-9)), ("81.8 %".into(), "> 99.9 %".into(), "< 0.1 %".into()));
/// ```
#[must_use]
pub fn percent(probability: f64) -> String {
    match format!("{:.1}", 100.0 * probability).as_str() {
        "100.0" => "> 99.9 %".to_owned(),
        "0.0" => "< 0.1 %".to_owned(),
        rounded => format!("{rounded} %"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bath() -> Specification {
        Specification::new(None, Some(120.0)).unwrap()
    }

    fn close(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} is not {expected}");
    }

    #[test]
    fn the_requirement_s_vector_under_every_kind_of_rule() {
        // Independent computation: A = 119.095, p_c = 0.818; with w = 1 and U = 2 u by hand A = 118.9.
        let judge = |rule: DecisionRule| rule.judge(&bath(), 119.5, 0.55, 2.0).unwrap();
        let judged = judge(DecisionRule::Standard { multiple: 1.645 });
        close(judged.acceptance.high, 119.095, 0.0005);
        close(judged.guard, 0.904_75, 1e-12);
        close(judged.conformance_probability, 0.818, 0.0005);
        assert_eq!((judged.outcome, judged.deciding), (Outcome::Conditional, Limit::Upper));
        close(judge(DecisionRule::Expanded { w: 1.0 }).acceptance.high, 118.9, 1e-12);
        assert_eq!(judge(DecisionRule::Simple).outcome, Outcome::Conforms);
        assert_eq!(judge(DecisionRule::Probability { least: 0.8 }).outcome, Outcome::Conforms);
        assert_eq!(judge(DecisionRule::Probability { least: 0.95 }).outcome, Outcome::Conditional);
        // Quantile of the normal distribution at 0.95 from tables: 1.644854.
        close(judge(DecisionRule::Probability { least: 0.95 }).acceptance.high, 120.0 - 1.644_854 * 0.55, 5e-7);
    }

    #[test]
    fn a_least_probability_between_two_limits_is_met_on_its_own_acceptance_limits() {
        let limits = Specification::new(Some(118.0), Some(120.0)).unwrap();
        let accepted = DecisionRule::Probability { least: 0.9 }.acceptance(&limits, 0.5, 2.0).unwrap();
        for end in [accepted.low, accepted.high] {
            close(limits.conformance_probability(end, 0.5).unwrap(), 0.9, 1e-12);
        }
        // 2 u wide on both sides: 95.45 % in the middle and nowhere more.
        let nowhere = DecisionRule::Probability { least: 0.96 }.acceptance(&limits, 0.5, 2.0);
        assert!(matches!(nowhere, Err(ConformityError::NothingAcceptable { .. })));
    }

    #[test]
    fn figures_out_of_range_are_refused() {
        for rule in [
            DecisionRule::Probability { least: 0.0 },
            DecisionRule::Probability { least: 1.0 },
            DecisionRule::Probability { least: f64::NAN },
            DecisionRule::Expanded { w: 0.0 },
            DecisionRule::Standard { multiple: f64::INFINITY },
        ] {
            assert!(rule.check().is_err(), "{rule:?}");
            assert!(rule.judge(&bath(), 119.0, 0.5, 2.0).is_err(), "{rule:?}");
        }
    }

    #[test]
    fn wider_guard_bands_move_risk_from_the_consumer_to_the_producer() {
        let widths = [0.0, 0.5, 1.0, 1.5];
        let risks = risks_by_guard_band(&bath(), (118.0, 1.2), 0.55, 2.0, &widths).unwrap();
        for pair in risks.windows(2) {
            assert!(pair[0].risk.consumer > pair[1].risk.consumer && pair[0].risk.producer < pair[1].risk.producer);
        }
        // Two limits 2 U apart leave nothing beyond w = 1.
        let narrow = Specification::new(Some(118.0), Some(120.0)).unwrap();
        assert_eq!(risks_by_guard_band(&narrow, (119.0, 0.5), 0.5, 2.0, &widths).unwrap().len(), 3);
    }

    #[test]
    fn the_curve_passes_one_half_at_a_limit() {
        let curve = risk_curve(&bath(), 0.55, 41).unwrap();
        let at = curve.iter().find(|point| (point.y - 120.0).abs() < 1e-9).unwrap();
        close(at.conformance_probability, 0.5, 1e-12);
        assert!(curve.windows(2).all(|pair| pair[0].conformance_probability > pair[1].conformance_probability));
        assert!(risk_curve(&bath(), 0.55, 1).is_err());
    }
}
