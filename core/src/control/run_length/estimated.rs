//! Run lengths when the limits come from a finite baseline.

use super::{Chain, Process, RunLength};
use crate::control::rules::{Pattern, RuleSet};
use crate::control::{ControlError, require};
use crate::statistics::distribution::{ChiSquared, Normal};

const SD_NODES: u32 = 24;

/// Run length over all baselines that might have been drawn: a mixture, one part per baseline mean and deviation.
#[derive(Debug, Clone, PartialEq)]
pub struct EstimatedRunLength {
    /// Weight and run length; the weights sum to 1.
    parts: Vec<(f64, RunLength)>,
    baseline: u64,
    /// Degrees of freedom that the average needs to exist, exclusive.
    needed: f64,
}

impl EstimatedRunLength {
    /// Probability of at least one mark among the first `points` points, over all baselines.
    #[must_use]
    pub fn probability_of_mark(&self, points: u64) -> f64 {
        self.parts.iter().map(|(weight, run)| weight * run.probability_of_mark(points, 1)).sum()
    }

    /// Average run length over all baselines.
    ///
    /// # Errors
    /// [`ControlError::InfiniteAverage`]: the rules' average run length grows with the estimated deviation s as
    /// exp(e s²/2), e the least of count × distance² over the rules, and the density of s falls as exp(−(n−1) s²/2), so
    /// that n − 1 must exceed e unless a rule does not depend on s.
    pub fn average(&self) -> Result<f64, ControlError> {
        let found = self.baseline;
        if self.needed >= found as f64 - 1.0 {
            return Err(ControlError::InfiniteAverage { needed: self.needed.ceil() as u64 + 1, found });
        }
        Ok(self.parts.iter().map(|(weight, run)| weight * run.average()).sum())
    }

    /// The average run length that a share `p` of baselines falls short of.
    ///
    /// # Errors
    /// `p` outside (0, 1).
    pub fn average_quantile(&self, p: f64) -> Result<f64, ControlError> {
        let p = require("probability", "greater than 0 and less than 1", p, p > 0.0 && p < 1.0)?;
        let mut sorted: Vec<(f64, f64)> = self.parts.iter().map(|(weight, run)| (run.average(), *weight)).collect();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Each part stands at the middle of its weight; between two parts the logarithm is interpolated.
        let mut below = 0.0;
        let mut before: Option<(f64, f64)> = None;
        for (average, weight) in sorted {
            let at = below + 0.5 * weight;
            if at >= p {
                return Ok(before.map_or(average, |(level, last)| {
                    let share = (p - level) / (at - level);
                    (last.ln() + share * (average / last).ln()).exp()
                }));
            }
            below += weight;
            before = Some((at, average));
        }
        Ok(before.map_or(f64::INFINITY, |(_, last)| last))
    }
}

/// Run length of a rule set whose sigma, and centre unless it is a reference value, come from `baseline` points in
/// control, for a process shifted by `shift` true sigmas.
///
/// # Formula
/// P(N > n) = E\[P(N > n | x̄, s)\] with x̄ ~ N(0, 1/n₀) and (n₀−1) s² ~ χ²(n₀−1), by equal steps in √n₀ x̄ and ln s
///
/// # Source
/// Definition; C. P. Quesenberry, Journal of Quality Technology 25 (1993) 237, for the effect (from memory).
///
/// # Errors
/// Fewer than 3 baseline points; as [`Chain::run_length`].
///
/// # Example
/// ```
/// use ferrotitre_core::control::{RuleSet, run_length::with_estimated_limits};
/// # fn main() -> Result<(), ferrotitre_core::control::ControlError> {
/// let run = with_estimated_limits(&RuleSet::action_limits_only(), 20, false, 0.0)?;
/// // 0.86 % instead of 0.27 % of points lie outside limits from 20 points.
/// assert!((run.probability_of_mark(1) - 0.0086).abs() < 0.00005);
/// # Ok(()) }
/// ```
pub fn with_estimated_limits(
    rules: &RuleSet,
    baseline: u64,
    centre_is_reference: bool,
    shift: f64,
) -> Result<EstimatedRunLength, ControlError> {
    if baseline < 3 {
        return Err(ControlError::NotEnough { what: "a baseline", needed: 3, found: baseline });
    }
    let chain = Chain::new(rules)?;
    let n = baseline as f64;
    let needed = slowest_growth(rules);
    let deviations = deviations(n - 1.0, needed)?;
    let means = if centre_is_reference { vec![(0.0, 1.0)] } else { means(n, shift == 0.0 && rules.is_symmetric()) };
    let mut parts = Vec::with_capacity(deviations.len() * means.len());
    for &(s, weight_s) in &deviations {
        for &(mean, weight_mean) in &means {
            let process = Process { shift: (shift - mean) / s, scale: 1.0 / s };
            parts.push((weight_s * weight_mean, chain.run_length(process)?));
        }
    }
    let total: f64 = parts.iter().map(|(weight, _)| weight).sum();
    parts.iter_mut().for_each(|(weight, _)| *weight /= total);
    Ok(EstimatedRunLength { parts, baseline, needed })
}

/// e of [`EstimatedRunLength::average`]; 0 when some rule fires whatever the limits.
fn slowest_growth(rules: &RuleSet) -> f64 {
    let growth = |pattern: Pattern| match pattern {
        Pattern::Beyond { count, sigmas, .. } => f64::from(count) * sigmas * sigmas,
        Pattern::Within { .. } | Pattern::Steady { .. } | Pattern::Alternating { .. } => 0.0,
    };
    rules.rules().iter().map(|rule| growth(rule.pattern)).fold(f64::INFINITY, f64::min)
}

/// Baseline means with their weights. Equal steps are exact to exp(−2π²/step²) for a bell.
fn means(n: f64, symmetric: bool) -> Vec<(f64, f64)> {
    const STEP: f64 = 0.7;
    let weight = |z: f64| STEP * Normal.pdf(z);
    let at = |i: i32| STEP * f64::from(i);
    if symmetric {
        // A mean above and one below the centre do the same to a symmetric chart.
        let twice = |i: i32| if i == 0 { 1.0 } else { 2.0 };
        return (0..=8).map(|i| (at(i) / n.sqrt(), twice(i) * weight(at(i)))).collect();
    }
    (-8..=8).map(|i| (at(i) / n.sqrt(), weight(at(i)))).collect()
}

/// Baseline deviations (in true sigmas) with their weights; far enough up for run lengths that grow with s.
fn deviations(df: f64, growth: f64) -> Result<Vec<(f64, f64)>, ControlError> {
    let chi = ChiSquared::new(df)?;
    let low = 0.5 * (chi.quantile(1e-8)? / df).ln();
    let mut high = 0.5 * (chi.upper_quantile(1e-9)? / df).ln();
    if df > growth {
        high = high.max(0.5 * (60.0 / (df - growth)).ln().min(4.0));
    }
    let step = (high - low) / f64::from(SD_NODES);
    let node = |i: u32| {
        let s = (low + step * f64::from(i)).exp();
        // Density of ln s, from that of (n−1) s².
        (s, step * chi.pdf(df * s * s) * 2.0 * df * s * s)
    };
    Ok((0..=SD_NODES).map(node).collect())
}
