//! The binomial distribution.
use super::special::{self, deviance, stirling_remainder};
use super::{DistributionError, probability};

/// The binomial distribution of the number of successes in `trials`.
///
/// # Formula
/// `P(X = k) = C(n, k) p^k (1 − p)^(n − k)`; `P(X > k) = I_p(k + 1, n − k)`.
///
/// # Source
/// Abramowitz and Stegun 26.5.24; mass function in Loader's saddle-point form.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::distribution::Binomial;
/// assert!((Binomial::new(10, 0.5)?.cdf(2) - 56.0 / 1024.0).abs() < 1e-15); // (1 + 10 + 45) / 2^10
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Binomial {
    trials: u64,
    success: f64,
}

impl Binomial {
    /// Distribution for `trials` (1 to 1e9) with probability `success` strictly between 0 and 1.
    ///
    /// # Errors
    /// [`DistributionError::Parameter`] or [`DistributionError::Probability`] outside that range.
    pub fn new(trials: u64, success: f64) -> Result<Self, DistributionError> {
        if trials == 0 || trials > 1_000_000_000 {
            return Err(DistributionError::Parameter {
                name: "number of trials",
                rule: "between 1 and 1e9",
                value: trials as f64,
            });
        }
        Ok(Self { trials, success: probability(success)? })
    }

    /// Probability of exactly `k` successes.
    pub fn pmf(&self, k: u64) -> f64 {
        if k > self.trials {
            return 0.0;
        }
        let (n, x, p, q) = (self.trials as f64, k as f64, self.success, 1.0 - self.success);
        if k == 0 {
            return (n * (-p).ln_1p()).exp();
        }
        if k == self.trials {
            return (n * p.ln()).exp();
        }
        let y = n - x;
        // stirling_remainder takes the gamma argument; for factorials ln n! = ln Γ(n) + ln n leaves the same remainder.
        let remainder = stirling_remainder(n) - stirling_remainder(x) - stirling_remainder(y);
        let exponent = remainder - deviance(x, n * p) - deviance(y, n * q);
        exponent.exp() * (n / (std::f64::consts::TAU * x * y)).sqrt()
    }

    /// Probability of at most `k` successes.
    pub fn cdf(&self, k: u64) -> f64 {
        if k >= self.trials {
            return 1.0;
        }
        let (a, b) = (k as f64 + 1.0, (self.trials - k) as f64);
        special::incomplete_beta(a, b, self.success, 1.0 - self.success).upper
    }

    /// Probability of more than `k` successes.
    pub fn sf(&self, k: u64) -> f64 {
        if k >= self.trials {
            return 0.0;
        }
        let (a, b) = (k as f64 + 1.0, (self.trials - k) as f64);
        special::incomplete_beta(a, b, self.success, 1.0 - self.success).lower
    }

    /// Probability of `k` successes or more.
    pub fn at_least(&self, k: u64) -> f64 {
        if k == 0 { 1.0 } else { self.sf(k - 1) }
    }

    /// Smallest `k` with `P(X <= k) >= p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn quantile(&self, p: f64) -> Result<u64, DistributionError> {
        let p = probability(p)?;
        Ok(self.smallest(|k| self.cdf(k) >= p))
    }

    /// Smallest `k` with `P(X > k) <= p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn upper_quantile(&self, p: f64) -> Result<u64, DistributionError> {
        let p = probability(p)?;
        Ok(self.smallest(|k| self.sf(k) <= p))
    }

    /// Bisection for the first `k` at which a condition monotone in `k` holds; it holds at `k = n`.
    fn smallest(&self, holds: impl Fn(u64) -> bool) -> u64 {
        let (mut lo, mut hi) = (0, self.trials);
        while lo < hi {
            let middle = lo + (hi - lo) / 2;
            if holds(middle) {
                hi = middle;
            } else {
                lo = middle + 1;
            }
        }
        lo
    }
}
