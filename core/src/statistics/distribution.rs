//! Probability distributions: the only file that imports the distributions crate and the C mathematics library.
//!
//! Every distribution is a small value made by a fallible `new`; its methods are then total. Right tails come from the
//! survival function, never from one minus the distribution function, so a p-value of 1e-300 keeps its digits.
//! Quantiles are the library's or a crude start, polished by bracketed Newton steps on the logarithm of the smaller tail.
//!
//! What does not belong here: tests, intervals and critical values built from these distributions.
mod continuous;
mod discrete;
mod functions;
pub(crate) mod special;

pub use continuous::{Beta, ChiSquared, FisherF, Normal, StudentT};
pub use discrete::Binomial;
pub use functions::{
    chi_square_quantile, chi_square_sf, normal_cdf, normal_density, normal_quantile, normal_sf, student_t_quantile,
    student_t_sf,
};

/// Why a distribution or a quantile cannot be given.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum DistributionError {
    /// A parameter is outside its range.
    #[error("{name} must be {rule}, got {value}")]
    Parameter {
        /// Which parameter.
        name: &'static str,
        /// The rule it breaks.
        rule: &'static str,
        /// The value given.
        value: f64,
    },
    /// A probability for a quantile is not strictly between 0 and 1.
    #[error("the probability must lie strictly between 0 and 1, got {value}")]
    Probability {
        /// The value given.
        value: f64,
    },
}

/// Largest degrees of freedom or shape parameter accepted as finite; beyond it rounding of the parameter itself shows.
pub(crate) const LARGEST_PARAMETER: f64 = 1e12;

pub(crate) fn positive(name: &'static str, value: f64) -> Result<f64, DistributionError> {
    if value > 0.0 && value <= LARGEST_PARAMETER {
        Ok(value)
    } else {
        Err(DistributionError::Parameter { name, rule: "greater than 0 and at most 1e12", value })
    }
}

pub(crate) fn probability(value: f64) -> Result<f64, DistributionError> {
    if value > 0.0 && value < 1.0 { Ok(value) } else { Err(DistributionError::Probability { value }) }
}

/// Natural logarithm of the gamma function for a positive argument.
///
/// # Formula
/// `ln Γ(x)`, the C library's below 12, Stirling's series above.
///
/// # Errors
/// [`DistributionError::Parameter`] unless `0 < x`, finite.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::distribution::ln_gamma;
/// assert!((ln_gamma(5.0)? - 24f64.ln()).abs() < 1e-14);
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
pub fn ln_gamma(x: f64) -> Result<f64, DistributionError> {
    if !(x > 0.0 && x.is_finite()) {
        return Err(DistributionError::Parameter {
            name: "argument of ln gamma",
            rule: "positive and finite",
            value: x,
        });
    }
    if x < 12.0 {
        return Ok(libm::lgamma(x));
    }
    const HALF_LN_TWO_PI: f64 = 0.918_938_533_204_672_8;
    Ok((x - 0.5) * x.ln() - x + HALF_LN_TWO_PI + special::stirling_remainder(x))
}

/// Gamma function of the C mathematics library.
fn gamma(x: f64) -> f64 {
    libm::tgamma(x)
}

/// Complementary error function of the C mathematics library, good to one unit in the last place.
///
/// That of the distributions crate carries constants cut to ten digits (relative error 9e-11 at z = 1).
fn erfc(x: f64) -> f64 {
    libm::erfc(x)
}

/// Inverse complementary error function of the distributions crate, a start good to ten digits.
fn erfc_inv(x: f64) -> f64 {
    statrs::function::erf::erfc_inv(x)
}

/// Regularised incomplete beta function `I_x(a, b)`.
///
/// # Source
/// DLMF 8.17.2; method: see `core/NUMERICS.md`.
///
/// # Errors
/// [`DistributionError::Parameter`] unless `a, b > 0` and `0 <= x <= 1`.
pub fn regularised_incomplete_beta(a: f64, b: f64, x: f64) -> Result<f64, DistributionError> {
    Ok(Beta::new(a, b)?.cdf(unit_interval(x)?))
}

/// Regularised lower incomplete gamma function `P(a, x)`.
///
/// # Source
/// DLMF 8.2.4.
///
/// # Errors
/// [`DistributionError::Parameter`] unless `a > 0` and `x >= 0`.
pub fn regularised_lower_gamma(a: f64, x: f64) -> Result<f64, DistributionError> {
    Ok(special::incomplete_gamma(positive("shape a", a)?, not_negative(x)?).lower)
}

/// Regularised upper incomplete gamma function `Q(a, x)`.
///
/// # Source
/// DLMF 8.2.4.
///
/// # Errors
/// [`DistributionError::Parameter`] unless `a > 0` and `x >= 0`.
pub fn regularised_upper_gamma(a: f64, x: f64) -> Result<f64, DistributionError> {
    Ok(special::incomplete_gamma(positive("shape a", a)?, not_negative(x)?).upper)
}

fn unit_interval(x: f64) -> Result<f64, DistributionError> {
    if (0.0..=1.0).contains(&x) {
        Ok(x)
    } else {
        Err(DistributionError::Parameter { name: "x", rule: "between 0 and 1", value: x })
    }
}

fn not_negative(x: f64) -> Result<f64, DistributionError> {
    if x >= 0.0 { Ok(x) } else { Err(DistributionError::Parameter { name: "x", rule: "0 or more", value: x }) }
}

/// Solves `tail(u) = target` for a monotone tail by Newton steps on `ln tail`, kept inside a shrinking bracket.
///
/// Invariant: the root stays in `[lo, hi]`. A Newton step that leaves the bracket is replaced by bisection, so the
/// loop ends after at most 200 halvings whatever the start; ordinary cases take five steps.
pub(crate) fn invert_tail(
    tail_and_slope: impl Fn(f64) -> (f64, f64),
    target: f64,
    increasing: bool,
    bracket: (f64, f64),
    start: f64,
) -> f64 {
    let (mut lo, mut hi) = bracket;
    let ln_target = target.ln();
    let mut u = start.clamp(lo, hi);
    for _ in 0..200 {
        let (tail, slope) = tail_and_slope(u);
        let excess = if tail > 0.0 { tail.ln() - ln_target } else { f64::NEG_INFINITY };
        if excess == 0.0 {
            return u;
        }
        if (excess > 0.0) == increasing {
            hi = u;
        } else {
            lo = u;
        }
        let newton = u - excess * tail / slope;
        let next = if newton.is_finite() && newton > lo && newton < hi { newton } else { 0.5 * (lo + hi) };
        let step = (next - u).abs();
        u = next;
        // Two units in the last place: below that the tail's own rounding decides.
        if step <= 4.5e-16 * u.abs() || hi - lo <= 4.5e-16 * hi.abs().max(lo.abs()) {
            break;
        }
    }
    u
}

#[cfg(test)]
mod tests;
