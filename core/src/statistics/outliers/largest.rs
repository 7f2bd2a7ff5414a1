//! Distribution of the largest of several exchangeable parts of a whole, by taking the largest away.
//!
//! Let S_m(w) be the probability that the largest of m parts exceeds w. The largest is one of m, has density h_m, and
//! once it is taken away the rest is the same problem with m − 1 parts on its own scale, where "no other is larger"
//! reads "none exceeds T_m(u)":
//!
//! S_m(w) = m ∫_w^1 h_m(u) (1 − S_{m−1}(T_m(u))) du = B_m(w) − m ∫_w^{w*} h_m(u) S_{m−1}(T_m(u)) du.
//!
//! B_m is Bonferroni's bound m P(a given part > w); above w* = T_m⁻¹(1) no two parts can exceed together and it is exact.
//! Between the images of w* under the inverse maps the integrand is smooth but for a half-integer power at the upper
//! end, which the substitution u = upper − (upper − lower) s² makes polynomial-like; each stretch is a Chebyshev series.
use crate::statistics::distribution::{Beta, DistributionError};

/// What the parts are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Parts {
    /// Shares of a sum of m gamma variables of this shape: Cochran's ratio, shape = (replicates − 1)/2.
    GammaShares {
        /// Shape of each variable.
        shape: f64,
    },
    /// `√m/(m − 1) (x − x̄)/s` of m normal values, the largest on one side: Grubbs' statistic on the scale −1 to 1.
    Deviations,
}

impl Parts {
    /// Fewest parts for which the largest is not fixed.
    fn fewest(self) -> usize {
        match self {
            Self::GammaShares { .. } => 2,
            Self::Deviations => 3,
        }
    }

    /// T_m⁻¹(t).
    fn before(self, m: f64, t: f64) -> f64 {
        match self {
            Self::GammaShares { .. } => t / (1.0 + t),
            Self::Deviations => t / (m / (m - 2.0) + t * t).sqrt(),
        }
    }

    /// T_m(u).
    fn after(self, m: f64, u: f64) -> f64 {
        match self {
            Self::GammaShares { .. } => u / (1.0 - u),
            Self::Deviations => u * (m / (m - 2.0)).sqrt() / (1.0 - u * u).sqrt(),
        }
    }

    /// Distribution of a given part; for deviations, of (1 + u)/2.
    fn marginal(self, m: f64) -> Result<Beta, DistributionError> {
        match self {
            Self::GammaShares { shape } => Beta::new(shape, (m - 1.0) * shape),
            Self::Deviations => Beta::new(0.5 * (m - 2.0), 0.5 * (m - 2.0)),
        }
    }

    fn density(self, marginal: Beta, u: f64) -> f64 {
        match self {
            Self::GammaShares { .. } => marginal.pdf(u),
            Self::Deviations => 0.5 * marginal.pdf(0.5 * (1.0 + u)),
        }
    }

    fn tail(self, marginal: Beta, u: f64) -> f64 {
        match self {
            Self::GammaShares { .. } => marginal.sf(u),
            Self::Deviations => marginal.cdf(0.5 * (1.0 - u)),
        }
    }
}

/// Terms of the series on each stretch.
const TERMS: usize = 24;

/// The cumulative integral on one stretch, as a Chebyshev series in s.
#[derive(Debug, Clone)]
struct Stretch {
    lower: f64,
    upper: f64,
    /// Series of the integral from `u` to `upper`.
    series: [f64; TERMS + 1],
    /// Integral over everything above `upper`.
    above: f64,
}

impl Stretch {
    fn new(lower: f64, upper: f64, above: f64, integrand: impl Fn(f64) -> f64) -> Self {
        let count = TERMS as f64;
        // Values at the Chebyshev points of s in (0, 1), times du/ds.
        let values: Vec<f64> = (0..TERMS)
            .map(|k| {
                let x = (std::f64::consts::PI * (k as f64 + 0.5) / count).cos();
                let s = 0.5 * (1.0 + x);
                2.0 * (upper - lower) * s * integrand(upper - (upper - lower) * s * s)
            })
            .collect();
        let coefficient = |j: usize| -> f64 {
            let sum: f64 = values
                .iter()
                .enumerate()
                .map(|(k, v)| v * (std::f64::consts::PI * j as f64 * (k as f64 + 0.5) / count).cos())
                .sum();
            sum * 2.0 / count
        };
        let mut c = [0.0; TERMS + 2];
        for (j, c) in c.iter_mut().enumerate().take(TERMS) {
            *c = coefficient(j);
        }
        // Integral of a Chebyshev series, (c[j−1] − c[j+1]) / 2j, halved again because s runs over half the width.
        let mut series = [0.0; TERMS + 1];
        for j in 1..=TERMS {
            series[j] = 0.25 * (c[j - 1] - c[j + 1]) / j as f64;
        }
        // The integral vanishes at s = 0, where T_j = (−1)^j.
        series[0] = -(1..=TERMS).map(|j| if j % 2 == 0 { series[j] } else { -series[j] }).sum::<f64>();
        Self { lower, upper, series, above }
    }

    fn value(&self, u: f64) -> f64 {
        let s = ((self.upper - u) / (self.upper - self.lower)).clamp(0.0, 1.0).sqrt();
        let x = 2.0 * s - 1.0;
        let (mut b1, mut b2) = (0.0, 0.0);
        for c in self.series[1..].iter().rev() {
            (b1, b2) = (2.0 * x * b1 - b2 + c, b1);
        }
        self.above + x * b1 - b2 + self.series[0]
    }
}

#[derive(Debug, Clone)]
struct Level {
    m: f64,
    marginal: Beta,
    lowest: f64,
    /// From the highest down.
    stretches: Vec<Stretch>,
}

impl Level {
    fn tail(&self, parts: Parts, w: f64) -> f64 {
        if w >= 1.0 {
            return 0.0;
        }
        let w = w.max(self.lowest);
        let bound = self.m * parts.tail(self.marginal, w);
        match self.stretches.iter().find(|stretch| w >= stretch.lower) {
            Some(stretch) if w < stretch.upper => bound - stretch.value(w),
            _ => bound,
        }
    }
}

/// S_m(w) for every `w` from `lowest` up.
#[derive(Debug, Clone)]
pub(super) struct Largest {
    parts: Parts,
    top: Level,
}

impl Largest {
    /// Prepares the distribution for `m` parts and arguments from `lowest` up.
    pub(super) fn new(parts: Parts, m: usize, lowest: f64) -> Result<Self, DistributionError> {
        // Levels that matter: the argument grows with every part taken away until it passes 1.
        let mut lowers = vec![lowest];
        let mut count = m;
        let mut w = lowest;
        while count > parts.fewest() && w < 1.0 {
            w = parts.after(count as f64, w);
            lowers.push(w.min(1.0));
            count -= 1;
        }
        let mut level: Option<Level> = None;
        for (taken, lower) in lowers.iter().enumerate().rev() {
            level = Some(build(parts, m - taken, *lower, level.as_ref())?);
        }
        // `lowers` is never empty, so there is a level; a fresh one otherwise changes nothing.
        let top = match level {
            Some(level) => level,
            None => build(parts, m, lowest, None)?,
        };
        Ok(Self { parts, top })
    }

    /// Probability that the largest part exceeds `w`.
    pub(super) fn tail(&self, w: f64) -> f64 {
        self.top.tail(self.parts, w).clamp(0.0, 1.0)
    }
}

fn build(parts: Parts, count: usize, lower: f64, next: Option<&Level>) -> Result<Level, DistributionError> {
    let m = count as f64;
    let marginal = parts.marginal(m)?;
    // Ends of the stretches from the highest down: w*, then the images of the next level's ends.
    let mut ends = vec![parts.before(m, 1.0)];
    if let Some(next) = next {
        ends.extend(next.stretches.iter().map(|stretch| parts.before(m, stretch.upper)));
    }
    let mut stretches: Vec<Stretch> = Vec::new();
    let mut above = 0.0;
    for (k, upper) in ends.iter().enumerate() {
        let bottom = ends.get(k + 1).copied().unwrap_or(lower).max(lower);
        if bottom >= *upper {
            break;
        }
        let integrand = |u: f64| {
            // With the fewest parts the rest has a largest part that is always 1 on its own scale.
            let rest = next.map_or(1.0, |next| next.tail(parts, parts.after(m, u)));
            m * parts.density(marginal, u) * rest
        };
        let stretch = Stretch::new(bottom, *upper, above, integrand);
        above = stretch.value(bottom);
        stretches.push(stretch);
    }
    Ok(Level { m, marginal, lowest: lower, stretches })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_largest_deviation_is_never_below_its_least_possible_value() {
        // At 0.4 s less than 1e-10 of the samples of 14 or more have all values below; the recursion is deepest there, so
        // what is left of 1 is its accumulated error.
        for m in [14_usize, 28, 38] {
            let count = m as f64;
            let largest = Largest::new(Parts::Deviations, m, 1.02 / (count - 1.0)).unwrap();
            let left = 1.0 - largest.top.tail(Parts::Deviations, 0.4 * count.sqrt() / (count - 1.0));
            assert!(left.abs() < 2e-11, "{m}: {left:e}");
        }
    }

    #[test]
    fn three_and_four_deviations_follow_plane_geometry() {
        // Three values are three directions at 120° on a circle: P(largest > w) = 3/π acos(w) for w >= 1/2 (by hand). Four
        // are the corners of a tetrahedron on a sphere, caps of share (1 − w)/2 that do not overlap above 1/√3.
        let three = Largest::new(Parts::Deviations, 3, 0.501).unwrap();
        let four = Largest::new(Parts::Deviations, 4, 0.34).unwrap();
        for w in [0.6_f64, 0.75, 0.9, 0.99] {
            assert!((three.tail(w) - 3.0 / std::f64::consts::PI * w.acos()).abs() < 1e-13);
            assert!((four.tail(w) - 2.0 * (1.0 - w)).abs() < 1e-13);
        }
        assert!((four.tail(0.34) - 1.0).abs() < 2e-3);
    }
}
