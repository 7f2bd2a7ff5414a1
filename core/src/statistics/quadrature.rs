//! Gauss-Legendre quadrature.

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
                    x -= p / slope;
                }
                (x, 2.0 / ((1.0 - x * x) * slope * slope))
            })
            .collect();
        Self { points }
    }

    /// Integral of a smooth function from `a` to `b`.
    pub fn integrate(&self, a: f64, b: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
        let (middle, half) = (0.5 * (a + b), 0.5 * (b - a));
        half * self.points.iter().map(|(x, w)| w * f(middle + half * x)).sum::<f64>()
    }
}

/// Finds where an increasing function passes a target between two arguments, to the last bits of the argument.
///
/// Bisection: slow but certain, and every caller keeps the result.
pub fn solve_increasing(mut low: f64, mut high: f64, target: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
    for _ in 0..200 {
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
}
