//! The range of k normal values, in units of sigma or of an independent estimate of it.
use crate::statistics::distribution::{
    DistributionError, normal_cdf, normal_density, normal_sf, special::gamma_kernel,
};
use crate::statistics::quadrature::find_root;

/// Beyond this the normal density is below 1e-19.
const FARTHEST: f64 = 9.2;

/// Most values for which the distribution is computed.
const MOST: u32 = 1000;

/// Distribution of the studentised range q = (max − min)/s of k normal values, s with its own degrees of freedom.
///
/// # Formula
/// `P(R > w) = k ∫ φ(x) [(1 − Φ(x))^(k−1) − (Φ(x + w) − Φ(x))^(k−1)] dx`, x the smallest value, averaged over
/// `w = q s/σ` with `ν s²/σ²` chi-squared. Both integrands are analytic and fall fast at both ends, so the trapezoidal
/// rule converges exponentially.
///
/// # Source
/// H. A. David, Order Statistics, 2.3 and 6.2 (from memory).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::agreement::StudentisedRange;
/// let range = StudentisedRange::new(3, 10.0)?;
/// assert!((range.upper_quantile(0.05)? - 3.876777).abs() < 5.1e-7); // SciPy 1.17.1 studentized_range
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudentisedRange {
    k: u32,
    degrees_of_freedom: f64,
}

impl StudentisedRange {
    /// Distribution for `k` values (2 to 1000) and `degrees_of_freedom` of the estimate of sigma (1 to 1e6, or infinite
    /// for a known sigma).
    ///
    /// # Errors
    /// [`DistributionError::Parameter`] outside these ranges.
    pub fn new(k: u32, degrees_of_freedom: f64) -> Result<Self, DistributionError> {
        if !(2..=MOST).contains(&k) {
            let name = "number of values";
            return Err(DistributionError::Parameter { name, rule: "between 2 and 1000", value: f64::from(k) });
        }
        if !((1.0..=1e6).contains(&degrees_of_freedom) || degrees_of_freedom == f64::INFINITY) {
            let (name, rule) = ("degrees of freedom", "between 1 and 1e6, or infinite");
            return Err(DistributionError::Parameter { name, rule, value: degrees_of_freedom });
        }
        Ok(Self { k, degrees_of_freedom })
    }

    /// Probability of a studentised range of at most `q`.
    #[must_use]
    pub fn cdf(&self, q: f64) -> f64 {
        if q <= 0.0 {
            return 0.0;
        }
        self.average(|scale| range_cdf(self.k, q * scale))
    }

    /// Probability of a studentised range above `q`.
    #[must_use]
    pub fn sf(&self, q: f64) -> f64 {
        if q <= 0.0 {
            return 1.0;
        }
        self.average(|scale| range_sf(self.k, q * scale))
    }

    /// Averages over the distribution of s/σ = e^t; the density of t is `2 x^a e^(−x)/Γ(a)`, a = ν/2, x = a e^(2t).
    fn average(&self, f: impl Fn(f64) -> f64) -> f64 {
        let nu = self.degrees_of_freedom;
        if nu.is_infinite() {
            return f(1.0);
        }
        // The trapezoidal error is |Γ(a + iπ/h)|/Γ(a), the transform of the density at the first alias: below 1e-16 here.
        let step = (0.42 / nu.sqrt()).min(0.08);
        let density = |t: f64| 2.0 * gamma_kernel(0.5 * nu, 0.5 * nu * (2.0 * t).exp());
        let mut total = density(0.0) * f(1.0);
        for side in [step, -step] {
            for i in 1..10_000 {
                let t = side * f64::from(i);
                let weight = density(t);
                let term = weight * f(t.exp());
                total += term;
                // Towards small s the tail itself rises to 1, so there the density alone must have vanished.
                if (if side > 0.0 { term } else { weight }) < 1e-18 * total || weight < 1e-300 {
                    break;
                }
            }
        }
        (total * step).clamp(0.0, 1.0)
    }

    /// Value `q` with `P(Q <= q) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn quantile(&self, p: f64) -> Result<f64, DistributionError> {
        let p = crate::statistics::distribution::probability(p)?;
        if p > 0.5 {
            return self.upper_quantile(1.0 - p);
        }
        Ok(find_root((-40.0, 8.0), 1e-14, 0.0, |u| self.cdf(u.exp()).ln() - p.ln()).exp())
    }

    /// Value `q` with `P(Q > q) = p`.
    ///
    /// # Errors
    /// [`DistributionError::Probability`] unless `0 < p < 1`.
    pub fn upper_quantile(&self, p: f64) -> Result<f64, DistributionError> {
        let p = crate::statistics::distribution::probability(p)?;
        if p > 0.5 {
            return self.quantile(1.0 - p);
        }
        // Newton-like secant in ln q, where a t-like tail is straight.
        Ok(find_root((-8.0, 40.0), 1e-14, 1.2, |u| self.sf(u.exp()).ln() - p.ln()).exp())
    }
}

/// Integral over the smallest value x by the trapezoidal rule.
///
/// For a wide range the extremes lie near ± w/2, hence the longer stretch below.
fn over_smallest(k: u32, w: f64, f: impl Fn(f64) -> f64) -> f64 {
    // The error is about exp(−2π²/(h² k)); this step makes the exponent 36.
    let step = std::f64::consts::PI * (2.0 / (36.0 * f64::from(k))).sqrt();
    let (below, above) = (((FARTHEST + 0.5 * w) / step).ceil() as i32, (FARTHEST / step).ceil() as i32);
    let sum: f64 = (-below..=above).map(|i| f64::from(i) * step).map(|x| normal_density(x) * f(x)).sum();
    (f64::from(k) * step * sum).clamp(0.0, 1.0)
}

fn power(base: f64, k: u32) -> f64 {
    base.max(0.0).powi(i32::try_from(k - 1).unwrap_or(i32::MAX))
}

/// P(range of `n` standard normal values <= w).
///
/// # Formula
/// n ∫ φ(x) (Φ(x + w) − Φ(x))^(n−1) dx
///
/// # Source
/// David, Order Statistics, 2.3 (from memory).
#[must_use]
pub fn range_cdf(n: u32, w: f64) -> f64 {
    if n < 2 {
        return 1.0;
    }
    if w <= 0.0 {
        return 0.0;
    }
    over_smallest(n, 0.0, |x| {
        let inside = if x > 0.0 { normal_sf(x) - normal_sf(x + w) } else { normal_cdf(x + w) - normal_cdf(x) };
        power(inside, n)
    })
}

/// P(range of `k` standard normal values > w), in a form that keeps the digits of a small tail.
fn range_sf(k: u32, w: f64) -> f64 {
    if w > 60.0 {
        return 0.0;
    }
    over_smallest(k, w, |x| {
        let above = normal_sf(x);
        // (1−Φ)^(k−1) − (1−Φ − tail)^(k−1), tail = 1 − Φ(x + w).
        let lost = -(f64::from(k - 1) * (-normal_sf(x + w) / above).ln_1p()).exp_m1();
        power(above, k) * if lost.is_finite() { lost } else { 1.0 }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::distribution::{StudentT, normal_quantile};

    #[test]
    fn two_values_follow_the_closed_forms() {
        // The range of two is |difference|: w/√2 normal, q/√2 Student's t.
        for q in [0.1, 1.0, 2.7718, 6.0, 20.0] {
            let exact = 2.0 * normal_sf(q / std::f64::consts::SQRT_2);
            assert!((range_sf(2, q) / exact - 1.0).abs() < 1e-12, "{q}");
            for nu in [1.0, 2.0, 7.5, 300.0] {
                let exact = StudentT::new(nu).unwrap().two_sided(q / std::f64::consts::SQRT_2);
                let found = StudentisedRange::new(2, nu).unwrap().sf(q);
                assert!((found / exact - 1.0).abs() < 1e-11, "{q} {nu}: {found} {exact}");
            }
        }
        let r = StudentisedRange::new(2, f64::INFINITY).unwrap().upper_quantile(0.05).unwrap();
        assert!((r - std::f64::consts::SQRT_2 * normal_quantile(0.975).unwrap()).abs() < 1e-13);
    }

    #[test]
    fn both_tails_add_up_and_quantiles_return() {
        for (k, nu) in [(3, 4.0), (10, 20.0), (40, f64::INFINITY), (100, 60.0)] {
            let range = StudentisedRange::new(k, nu).unwrap();
            for q in [1.0, 3.5, 5.0] {
                let excess = range.cdf(q) + range.sf(q) - 1.0;
                assert!(excess.abs() < 1e-13, "{k} {nu} {q}: {excess:e}");
            }
            for p in [0.01, 0.3, 0.9] {
                let off = range.cdf(range.quantile(p).unwrap()) - p;
                assert!(off.abs() < 1e-13, "{k} {nu} {p}: {off:e}");
            }
        }
        assert!(StudentisedRange::new(1, 5.0).is_err());
        assert!(StudentisedRange::new(3, 0.5).is_err());
        assert!(StudentisedRange::new(3, 5.0).unwrap().quantile(0.0).is_err());
    }
}
