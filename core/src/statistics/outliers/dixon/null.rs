//! Null distribution of Dixon's ratios for normal values.
//!
//! With x the lowest value and y = x[n−j], and N = n − 2 − j values between them of which at most i − 1 may lie below
//! x + r (y − x),
//!
//! P = n!/(N! j!) ∬ φ(x) φ(y) (1 − Φ(y))^j Σ_{m<i} C(N,m) (Φ(x+rv) − Φ(x))^m (Φ(y) − Φ(x+rv))^(N−m) dx dv, v = y − x.
//!
//! Written in the middle m = (x+y)/2 the normal densities are exp(−m² − v²/4)/2π. In m the integrand is an entire
//! function that falls like a Gaussian, so the trapezoidal rule converges faster than any power; in v Gauss-Legendre
//! is used on the stretch where exp(−v²/4) is not below rounding.
//!
//! Source: joint density of order statistics (David, Order Statistics, 2.2; from memory); Dixon 1951.
use std::sync::OnceLock;

use crate::statistics::distribution::normal_sf;
use crate::statistics::quadrature::Rule;

/// exp(−v²/4) is 4e-17 here.
const WIDEST: f64 = 12.2;
/// exp(−m²) is 2e-17 here.
const FARTHEST: f64 = 6.2;

fn rule() -> &'static Rule {
    static RULE: OnceLock<Rule> = OnceLock::new();
    RULE.get_or_init(|| Rule::new(48))
}

fn power(base: f64, exponent: usize) -> f64 {
    base.max(0.0).powi(i32::try_from(exponent).unwrap_or(i32::MAX))
}

/// Φ and 1 − Φ at one argument, from a single call of the small one.
#[derive(Debug, Clone, Copy)]
struct Phi {
    lower: f64,
    upper: f64,
    positive: bool,
}

impl Phi {
    fn at(z: f64) -> Self {
        let tail = normal_sf(z.abs());
        if z > 0.0 {
            Self { lower: 1.0 - tail, upper: tail, positive: true }
        } else {
            Self { lower: tail, upper: 1.0 - tail, positive: false }
        }
    }

    /// Probability between this argument and a larger one, from the tails where those are the small numbers.
    fn up_to(self, above: Self) -> f64 {
        if self.positive { self.upper - above.upper } else { above.lower - self.lower }
    }
}

/// One node of the double integral, with all that does not depend on the ratio.
#[derive(Debug, Clone, Copy)]
struct Node {
    x: f64,
    y: f64,
    at_x: Phi,
    at_y: Phi,
    weight: f64,
}

/// The nodes for `n` values with `cut` of them beyond y.
#[derive(Debug, Clone)]
pub(super) struct Null {
    n: usize,
    cut: usize,
    nodes: Vec<Node>,
}

impl Null {
    pub(super) fn new(n: usize, cut: usize) -> Self {
        let inside = n - 2 - cut;
        // n! / (N! j!) = n (n−1) … (N+1) / j!
        let front = (inside + 1..=n).map(|k| k as f64).product::<f64>() / (1..=cut).map(|k| k as f64).product::<f64>();
        // The trapezoidal error is about exp(−π²/(h² (1 + N/2))); this step makes the exponent 33.
        let step = std::f64::consts::PI / (33.0 * (1.0 + 0.5 * (n - 2) as f64)).sqrt();
        let half_count = (FARTHEST / step).ceil() as i32;
        let mut nodes = Vec::new();
        for (v, weight) in rule().on(0.0, WIDEST) {
            for k in -half_count..=half_count {
                let m = f64::from(k) * step;
                let (x, y) = (m - 0.5 * v, m + 0.5 * v);
                let (at_x, at_y) = (Phi::at(x), Phi::at(y));
                let density = (-m * m - 0.25 * v * v).exp() / std::f64::consts::TAU;
                let weight = front * step * weight * density * power(at_y.upper, cut);
                // What even the whole stretch between x and y cannot lift above rounding is left out.
                if weight * power(at_x.up_to(at_y), inside) > 1e-17 {
                    nodes.push(Node { x, y, at_x, at_y, weight });
                }
            }
        }
        Self { n, cut, nodes }
    }

    /// Number of values.
    pub(super) fn n(&self) -> usize {
        self.n
    }

    pub(super) fn is_for(&self, n: usize, cut: usize) -> bool {
        self.n == n && self.cut == cut
    }

    /// P(ratio at one end, fixed beforehand, exceeds `r`).
    pub(super) fn one_end(&self, gap: usize, r: f64) -> f64 {
        if r <= 0.0 {
            return 1.0;
        }
        if r >= 1.0 {
            return 0.0;
        }
        let inside = self.n - 2 - self.cut;
        let ways = |node: &Node| {
            let split = Phi::at(node.x + r * (node.y - node.x));
            let above = split.up_to(node.at_y);
            if gap == 1 {
                return power(above, inside);
            }
            power(above, inside - 1) * (above.max(0.0) + inside as f64 * node.at_x.up_to(split))
        };
        self.nodes.iter().map(|node| node.weight * ways(node)).sum::<f64>().clamp(0.0, 1.0)
    }

    /// P(the ratios at both ends exceed `r`) for the ratios with the full range below, r10 and r20.
    ///
    /// At most `gap − 1` values may lie within r v of either end. For r >= ½ the two stretches cover everything
    /// between, which leaves only n = 4 with r20: one value near each end.
    pub(super) fn both_ends(&self, gap: usize, r: f64) -> f64 {
        let inside = self.n - 2;
        if r <= 0.0 {
            return 1.0;
        }
        if r >= 1.0 || (r >= 0.5 && !(gap == 2 && inside == 2)) {
            return 0.0;
        }
        let ways = |node: &Node| {
            let reach = r * (node.y - node.x);
            let (from_low, from_high) = (Phi::at(node.x + reach), Phi::at(node.y - reach));
            if r >= 0.5 {
                return 2.0 * node.at_x.up_to(from_high) * from_low.up_to(node.at_y);
            }
            let middle = from_low.up_to(from_high);
            if gap == 1 {
                return power(middle, inside);
            }
            let (low, high) = (node.at_x.up_to(from_low), from_high.up_to(node.at_y));
            let count = inside as f64;
            let two = if inside >= 2 { count * (count - 1.0) * low * high * power(middle, inside - 2) } else { 0.0 };
            power(middle, inside) + count * (low + high) * power(middle, inside - 1) + two
        };
        self.nodes.iter().map(|node| node.weight * ways(node)).sum::<f64>().clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_values_follow_the_closed_form() {
        // Density 3√3 / (2π (r² − r + 1)) of r10 for n = 3 (Dixon 1951, from memory); integrated by hand.
        for r in [0.05_f64, 0.3, 0.5, 0.77, 0.941, 0.99, 0.99999] {
            let exact =
                3.0 / std::f64::consts::PI * (std::f64::consts::FRAC_PI_6 - ((2.0 * r - 1.0) / 3f64.sqrt()).atan());
            let found = Null::new(3, 0).one_end(1, r);
            assert!((found - exact).abs() < 1e-13, "{r}: {found} {exact}");
        }
    }

    #[test]
    fn the_first_values_are_probabilities_of_one() {
        for (gap, cut, n) in [(1, 0, 3), (1, 1, 10), (2, 1, 12), (2, 2, 30), (2, 0, 30), (1, 0, 30)] {
            let found = Null::new(n, cut).one_end(gap, 1e-12);
            assert!((found - 1.0).abs() < 3e-9, "{gap}{cut} n = {n}: {found}");
        }
    }
}
