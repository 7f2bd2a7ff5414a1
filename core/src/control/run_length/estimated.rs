//! Run lengths when the limits come from a finite baseline.

use super::{Chain, Process, RunLength};
use crate::control::rules::{Pattern, RuleSet};
use crate::control::{ControlError, require};
use crate::statistics::distribution::{ChiSquared, Normal};

const SD_NODES: u32 = 24;
/// Settling of each part; the quadrature itself is good to seven digits.
const SETTLED: f64 = 1e-9;

/// Run length over all baselines that might have been drawn: a mixture, one part per baseline mean and deviation.
#[derive(Debug, Clone, PartialEq)]
pub struct EstimatedRunLength {
    /// Deviation by deviation, and for each mean by mean.
    parts: Vec<Part>,
    /// Means per deviation.
    means: usize,
    baseline: u64,
    /// Degrees of freedom that the average needs to exist, exclusive.
    needed: f64,
}

#[derive(Debug, Clone, PartialEq)]
struct Part {
    /// Share of baselines; all shares sum to 1.
    weight: f64,
    /// Density of baselines here, up to a constant factor.
    density: f64,
    run: RunLength,
}

impl EstimatedRunLength {
    /// Probability of at least one mark among the first `points` points, over all baselines.
    #[must_use]
    pub fn probability_of_mark(&self, points: u64) -> f64 {
        self.parts.iter().map(|part| part.weight * part.run.probability_of_mark(points, 1)).sum()
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
        Ok(self.parts.iter().map(|part| part.weight * part.run.average()).sum())
    }

    /// The average run length that a share `p` of baselines falls short of, to about two per cent.
    ///
    /// # Errors
    /// `p` outside (0, 1).
    pub fn average_quantile(&self, p: f64) -> Result<f64, ControlError> {
        let p = require("probability", "greater than 0 and less than 1", p, p > 0.0 && p < 1.0)?;
        let mut fine = self.refined();
        fine.sort_by(|a, b| a.0.total_cmp(&b.0));
        let total: f64 = fine.iter().map(|(_, density)| density).sum();
        let mut below = 0.0;
        let reached = fine.iter().find(|(_, density)| {
            below += density;
            below >= p * total
        });
        Ok(reached.or(fine.last()).map_or(f64::INFINITY, |(logarithm, _)| logarithm.exp()))
    }

    /// Logarithm of the average run length and density on a finer grid, linear between the nodes.
    fn refined(&self) -> Vec<(f64, f64)> {
        const FINER: usize = 12;
        let values: Vec<(f64, f64)> =
            self.parts.iter().map(|part| (part.run.average().ln(), part.density.max(f64::MIN_POSITIVE).ln())).collect();
        let rows = values.len() / self.means;
        let mut fine = Vec::with_capacity(values.len() * FINER * FINER);
        for row in 0..rows - 1 {
            for column in 0..(self.means - 1).max(1) {
                let right = (column + 1).min(self.means - 1);
                let corner = |r: usize, c: usize| values[r * self.means + c];
                for i in 0..FINER * FINER {
                    let (x, y) = (middle(i / FINER, FINER), middle(i % FINER, FINER));
                    let mix = |pick: fn((f64, f64)) -> f64| {
                        let top = (1.0 - y) * pick(corner(row, column)) + y * pick(corner(row, right));
                        let bottom = (1.0 - y) * pick(corner(row + 1, column)) + y * pick(corner(row + 1, right));
                        (1.0 - x) * top + x * bottom
                    };
                    fine.push((mix(|v| v.0), mix(|v| v.1).exp()));
                }
            }
        }
        fine
    }
}

/// Middle of the `i`-th of `n` equal parts of (0, 1).
fn middle(i: usize, n: usize) -> f64 {
    (i as f64 + 0.5) / n as f64
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
    with_nodes(rules, baseline, centre_is_reference, shift, SD_NODES)
}

fn with_nodes(
    rules: &RuleSet,
    baseline: u64,
    centre_is_reference: bool,
    shift: f64,
    nodes: u32,
) -> Result<EstimatedRunLength, ControlError> {
    let chain = Chain::new(rules)?;
    let n = baseline as f64;
    let needed = slowest_growth(rules);
    let deviations = deviations(n - 1.0, needed, nodes)?;
    let means = if centre_is_reference { vec![Node::ONLY] } else { means(n, shift == 0.0 && rules.is_symmetric()) };
    let mut parts = Vec::with_capacity(deviations.len() * means.len());
    for s in &deviations {
        for mean in &means {
            let process = Process { shift: (shift - mean.at) / s.at, scale: 1.0 / s.at };
            let run = chain.run_length_to(process, SETTLED)?;
            parts.push(Part { weight: s.weight * mean.weight, density: s.density * mean.density, run });
        }
    }
    let total: f64 = parts.iter().map(|part| part.weight).sum();
    parts.iter_mut().for_each(|part| part.weight /= total);
    Ok(EstimatedRunLength { parts, means: means.len(), baseline, needed })
}

/// A node of a quadrature over one of the two figures of a baseline.
struct Node {
    at: f64,
    weight: f64,
    density: f64,
}

impl Node {
    /// A figure that is known.
    const ONLY: Self = Self { at: 0.0, weight: 1.0, density: 1.0 };
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
fn means(n: f64, symmetric: bool) -> Vec<Node> {
    const STEP: f64 = 0.9;
    let node = |i: i32| {
        let z = STEP * f64::from(i);
        // A mean above and one below the centre do the same to a symmetric chart.
        let times = if symmetric && i != 0 { 2.0 } else { 1.0 };
        Node { at: z / n.sqrt(), weight: times * STEP * Normal.pdf(z), density: Normal.pdf(z) }
    };
    (if symmetric { 0 } else { -6 }..=6).map(node).collect()
}

/// Baseline deviations (in true sigmas) with their weights; far enough up for run lengths that grow with s.
fn deviations(df: f64, growth: f64, nodes: u32) -> Result<Vec<Node>, ControlError> {
    let chi = ChiSquared::new(df)?;
    let low = 0.5 * (chi.quantile(1e-8)? / df).ln();
    let mut high = 0.5 * (chi.upper_quantile(1e-9)? / df).ln();
    if df > growth {
        high = high.max(0.5 * (60.0 / (df - growth)).ln().min(4.0));
    }
    let step = (high - low) / f64::from(nodes);
    let node = |i: u32| {
        let s = (low + step * f64::from(i)).exp();
        // Density of ln s, from that of (n−1) s².
        let density = chi.pdf(df * s * s) * 2.0 * df * s * s;
        Node { at: s, weight: step * density, density }
    };
    Ok((0..=nodes).map(node).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_quadrature_has_converged() {
        let rules = RuleSet::western_electric();
        for n in [10, 25] {
            let coarse = with_nodes(&rules, n, false, 0.0, SD_NODES).unwrap();
            let fine = with_nodes(&rules, n, false, 0.0, 5 * SD_NODES).unwrap();
            let ratio = coarse.average().unwrap() / fine.average().unwrap();
            assert!((ratio - 1.0).abs() < 0.003, "{n}: {ratio}");
            for p in [0.1, 0.5, 0.9] {
                let ratio = coarse.average_quantile(p).unwrap() / fine.average_quantile(p).unwrap();
                assert!((ratio - 1.0).abs() < 0.03, "{n}, {p}: {ratio}");
            }
        }
    }

    #[test]
    fn more_baseline_points_come_nearer_to_known_limits() {
        let rules = RuleSet::western_electric();
        let median = |n| with_estimated_limits(&rules, n, false, 0.0).unwrap().average_quantile(0.5).unwrap();
        let (few, more, many) = (median(20), median(60), median(1_000_000));
        assert!(few < more && more < many, "{few} {more} {many}");
        // Champ and Woodall's value for known limits.
        assert!((many - 91.75).abs() < 0.5, "{many}");
    }
}
