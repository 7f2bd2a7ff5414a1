//! Distributions: the only file that imports the distributions crate.
//!
//! Right tails are computed as such, so that a p-value of 1e-300 is not lost in the difference from one.

use statrs::function::beta::checked_beta_reg;
use statrs::function::erf::{erfc, erfc_inv};
use statrs::function::gamma::checked_gamma_ur;

use crate::statistics::quadrature::solve_increasing;

/// What is wrong with an argument.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum DistributionError {
    /// A probability outside (0, 1).
    #[error("a probability must be between 0 and 1, not {0}")]
    Probability(f64),
    /// Degrees of freedom that are not positive.
    #[error("degrees of freedom must be positive, not {0}")]
    DegreesOfFreedom(f64),
    /// An argument that is not a number.
    #[error("the argument must be a number, not {0}")]
    Argument(f64),
}

fn probability(p: f64) -> Result<f64, DistributionError> {
    if p > 0.0 && p < 1.0 { Ok(p) } else { Err(DistributionError::Probability(p)) }
}

fn degrees(nu: f64) -> Result<f64, DistributionError> {
    if nu > 0.0 { Ok(nu) } else { Err(DistributionError::DegreesOfFreedom(nu)) }
}

/// Standard normal density.
#[must_use]
pub fn normal_density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

/// Standard normal P(Z <= x).
#[must_use]
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * erfc(-x / std::f64::consts::SQRT_2)
}

/// Standard normal P(Z > x).
#[must_use]
pub fn normal_sf(x: f64) -> f64 {
    0.5 * erfc(x / std::f64::consts::SQRT_2)
}

/// Standard normal quantile.
///
/// # Errors
/// A probability outside (0, 1).
pub fn normal_quantile(p: f64) -> Result<f64, DistributionError> {
    let p = probability(p)?;
    let start = -std::f64::consts::SQRT_2 * erfc_inv(2.0 * p);
    // One Newton step takes the library's approximation to the last digits.
    let density = normal_density(start);
    Ok(if density > 0.0 { start - (normal_cdf(start) - p) / density } else { start })
}

/// Student's t, P(T > t), for any positive degrees of freedom, infinite ones included.
///
/// # Formula
/// for t > 0: I_x(nu/2, 1/2) / 2 with x = nu / (nu + t^2)
///
/// # Source
/// Abramowitz and Stegun, 26.7.1 (from memory).
///
/// # Errors
/// Degrees of freedom that are not positive; NaN.
pub fn student_t_sf(t: f64, nu: f64) -> Result<f64, DistributionError> {
    let nu = degrees(nu)?;
    if t.is_nan() {
        return Err(DistributionError::Argument(t));
    }
    if nu.is_infinite() {
        return Ok(normal_sf(t));
    }
    let tail = if t.is_infinite() {
        0.0
    } else {
        let square = t * t;
        // Near the middle the complementary form keeps the digits.
        if square < nu {
            0.5 - 0.5
                * checked_beta_reg(0.5, 0.5 * nu, square / (nu + square))
                    .map_err(|_error| DistributionError::Argument(t))?
        } else {
            0.5 * checked_beta_reg(0.5 * nu, 0.5, nu / (nu + square))
                .map_err(|_error| DistributionError::Argument(t))?
        }
    };
    Ok(if t >= 0.0 { tail } else { 1.0 - tail })
}

/// Student's t quantile, for infinite degrees of freedom the normal one.
///
/// # Errors
/// A probability outside (0, 1) or degrees of freedom that are not positive.
///
/// # Example
/// ```
/// let t = ferrotitre_core::statistics::distribution::student_t_quantile(0.975, 2.0).unwrap();
/// assert!((t - 4.302652729911275).abs() < 1e-12); // SciPy 1.17 t.ppf(0.975, 2)
/// ```
pub fn student_t_quantile(p: f64, nu: f64) -> Result<f64, DistributionError> {
    let (p, nu) = (probability(p)?, degrees(nu)?);
    if nu.is_infinite() {
        return normal_quantile(p);
    }
    if p < 0.5 {
        return student_t_quantile(1.0 - p, nu).map(|t| -t);
    }
    if p == 0.5 {
        return Ok(0.0);
    }
    let tail = 1.0 - p;
    let mut high = 1.0;
    while student_t_sf(high, nu)? > tail && high < 1e300 {
        high *= 2.0;
    }
    Ok(solve_increasing(0.0, high, -tail, |t| student_t_sf(t, nu).map_or(f64::NAN, |sf| -sf)))
}

/// Chi-square P(X > x).
///
/// # Errors
/// Degrees of freedom that are not positive; a negative or NaN argument.
pub fn chi_square_sf(x: f64, nu: f64) -> Result<f64, DistributionError> {
    let nu = degrees(nu)?;
    if x == 0.0 {
        return Ok(1.0);
    }
    checked_gamma_ur(0.5 * nu, 0.5 * x).map_err(|_error| DistributionError::Argument(x))
}

/// Chi-square quantile.
///
/// # Errors
/// A probability outside (0, 1) or degrees of freedom that are not positive.
pub fn chi_square_quantile(p: f64, nu: f64) -> Result<f64, DistributionError> {
    let (p, nu) = (probability(p)?, degrees(nu)?);
    let mut high = nu.max(1.0);
    while chi_square_sf(high, nu)? > 1.0 - p && high < 1e300 {
        high *= 2.0;
    }
    Ok(solve_increasing(0.0, high, p - 1.0, |x| chi_square_sf(x, nu).map_or(f64::NAN, |sf| -sf)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, relative: f64) {
        assert!((found / expected - 1.0).abs() <= relative, "{found} is not {expected}");
    }

    // Expected values: SciPy 1.17 (scipy.stats), computed for this test, unless a source is named.
    #[test]
    fn quantiles_agree_with_an_independent_implementation() {
        close(normal_quantile(0.975).unwrap(), 1.959963984540054, 1e-14);
        close(normal_quantile(1e-10).unwrap(), -6.361340902404056, 1e-12);
        close(student_t_quantile(0.975, 1.0).unwrap(), 12.706204736432095, 1e-12);
        close(student_t_quantile(0.975, 9.5).unwrap(), 2.2440, 2e-4); // common practice tables interpolated, no source
        close(student_t_quantile(0.995, 30.0).unwrap(), 2.7499956535672255, 1e-12);
        close(student_t_quantile(0.975, f64::INFINITY).unwrap(), 1.959963984540054, 1e-14);
        close(chi_square_quantile(0.95, 9.0).unwrap(), 16.918977604620448, 1e-12);
        close(chi_square_quantile(0.025, 2.0).unwrap(), 0.05063561596857975, 1e-12);
    }

    #[test]
    fn right_tails_do_not_vanish() {
        close(normal_sf(37.0), 5.725571222524588e-300, 1e-10);
        close(student_t_sf(1e10, 30.0).unwrap(), 2.8e-288, 0.6);
        close(chi_square_sf(54.5, 9.0).unwrap(), 1.5e-8, 0.04);
    }

    #[test]
    fn arguments_outside_the_range_are_refused() {
        assert!(normal_quantile(1.0).is_err());
        assert!(student_t_sf(1.0, 0.0).is_err());
        assert!(student_t_quantile(f64::NAN, 3.0).is_err());
        assert!(chi_square_sf(-1.0, 3.0).is_err());
    }
}
