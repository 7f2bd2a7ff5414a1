//! The most used distribution functions as plain functions.
use super::{ChiSquared, DistributionError, Normal, StudentT};

/// Standard normal density.
#[must_use]
pub fn normal_density(x: f64) -> f64 {
    Normal.pdf(x)
}

/// Standard normal `P(Z <= x)`.
#[must_use]
pub fn normal_cdf(x: f64) -> f64 {
    Normal.cdf(x)
}

/// Standard normal `P(Z > x)`.
#[must_use]
pub fn normal_sf(x: f64) -> f64 {
    Normal.sf(x)
}

/// Standard normal quantile.
///
/// # Errors
/// [`DistributionError::Probability`] unless `0 < p < 1`.
pub fn normal_quantile(p: f64) -> Result<f64, DistributionError> {
    Normal.quantile(p)
}

/// Student's t, `P(T > t)`, for any positive number of degrees of freedom, infinity included.
///
/// # Errors
/// [`DistributionError::Parameter`] for degrees of freedom that are not positive, or `t` that is not a number.
pub fn student_t_sf(t: f64, degrees_of_freedom: f64) -> Result<f64, DistributionError> {
    let distribution = StudentT::new(degrees_of_freedom)?;
    if t.is_nan() {
        return Err(DistributionError::Parameter { name: "t", rule: "a number", value: t });
    }
    Ok(distribution.sf(t))
}

/// Student's t quantile; for infinite degrees of freedom the normal one.
///
/// # Errors
/// A probability outside (0, 1) or degrees of freedom that are not positive.
///
/// # Example
/// ```
/// let t = ferrotitre_core::statistics::distribution::student_t_quantile(0.975, 2.0).unwrap();
/// assert!((t - 4.302652729749464).abs() < 1e-14); // 0.95 √(2 / (1 − 0.95²)), exact for ν = 2
/// ```
pub fn student_t_quantile(p: f64, degrees_of_freedom: f64) -> Result<f64, DistributionError> {
    StudentT::new(degrees_of_freedom)?.quantile(p)
}

/// Chi-squared `P(X > x)`.
///
/// # Errors
/// Degrees of freedom that are not positive; a negative argument or NaN.
pub fn chi_square_sf(x: f64, degrees_of_freedom: f64) -> Result<f64, DistributionError> {
    let distribution = ChiSquared::new(degrees_of_freedom)?;
    Ok(distribution.sf(super::not_negative(x)?))
}

/// Chi-squared quantile.
///
/// # Errors
/// A probability outside (0, 1) or degrees of freedom that are not positive.
pub fn chi_square_quantile(p: f64, degrees_of_freedom: f64) -> Result<f64, DistributionError> {
    ChiSquared::new(degrees_of_freedom)?.quantile(p)
}
