//! Gauss-Legendre and trapezoidal quadrature, and the root finders that go with them.

use crate::stop;

/// Nodes and weights on (-1, 1).
#[derive(Debug, Clone)]
pub struct Rule {
    points: Vec<(f64, f64)>,
}

impl Rule {
    /// The rule with `n` nodes, exact for polynomials up to degree 2n - 1.
    ///
    /// # Source
    /// Roots of the Legendre polynomial by Newton's method from Chebyshev-like starting values; Abramowitz and Stegun,
    /// 25.4.29 (from memory).
    #[must_use]
    pub fn new(n: usize) -> Self {
        let count = n as f64;
        let points = (0..n)
            .map(|i| {
                let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (count + 0.5)).cos();
                let mut slope = 1.0;
                // Quadratic convergence from a start good to three digits: five steps reach the last bit.
                for _ in 0..8 {
                    let (mut p, mut before) = (1.0, 0.0);
                    for k in 0..n {
                        let k = k as f64;
                        let next = ((2.0 * k + 1.0) * x * p - k * before) / (k + 1.0);
                        before = p;
                        p = next;
                    }
                    slope = count * (x * p - before) / (x * x - 1.0);
                    let step = p / slope;
                    x -= step;
                    if step.abs() < 1e-16 {
                        break;
                    }
                }
                (x, 2.0 / ((1.0 - x * x) * slope * slope))
            })
            .collect();
        Self { points }
    }

    /// Integral of a smooth function from `a` to `b`.
    pub fn integrate(&self, a: f64, b: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
        stop::point();
        let (middle, half) = (0.5 * (a + b), 0.5 * (b - a));
        half * self.points.iter().map(|(x, w)| w * f(middle + half * x)).sum::<f64>()
    }

    /// Nodes and weights moved to (a, b).
    pub fn on(&self, a: f64, b: f64) -> impl Iterator<Item = (f64, f64)> + '_ {
        let (middle, half) = (0.5 * (a + b), 0.5 * (b - a));
        self.points.iter().map(move |(x, w)| (middle + half * x, half * w))
    }
}

/// Finds where an increasing function passes a target between two arguments, to the last bits of the argument.
///
/// Bisection: slow but certain, and every caller keeps the result.
pub fn solve_increasing(mut low: f64, mut high: f64, target: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
    for _ in 0..200 {
        stop::point();
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if f(middle) < target {
            low = middle;
        } else {
            high = middle;
        }
        if (high - low).abs() <= 1e-15 * high.abs() {
            break;
        }
    }
    0.5 * (low + high)
}

/// Root of a monotone function in a bracket, for functions too costly to bisect.
///
/// Invariant: the root stays between the ends of the bracket. Steps are secants through the two latest points; one that
/// leaves the bracket, is not finite, or follows three that did not halve it, is replaced by a bisection, so the loop
/// is bounded whatever the function. `tolerance` is absolute, in the argument; `start` is the first guess.
pub fn find_root(bracket: (f64, f64), tolerance: f64, start: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
    let (mut low, mut high) = bracket;
    let mut before = (low, f(low));
    let rising = before.1 < 0.0;
    let mut x = start.clamp(low, high);
    let mut width_then = high - low;
    for step in 1..300 {
        stop::point();
        let value = f(x);
        if value == 0.0 {
            return x;
        }
        if (value < 0.0) == rising {
            low = x
        } else {
            high = x
        }
        // From a value that is not finite a secant would stand still, which is no convergence.
        let usable = value.is_finite() && before.1.is_finite();
        let secant = if usable { x - value * (x - before.0) / (value - before.1) } else { f64::NAN };
        before = (x, value);
        let stalled = step % 4 == 0 && high - low > 0.5 * width_then;
        if step % 4 == 0 {
            width_then = high - low;
        }
        let step_size = (secant - x).abs();
        let inside = secant > low && secant < high;
        if step_size <= tolerance {
            return secant.clamp(low, high);
        }
        if high - low <= tolerance {
            return 0.5 * (low + high);
        }
        x = if inside && !stalled { secant } else { 0.5 * (low + high) };
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rule_integrates_its_polynomials_exactly_and_the_normal_density_to_one() {
        let rule = Rule::new(12);
        let integral = rule.integrate(0.0, 2.0, |x| x.powi(23));
        assert!((integral / (2f64.powi(24) / 24.0) - 1.0).abs() < 1e-14);
        let rule = Rule::new(64);
        let mass = rule.integrate(-9.0, 9.0, |x| (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt());
        assert!((mass - 1.0).abs() < 1e-14);
    }

    #[test]
    fn the_root_finder_reaches_its_tolerance_from_either_side() {
        let mut calls = 0;
        let root = find_root((0.0, 5.0), 1e-13, 1.0, |x| {
            calls += 1;
            2.0 - x.exp()
        });
        assert!((root - 2f64.ln()).abs() < 1e-13, "{root}");
        assert!(calls < 20, "{calls}");
        assert!((find_root((0.0, 5.0), 1e-13, 4.0, |x| x.powi(9) - 1.0) - 1.0).abs() < 1e-12);
        assert!(
            (find_root((-3.0, 1.0), 1e-13, 0.0, |x| if x < 0.25 { f64::NEG_INFINITY } else { x - 0.5 }) - 0.5).abs()
                < 1e-12
        );
    }
}
