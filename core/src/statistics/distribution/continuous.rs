//! Normal, Student, Fisher, chi-squared and beta distributions.
use super::special::{self, Tails};
use super::{DistributionError, erfc, erfc_inv, invert_tail, positive, probability};
use crate::statistics::memory::Memory;
use std::f64::consts::{FRAC_1_SQRT_2, FRAC_2_SQRT_PI, SQRT_2, TAU};

/// Bracket for the logarithm of a positive variate: `e^±745` spans every positive double.
const LOG_BRACKET: (f64, f64) = (-745.0, 709.0);

/// `1/√2` less its nearest double.
const FRAC_1_SQRT_2_LOW: f64 = -4.833_646_656_726_457e-17;

/// The standard normal distribution.
///
/// # Formula
/// `Φ(z) = ½ erfc(−z/√2)`.
///
/// # Source
/// DLMF 7.2.2; corrected for the rounding of `z/√2`, without which the tail at 1e-300 has a relative error of 1e-13.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::distribution::Normal;
/// assert!((Normal.upper_quantile(0.025)? - 1.959963984540054).abs() < 1e-15);
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Normal;

impl Normal {
    /// Probability of a value of at most `z`.
    pub fn cdf(&self, z: f64) -> f64 {
        self.sf(-z)
    }

    /// Probability of a value above `z`.
    pub fn sf(&self, z: f64) -> f64 {
        let scaled = z * FRAC_1_SQRT_2;
        let tail = erfc(scaled);
        if z <= 0.5 || z > 40.0 {
            return 0.5 * tail;
        }
        // z/√2 − scaled, the part lost in rounding; first-order correction of the tail.
        let lost = z.mul_add(FRAC_1_SQRT_2, -scaled) + z * FRAC_1_SQRT_2_LOW;
        0.5 * (tail - FRAC_2_SQRT_PI * (-scaled * scaled).exp() * lost)
    }

    /// Probability density at `z`.
    pub fn pdf(&self, z: f64) -> f64 {
        let half_square = 0.5 * z * z;
        let lost = (0.5 * z).mul_add(z, -half_square);
        if half_square < 800.0 { (-half_square).exp() * (1.0 - lost) / TAU.sqrt() } else { 0.0 }
    }

    /// Value `z` with `P(Z <= z) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn quantile(&self, p: f64) -> Result<f64, DistributionError> {
        Ok(-self.upper_quantile(p)?)
    }

    /// Value `z` with `P(Z > z) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn upper_quantile(&self, p: f64) -> Result<f64, DistributionError> {
        let p = probability(p)?;
        if p == 0.5 {
            return Ok(0.0);
        }
        if p > 0.5 {
            // 1 − p is exact here (Sterbenz), so the small tail loses nothing.
            return Ok(-self.upper_quantile(1.0 - p)?);
        }
        let start = SQRT_2 * erfc_inv(2.0 * p);
        Ok(invert_tail(|z| (self.sf(z), -self.pdf(z)), p, false, (0.0, 40.0), start))
    }
}

/// Student's t distribution; `ν = ∞` is the normal distribution, as GUM tables of coverage factors have it.
///
/// # Formula
/// `P(T > t) = ½ I_{ν/(ν+t²)}(ν/2, ½)`, `t > 0`.
///
/// # Source
/// Abramowitz and Stegun 26.7.1, 26.5.27.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::distribution::StudentT;
/// let t = StudentT::new(9.0)?;
/// assert!((t.upper_quantile(0.025)? - 2.262157162798205).abs() < 1e-14);
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudentT {
    degrees_of_freedom: f64,
}

impl StudentT {
    /// Distribution with `degrees_of_freedom` (0 < ν <= 1e12, or infinite).
    ///
    /// # Errors
    /// [`DistributionError::Parameter`] outside that range.
    pub fn new(degrees_of_freedom: f64) -> Result<Self, DistributionError> {
        if degrees_of_freedom == f64::INFINITY {
            return Ok(Self { degrees_of_freedom });
        }
        Ok(Self { degrees_of_freedom: positive("degrees of freedom", degrees_of_freedom)? })
    }

    /// Degrees of freedom.
    pub fn degrees_of_freedom(&self) -> f64 {
        self.degrees_of_freedom
    }

    fn upper_tail(&self, t: f64) -> f64 {
        let nu = self.degrees_of_freedom;
        let t2 = t * t;
        if t2.is_infinite() {
            // ν^(ν/2) / (ν B(ν/2, ½)) t^(−ν): the leading term, exact to double precision out here.
            let ln_beta_part = special::beta_kernel(0.5 * nu, 0.5, 0.5, 0.5).ln() + 0.5 * (nu + 1.0) * 2f64.ln();
            return (ln_beta_part + (0.5 * nu - 1.0) * nu.ln() - nu * t.ln()).exp();
        }
        let total = nu + t2;
        0.5 * special::incomplete_beta(0.5 * nu, 0.5, nu / total, t2 / total).lower
    }

    /// Probability of a value of at most `t`.
    pub fn cdf(&self, t: f64) -> f64 {
        self.sf(-t)
    }

    /// Probability of a value above `t`.
    pub fn sf(&self, t: f64) -> f64 {
        if self.degrees_of_freedom.is_infinite() {
            return Normal.sf(t);
        }
        if t > 0.0 { self.upper_tail(t) } else { 1.0 - self.upper_tail(-t) }
    }

    /// Probability of a value farther from 0 than `t` on either side.
    pub fn two_sided(&self, t: f64) -> f64 {
        2.0 * self.sf(t.abs())
    }

    /// Probability density at `t`.
    pub fn pdf(&self, t: f64) -> f64 {
        let nu = self.degrees_of_freedom;
        if nu.is_infinite() {
            return Normal.pdf(t);
        }
        // Γ((ν+1)/2) / (√(νπ) Γ(ν/2)) with the large parts of both log-gammas cancelled by hand.
        let remainder = special::stirling_remainder(0.5 * (nu + 1.0)) - special::stirling_remainder(0.5 * nu);
        let scale = (0.5 * nu * (1.0 / nu).ln_1p() - 0.5 + remainder).exp() / TAU.sqrt();
        scale * (-0.5 * (nu + 1.0) * (t * (t / nu)).ln_1p()).exp()
    }

    /// Value `t` with `P(T <= t) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn quantile(&self, p: f64) -> Result<f64, DistributionError> {
        Ok(-self.upper_quantile(p)?)
    }

    /// Value `t` with `P(T > t) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn upper_quantile(&self, p: f64) -> Result<f64, DistributionError> {
        let p = probability(p)?;
        if self.degrees_of_freedom.is_infinite() {
            return Normal.upper_quantile(p);
        }
        if p == 0.5 {
            return Ok(0.0);
        }
        if p > 0.5 {
            return Ok(-self.upper_quantile(1.0 - p)?);
        }
        // A laboratory asks for few levels and degrees of freedom, again with every result.
        static MEMORY: Memory<(u64, u64), f64> = Memory::new();
        let key = (p.to_bits(), self.degrees_of_freedom.to_bits());
        if let Some(known) = MEMORY.known(&key) {
            return Ok(known);
        }
        // The tail falls like t^(−ν): nearly straight in ln t, so Newton runs there.
        let start = Normal.upper_quantile(p)?.max(1e-300).ln();
        let tail = |u: f64| {
            let t = u.exp();
            (self.upper_tail(t), -t * self.pdf(t))
        };
        let t = invert_tail(tail, p, false, LOG_BRACKET, start).exp();
        Ok(MEMORY.keep(key, self.last_step(t, p)))
    }

    /// One more Newton step in `t` itself: `exp` of a large logarithm costs digits.
    fn last_step(&self, t: f64, p: f64) -> f64 {
        let tail = self.upper_tail(t);
        let step = tail * (tail / p).ln() / self.pdf(t);
        if step.is_finite() && step.abs() < 1e-6 * t { t + step } else { t }
    }
}

/// The chi-squared distribution.
///
/// # Formula
/// `P(χ² <= x) = P(ν/2, x/2)`, the regularised lower incomplete gamma function.
///
/// # Source
/// Abramowitz and Stegun 26.4.1, 26.4.19.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::distribution::ChiSquared;
/// assert!((ChiSquared::new(9.0)?.sf(54.5) - 1.5e-8).abs() < 0.05e-8);
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChiSquared {
    degrees_of_freedom: f64,
}

impl ChiSquared {
    /// Distribution with `degrees_of_freedom`, 0 < ν <= 1e12.
    ///
    /// # Errors
    /// [`DistributionError::Parameter`] outside that range.
    pub fn new(degrees_of_freedom: f64) -> Result<Self, DistributionError> {
        Ok(Self { degrees_of_freedom: positive("degrees of freedom", degrees_of_freedom)? })
    }

    fn tails(&self, x: f64) -> Tails {
        special::incomplete_gamma(0.5 * self.degrees_of_freedom, 0.5 * x)
    }

    /// Probability of a value of at most `x`.
    pub fn cdf(&self, x: f64) -> f64 {
        self.tails(x).lower
    }

    /// Probability of a value above `x`.
    pub fn sf(&self, x: f64) -> f64 {
        self.tails(x).upper
    }

    /// Probability density at `x`.
    pub fn pdf(&self, x: f64) -> f64 {
        if x <= 0.0 { 0.0 } else { special::gamma_kernel(0.5 * self.degrees_of_freedom, 0.5 * x) / x }
    }

    /// Value `x` with `P(χ² <= x) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn quantile(&self, p: f64) -> Result<f64, DistributionError> {
        let p = probability(p)?;
        if p > 0.5 { self.solve(1.0 - p, false) } else { self.solve(p, true) }
    }

    /// Value `x` with `P(χ² > x) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn upper_quantile(&self, p: f64) -> Result<f64, DistributionError> {
        let p = probability(p)?;
        if p > 0.5 { self.solve(1.0 - p, true) } else { self.solve(p, false) }
    }

    fn solve(&self, p: f64, lower: bool) -> Result<f64, DistributionError> {
        // Wilson and Hilferty's cube as the start.
        let z = if lower { Normal.quantile(p)? } else { Normal.upper_quantile(p)? };
        let ninth = 2.0 / (9.0 * self.degrees_of_freedom);
        let start = (self.degrees_of_freedom * (1.0 - ninth + z * ninth.sqrt()).max(1e-3).powi(3)).ln();
        Ok(solve_positive(|x| self.tails(x), |x| self.pdf(x), p, lower, start))
    }
}

/// Solves for a positive variate in its logarithm, then takes a last Newton step in the variate.
fn solve_positive(tails: impl Fn(f64) -> Tails, pdf: impl Fn(f64) -> f64, p: f64, lower: bool, start: f64) -> f64 {
    let sign = if lower { 1.0 } else { -1.0 };
    let tail = |x: f64| if lower { tails(x).lower } else { tails(x).upper };
    let u = invert_tail(
        |u| {
            let x = u.exp();
            (tail(x), sign * x * pdf(x))
        },
        p,
        lower,
        LOG_BRACKET,
        start,
    );
    let x = u.exp();
    let t = tail(x);
    let step = sign * t * (t / p).ln() / pdf(x);
    if step.is_finite() && step.abs() < 1e-6 * x { x - step } else { x }
}

/// The beta distribution.
///
/// # Formula
/// `P(X <= x) = I_x(a, b)`, the regularised incomplete beta function.
///
/// # Source
/// DLMF 8.17.2.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::distribution::Beta;
/// assert!((Beta::new(2.0, 3.0)?.cdf(0.5) - 0.6875).abs() < 1e-15); // 11/16, by hand
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beta {
    a: f64,
    b: f64,
}

impl Beta {
    /// Distribution with shape parameters `a` and `b`, each in (0, 1e12].
    ///
    /// # Errors
    /// [`DistributionError::Parameter`] outside that range.
    pub fn new(a: f64, b: f64) -> Result<Self, DistributionError> {
        Ok(Self { a: positive("shape a", a)?, b: positive("shape b", b)? })
    }

    /// Probability of a value of at most `x`.
    pub fn cdf(&self, x: f64) -> f64 {
        special::incomplete_beta(self.a, self.b, x, 1.0 - x).lower
    }

    /// Probability of a value above `x`.
    pub fn sf(&self, x: f64) -> f64 {
        special::incomplete_beta(self.a, self.b, x, 1.0 - x).upper
    }

    /// Probability density at `x`.
    pub fn pdf(&self, x: f64) -> f64 {
        if x <= 0.0 || x >= 1.0 {
            return 0.0;
        }
        special::beta_kernel(self.a, self.b, x, 1.0 - x) / (x * (1.0 - x))
    }

    /// Value `x` with `P(X <= x) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn quantile(&self, p: f64) -> Result<f64, DistributionError> {
        let p = probability(p)?;
        Ok(odds_to_fraction(if p > 0.5 { self.odds(1.0 - p, false) } else { self.odds(p, true) }))
    }

    /// Value `x` with `P(X > x) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn upper_quantile(&self, p: f64) -> Result<f64, DistributionError> {
        let p = probability(p)?;
        Ok(odds_to_fraction(if p > 0.5 { self.odds(1.0 - p, true) } else { self.odds(p, false) }))
    }

    /// Tails at odds `w = x / (1 − x)`; odds keep `x` near 1 as exact as `x` near 0.
    fn tails_at_odds(&self, w: f64) -> Tails {
        special::incomplete_beta(self.a, self.b, w / (1.0 + w), 1.0 / (1.0 + w))
    }

    fn density_at_odds(&self, w: f64) -> f64 {
        special::beta_kernel(self.a, self.b, w / (1.0 + w), 1.0 / (1.0 + w)) / w
    }

    fn odds(&self, p: f64, lower: bool) -> f64 {
        solve_positive(|w| self.tails_at_odds(w), |w| self.density_at_odds(w), p, lower, (self.a / self.b).ln())
    }
}

fn odds_to_fraction(odds: f64) -> f64 {
    odds / (1.0 + odds)
}

/// Fisher's F distribution; an infinite number of degrees of freedom is allowed in the denominator.
///
/// # Formula
/// `P(F > x) = I_{ν₂/(ν₂+ν₁x)}(ν₂/2, ν₁/2)`.
///
/// # Source
/// Abramowitz and Stegun 26.6.2, 26.5.28.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::distribution::FisherF;
/// // Abramowitz and Stegun table 26.9: F(0.05; 5, 10) = 3.33.
/// assert!((FisherF::new(5.0, 10.0)?.upper_quantile(0.05)? - 3.33).abs() < 0.005);
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FisherF {
    numerator: f64,
    denominator: f64,
}

impl FisherF {
    /// Distribution with `numerator` (ν₁, finite) and `denominator` (ν₂, may be infinite) degrees of freedom.
    ///
    /// # Errors
    /// [`DistributionError::Parameter`] outside (0, 1e12].
    pub fn new(numerator: f64, denominator: f64) -> Result<Self, DistributionError> {
        let numerator = positive("numerator degrees of freedom", numerator)?;
        if denominator == f64::INFINITY {
            return Ok(Self { numerator, denominator });
        }
        Ok(Self { numerator, denominator: positive("denominator degrees of freedom", denominator)? })
    }

    fn tails(&self, x: f64) -> Tails {
        if x <= 0.0 {
            return Tails { lower: 0.0, upper: 1.0 };
        }
        if self.denominator.is_infinite() {
            return special::incomplete_gamma(0.5 * self.numerator, 0.5 * self.numerator * x);
        }
        let w = x * (self.numerator / self.denominator);
        if w.is_infinite() {
            return Tails { lower: 1.0, upper: 0.0 };
        }
        special::incomplete_beta(0.5 * self.numerator, 0.5 * self.denominator, w / (1.0 + w), 1.0 / (1.0 + w))
    }

    /// Probability of a value of at most `x`.
    pub fn cdf(&self, x: f64) -> f64 {
        self.tails(x).lower
    }

    /// Probability of a value above `x`.
    pub fn sf(&self, x: f64) -> f64 {
        self.tails(x).upper
    }

    /// Probability density at `x`.
    pub fn pdf(&self, x: f64) -> f64 {
        if x <= 0.0 {
            return 0.0;
        }
        if self.denominator.is_infinite() {
            return special::gamma_kernel(0.5 * self.numerator, 0.5 * self.numerator * x) / x;
        }
        let w = x * (self.numerator / self.denominator);
        special::beta_kernel(0.5 * self.numerator, 0.5 * self.denominator, w / (1.0 + w), 1.0 / (1.0 + w)) / x
    }

    /// Value `x` with `P(F <= x) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn quantile(&self, p: f64) -> Result<f64, DistributionError> {
        let p = probability(p)?;
        Ok(if p > 0.5 { self.solve(1.0 - p, false) } else { self.solve(p, true) })
    }

    /// Value `x` with `P(F > x) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn upper_quantile(&self, p: f64) -> Result<f64, DistributionError> {
        let p = probability(p)?;
        Ok(if p > 0.5 { self.solve(1.0 - p, true) } else { self.solve(p, false) })
    }

    fn solve(&self, p: f64, lower: bool) -> f64 {
        solve_positive(|x| self.tails(x), |x| self.pdf(x), p, lower, 0.0)
    }
}
