//! Robust estimates of location and scale: Algorithms A and S of ISO 13528, Huber's estimates, scaled MAD.
use crate::statistics::distribution::{ChiSquared, DistributionError, normal_cdf, normal_density};
use crate::statistics::summary::{MAD_CONSISTENCY, Summary, SummaryError, median, median_absolute_deviation};

/// Why a robust estimate cannot be given.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum RobustError {
    /// The values do not admit the estimate.
    #[error(transparent)]
    Summary(#[from] SummaryError),
    /// More than half the values are equal, so the median absolute deviation is zero and nothing can be limited.
    #[error("more than half the values are equal: the median absolute deviation is 0")]
    NoSpread,
    /// A setting outside its range.
    #[error("{name} must be {rule}, got {value}")]
    Setting {
        /// Which.
        name: &'static str,
        /// The rule it breaks.
        rule: &'static str,
        /// Offending value.
        value: f64,
    },
    /// The iteration did not settle.
    #[error("not converged after {iterations} iterations")]
    NotConverged {
        /// How many were made.
        iterations: u32,
    },
    /// A distribution refused its argument.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

/// When an iteration stops.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StopRule {
    /// No change from one iteration to the next in the third significant figure of either estimate (the standard's).
    ThirdFigure,
    /// No change larger than this share of the scale estimate.
    Relative {
        /// Largest change, relative to the scale estimate.
        tolerance: f64,
    },
}

impl StopRule {
    fn met(self, before: Step, after: Step) -> bool {
        let close = |a: f64, b: f64, tolerance: f64| (a - b).abs() <= tolerance * after.scale;
        match self {
            Self::ThirdFigure => {
                three_figures(before.location) == three_figures(after.location)
                    && three_figures(before.scale) == three_figures(after.scale)
            }
            Self::Relative { tolerance } => {
                close(before.location, after.location, tolerance) && close(before.scale, after.scale, tolerance)
            }
        }
    }
}

/// The first three significant figures, rounded, as (digits, decimal exponent).
fn three_figures(x: f64) -> (i64, i32) {
    if x == 0.0 {
        return (0, 0);
    }
    let exponent = x.abs().log10().floor() as i32 - 2;
    ((x / 10f64.powi(exponent)).round() as i64, exponent)
}

/// One iteration's estimates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Location, in the unit of the values.
    pub location: f64,
    /// Scale, in the unit of the values.
    pub scale: f64,
}

/// A robust location and scale.
#[derive(Debug, Clone, PartialEq)]
pub struct RobustEstimate {
    /// Number of values.
    pub n: u64,
    /// Location.
    pub location: f64,
    /// Scale, consistent with sigma for normal values.
    pub scale: f64,
    /// Starting values and every iteration, in order.
    pub steps: Vec<Step>,
    /// How many values were limited in the last iteration.
    pub limited: u64,
}

const MOST_ITERATIONS: u32 = 1000;

fn check_rule(rule: StopRule) -> Result<(), RobustError> {
    match rule {
        StopRule::Relative { tolerance } if !(tolerance > 0.0 && tolerance < 1.0) => {
            Err(RobustError::Setting { name: "tolerance", rule: "between 0 and 1", value: tolerance })
        }
        _ => Ok(()),
    }
}

/// Iterates winsorising at `location ± k scale` with a scale that is `factor` times the sample deviation.
fn winsorise(
    values: &[f64],
    start: Step,
    k: f64,
    scale_after: impl Fn(f64) -> f64,
    rule: StopRule,
) -> Result<RobustEstimate, RobustError> {
    if start.scale <= 0.0 {
        return Err(RobustError::NoSpread);
    }
    let mut steps = vec![start];
    let mut now = start;
    for _ in 0..MOST_ITERATIONS {
        let (low, high) = (now.location - k * now.scale, now.location + k * now.scale);
        let limited: Vec<f64> = values.iter().map(|x| x.clamp(low, high)).collect();
        let summary = Summary::of(&limited)?;
        let next = Step { location: summary.mean()?, scale: scale_after(summary.sample_sd()?) };
        steps.push(next);
        if rule.met(now, next) {
            let limited = values.iter().filter(|x| **x < low || **x > high).count() as u64;
            return Ok(RobustEstimate { n: summary.n(), location: next.location, scale: next.scale, steps, limited });
        }
        now = next;
    }
    Err(RobustError::NotConverged { iterations: MOST_ITERATIONS })
}

fn start(values: &[f64], factor: f64) -> Result<Step, RobustError> {
    if values.len() < 3 {
        return Err(SummaryError::NotEnoughData { needed: 3, found: values.len() as u64 }.into());
    }
    Ok(Step { location: median(values)?, scale: factor * median_absolute_deviation(values)? })
}

/// Algorithm A: robust mean and standard deviation.
///
/// # Formula
/// x* = median, s* = 1.483 MAD; values beyond x* ± 1.5 s* are replaced by these limits; x* = mean and s* = 1.134 times
/// the sample deviation of the modified values; repeat.
///
/// # Source
/// ISO 13528:2005, annex C.1 (read).
///
/// # Errors
/// Fewer than three values; more than half of them equal; no convergence.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::robust::{StopRule, algorithm_a};
/// let estimate = algorithm_a(&[23.16, 23.18, 23.20, 23.14, 23.58], StopRule::ThirdFigure)?;
/// assert!(estimate.location < 23.21 && estimate.limited == 1); // the plain mean is 23.25
/// # Ok::<(), ferrotitre_core::statistics::robust::RobustError>(())
/// ```
pub fn algorithm_a(values: &[f64], rule: StopRule) -> Result<RobustEstimate, RobustError> {
    check_rule(rule)?;
    winsorise(values, start(values, 1.483)?, 1.5, |s| 1.134 * s, rule)
}

/// Huber's location with the scale held at the scaled median absolute deviation.
///
/// # Formula
/// Fixed point of the mean of the values limited to location ± k scale, scale = 1.4826 MAD.
///
/// # Source
/// P. J. Huber, Robust Statistics, 1981, ch. 6 (from memory).
///
/// # Errors
/// As [`algorithm_a`]; `k` not positive.
pub fn huber_location(values: &[f64], k: f64, rule: StopRule) -> Result<RobustEstimate, RobustError> {
    check_rule(rule)?;
    check_k(k)?;
    let start = start(values, MAD_CONSISTENCY)?;
    winsorise(values, start, k, |_| start.scale, rule)
}

/// Huber's proposal 2: location and scale together.
///
/// # Formula
/// As Algorithm A with s* = sample deviation / √β, β = θ + k² (1 − θ) − 2k φ(k), θ = 2Φ(k) − 1.
///
/// # Source
/// P. J. Huber, Robust Statistics, 1981, 6.4 (from memory).
///
/// # Errors
/// As [`huber_location`].
pub fn huber_proposal_2(values: &[f64], k: f64, rule: StopRule) -> Result<RobustEstimate, RobustError> {
    check_rule(rule)?;
    check_k(k)?;
    let theta = 2.0 * normal_cdf(k) - 1.0;
    let beta = theta + k * k * (1.0 - theta) - 2.0 * k * normal_density(k);
    winsorise(values, start(values, MAD_CONSISTENCY)?, k, |s| s / beta.sqrt(), rule)
}

fn check_k(k: f64) -> Result<(), RobustError> {
    if k > 0.0 && k.is_finite() {
        Ok(())
    } else {
        Err(RobustError::Setting { name: "k", rule: "positive and finite", value: k })
    }
}

/// Median and scaled median absolute deviation (1.4826 MAD), without iteration.
///
/// # Errors
/// Fewer than three values; a value that is not finite.
pub fn median_and_scaled_mad(values: &[f64]) -> Result<Step, RobustError> {
    start(values, MAD_CONSISTENCY)
}

/// What Algorithm S gives.
#[derive(Debug, Clone, PartialEq)]
pub struct RobustScale {
    /// Number of standard deviations or ranges.
    pub n: u64,
    /// Pooled robust standard deviation.
    pub scale: f64,
    /// Limit factor η: deviations above η w* are limited.
    pub limit_factor: f64,
    /// Adjustment factor ξ that makes the result consistent for normal values.
    pub adjustment_factor: f64,
    /// Starting value and every iteration.
    pub steps: Vec<f64>,
    /// How many deviations were limited in the last iteration.
    pub limited: u64,
}

/// Algorithm S: robust pooled standard deviation from deviations with the same degrees of freedom.
///
/// For duplicates give |x₁ − x₂|/√2 with one degree of freedom.
///
/// # Formula
/// w* = median; ψ = η w*; w* = ξ √(Σ min(w, ψ)² / p); repeat. η² = χ²₀.₉(ν)/ν, ξ⁻² = P(χ²(ν+2) < ν η²) + 0.1 η².
///
/// # Source
/// ISO 13528:2005, annex C.2; ISO 5725-5, table 10, prints η and ξ to three decimals (both from memory); the
/// closed forms used here reproduce the printed factors to one unit of the last digit.
///
/// # Errors
/// Fewer than three deviations, negative or not finite ones; more than half of them zero; no convergence.
pub fn algorithm_s(deviations: &[f64], nu: f64, rule: StopRule) -> Result<RobustScale, RobustError> {
    check_rule(rule)?;
    if deviations.len() < 3 {
        return Err(SummaryError::NotEnoughData { needed: 3, found: deviations.len() as u64 }.into());
    }
    if let Some(value) = deviations.iter().find(|w| **w < 0.0) {
        return Err(RobustError::Setting { name: "standard deviation", rule: "0 or more", value: *value });
    }
    let eta = (ChiSquared::new(nu)?.upper_quantile(0.1)? / nu).sqrt();
    let xi = (ChiSquared::new(nu + 2.0)?.cdf(nu * eta * eta) + 0.1 * eta * eta).sqrt().recip();
    let mut now = median(deviations)?;
    if now <= 0.0 {
        return Err(RobustError::NoSpread);
    }
    let mut steps = vec![now];
    for _ in 0..MOST_ITERATIONS {
        let limit = eta * now;
        let squares: f64 = deviations.iter().map(|w| w.min(limit).powi(2)).sum();
        let next = xi * (squares / deviations.len() as f64).sqrt();
        steps.push(next);
        let as_step = |scale| Step { location: 0.0, scale };
        if rule.met(as_step(now), as_step(next)) {
            return Ok(RobustScale {
                n: deviations.len() as u64,
                scale: next,
                limit_factor: eta,
                adjustment_factor: xi,
                steps,
                limited: deviations.iter().filter(|w| **w > limit).count() as u64,
            });
        }
        now = next;
    }
    Err(RobustError::NotConverged { iterations: MOST_ITERATIONS })
}

#[cfg(test)]
mod tests {
    use super::*;

    const TIGHT: StopRule = StopRule::Relative { tolerance: 1e-12 };

    #[test]
    fn algorithm_s_uses_the_printed_factors() {
        // ISO 5725-5 table 10 (from memory), ν = 1 to 10.
        let printed = [
            (1.645, 1.097),
            (1.517, 1.054),
            (1.444, 1.039),
            (1.395, 1.032),
            (1.359, 1.027),
            (1.332, 1.024),
            (1.310, 1.021),
            (1.292, 1.019),
            (1.277, 1.018),
            (1.264, 1.017),
        ];
        for (nu, (eta, xi)) in (1..).zip(printed) {
            let found = algorithm_s(&[1.0, 2.0, 3.0], f64::from(nu), TIGHT).unwrap();
            assert!((found.limit_factor - eta).abs() < 5.1e-4, "{nu}: {}", found.limit_factor);
            // One unit of the last digit: 1.02342 is printed 1.024 for ν = 6.
            assert!((found.adjustment_factor - xi).abs() < 1e-3, "{nu}: {}", found.adjustment_factor);
        }
    }

    #[test]
    fn equal_values_have_no_robust_spread() {
        assert_eq!(algorithm_a(&[1.0, 1.0, 1.0, 2.0], TIGHT), Err(RobustError::NoSpread));
        assert_eq!(algorithm_s(&[0.0, 0.0, 1.0], 1.0, TIGHT), Err(RobustError::NoSpread));
        assert!(matches!(algorithm_a(&[1.0, 2.0], TIGHT), Err(RobustError::Summary(_))));
        assert!(huber_location(&[1.0, 2.0, 3.0], -1.0, TIGHT).is_err());
        assert!(algorithm_a(&[1.0, 2.0, 3.0], StopRule::Relative { tolerance: 0.0 }).is_err());
        assert!(algorithm_s(&[1.0, -2.0, 3.0], 1.0, TIGHT).is_err());
    }

    #[test]
    fn the_third_figure_is_that_of_the_number_not_of_its_decimals() {
        assert_eq!(three_figures(23.1849), (232, -1));
        assert_eq!(three_figures(0.009_994), (999, -5));
        assert_eq!(three_figures(-0.0), (0, 0));
    }
}
