//! Factors of control charts for any subgroup size, computed and not tabulated.

use super::{ControlError, require};
use crate::statistics::distribution::{ln_gamma, normal_cdf, normal_density, normal_sf};
use crate::statistics::quadrature::Rule;

/// Largest subgroup; beyond it the quadrature of the range is not fine enough, and no chart of ranges is sensible.
const LARGEST: u32 = 1000;

/// Factors for subgroups of n; three-sigma limits.
///
/// A factor that would make a lower limit negative is 0: there is then no lower limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Constants {
    /// Subgroup size.
    pub n: u32,
    /// Mean of the range over sigma.
    pub d2: f64,
    /// Standard deviation of the range over sigma.
    pub d3: f64,
    /// Mean of the sample standard deviation over sigma.
    pub c4: f64,
}

impl Constants {
    /// Computes the factors.
    ///
    /// # Formula
    /// d2 = ∫ P(W > w) dw, d2² + d3² = 2 ∫ w P(W > w) dw, P(W ≤ w) = n ∫ φ(x) \[Φ(x+w) − Φ(x)\]ⁿ⁻¹ dx;
    /// c4 = √(2/(n−1)) Γ(n/2) / Γ((n−1)/2)
    ///
    /// # Source
    /// Tippett, Biometrika 17 (1925) 364, for the range; ISO 7870-2 for the names (from memory).
    ///
    /// # Errors
    /// n outside 2 to 1000.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::control::constants::Constants;
    /// let pair = Constants::new(2)?;
    /// assert!((pair.range_upper_action() - 3.686).abs() < 0.0005); // D2
    /// assert!((pair.range_upper_warning() - 2.833).abs() < 0.0005);
    /// # Ok::<(), ferrotitre_core::control::ControlError>(())
    /// ```
    pub fn new(n: u32) -> Result<Self, ControlError> {
        require("subgroup size", "from 2 to 1000", f64::from(n), (2..=LARGEST).contains(&n))?;
        let (d2, second) = range_moments(n);
        Ok(Self { n, d2, d3: (second - d2 * d2).sqrt(), c4: c4(n)? })
    }

    /// A: limits of a mean from a known sigma, 3/√n.
    #[must_use]
    pub fn a(&self) -> f64 {
        3.0 / f64::from(self.n).sqrt()
    }
    /// A2: limits of a mean from the mean range.
    #[must_use]
    pub fn a2(&self) -> f64 {
        self.a() / self.d2
    }
    /// A3: limits of a mean from the mean standard deviation.
    #[must_use]
    pub fn a3(&self) -> f64 {
        self.a() / self.c4
    }
    fn c5(&self) -> f64 {
        (1.0 - self.c4 * self.c4).sqrt()
    }
    /// B3: lower limit of s, over the mean s.
    #[must_use]
    pub fn b3(&self) -> f64 {
        self.b5() / self.c4
    }
    /// B4: upper limit of s, over the mean s.
    #[must_use]
    pub fn b4(&self) -> f64 {
        self.b6() / self.c4
    }
    /// B5: lower limit of s, over sigma.
    #[must_use]
    pub fn b5(&self) -> f64 {
        (self.c4 - 3.0 * self.c5()).max(0.0)
    }
    /// B6: upper limit of s, over sigma.
    #[must_use]
    pub fn b6(&self) -> f64 {
        self.c4 + 3.0 * self.c5()
    }
    /// D1: lower limit of the range, over sigma.
    #[must_use]
    pub fn d1(&self) -> f64 {
        (self.d2 - 3.0 * self.d3).max(0.0)
    }
    /// D2: upper limit of the range, over sigma. The same number as [`Constants::range_upper_action`].
    #[must_use]
    pub fn range_upper_action(&self) -> f64 {
        self.d2 + 3.0 * self.d3
    }
    /// Upper warning limit of the range, over sigma: d2 + 2 d3.
    #[must_use]
    pub fn range_upper_warning(&self) -> f64 {
        self.d2 + 2.0 * self.d3
    }
    /// D3: lower limit of the range, over the mean range.
    #[must_use]
    pub fn range_lower_over_mean(&self) -> f64 {
        self.d1() / self.d2
    }
    /// D4: upper limit of the range, over the mean range.
    #[must_use]
    pub fn range_upper_over_mean(&self) -> f64 {
        self.range_upper_action() / self.d2
    }
    /// E2: limits of individuals from the mean range of n neighbours, 3/d2.
    #[must_use]
    pub fn e2(&self) -> f64 {
        3.0 / self.d2
    }
}

/// Mean and mean square of the range of n standard normal values.
fn range_moments(n: u32) -> (f64, f64) {
    // The inner integrand is smooth and vanishes at both ends, so equal steps converge faster than any power.
    const STEP: f64 = 0.05;
    const REACH: i32 = 180;
    let grid: Vec<(f64, f64, f64)> = (-REACH..=REACH)
        .map(|i| {
            let x = STEP * f64::from(i);
            (x, normal_density(x), normal_cdf(x))
        })
        .collect();
    let power = f64::from(n - 1);
    let beyond = |w: f64| {
        let sum: f64 = grid
            .iter()
            .map(|&(x, density, below)| {
                let inside = if x > 0.0 { normal_sf(x) - normal_sf(x + w) } else { normal_cdf(x + w) - below };
                density * (power * inside.max(0.0).ln()).exp()
            })
            .sum();
        1.0 - f64::from(n) * STEP * sum
    };
    let rule = Rule::new(12);
    let (mut first, mut second) = (0.0, 0.0);
    for panel in 0..12 {
        let a = 1.4 * f64::from(panel);
        for (w, weight) in rule.on(a, a + 1.4) {
            let p = weight * beyond(w);
            first += p;
            second += 2.0 * w * p;
        }
    }
    (first, second)
}

/// Mean of the sample standard deviation of n normal values over sigma.
///
/// # Errors
/// n below 2.
pub fn c4(n: u32) -> Result<f64, ControlError> {
    let x = require("subgroup size", "at least 2", f64::from(n), n >= 2)?;
    if n > 300 {
        // The difference of two large logarithms would lose digits; the series of the ratio is exact to 1e-13 here.
        return Ok(1.0 - 1.0 / (4.0 * x) - 7.0 / (32.0 * x * x) - 19.0 / (128.0 * x.powi(3)));
    }
    Ok((2.0 / (x - 1.0)).sqrt() * (ln_gamma(0.5 * x)? - ln_gamma(0.5 * (x - 1.0))?).exp())
}
