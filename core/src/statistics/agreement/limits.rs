//! Repeatability and reproducibility limits, and critical differences made from them.
use crate::statistics::distribution::{DistributionError, normal_quantile};

/// Factor between a standard deviation and the limit for the difference of two results.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FactorForm {
    /// 2.8, as the standard prints it.
    Rounded,
    /// 1.959964 √2 = 2.771808.
    Exact,
}

impl FactorForm {
    /// The factor for 95 %.
    ///
    /// # Errors
    /// None in practice: the quantile asked for exists.
    pub fn factor(self) -> Result<f64, DistributionError> {
        match self {
            Self::Rounded => Ok(2.8),
            Self::Exact => Ok(normal_quantile(0.975)? * std::f64::consts::SQRT_2),
        }
    }
}

/// A repeatability limit r or a reproducibility limit R.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PrecisionLimit {
    /// Standard deviation it is made from.
    pub sd: f64,
    /// 2.8 s, as the standard prints it.
    pub rounded: f64,
    /// 1.96 √2 s with the full quantile.
    pub exact: f64,
}

fn deviation(name: &'static str, value: f64) -> Result<f64, DistributionError> {
    if value > 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(DistributionError::Parameter { name, rule: "positive and finite", value })
    }
}

fn count(name: &'static str, n: u32) -> Result<f64, DistributionError> {
    if n >= 1 { Ok(f64::from(n)) } else { Err(DistributionError::Parameter { name, rule: "1 or more", value: 0.0 }) }
}

/// Limit for the absolute difference of two single results, exceeded with probability 5 %.
///
/// # Source
/// ISO 5725-6, 4.1 (from memory): r = 2.8 s_r, R = 2.8 s_R.
///
/// # Errors
/// A standard deviation that is not positive.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::agreement::precision_limit;
/// let r = precision_limit(0.03)?;
/// assert!((r.rounded - 0.084).abs() < 1e-12 && (r.exact - 0.0831542).abs() < 5e-8);
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
pub fn precision_limit(sd: f64) -> Result<PrecisionLimit, DistributionError> {
    let sd = deviation("standard deviation", sd)?;
    Ok(PrecisionLimit { sd, rounded: FactorForm::Rounded.factor()? * sd, exact: FactorForm::Exact.factor()? * sd })
}

/// A critical difference at 95 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CriticalDifference {
    /// The difference exceeded with probability 5 %.
    pub value: f64,
    /// Which factor it was made with.
    pub form: FactorForm,
}

/// Critical difference between the mean of `n` results of one laboratory and a reference value.
///
/// # Formula
/// `(1/√2) √((f s_R)² − (f s_r)² (1 − 1/n))`, f = 2.8 or 1.96 √2
///
/// # Source
/// ISO 5725-6, 4.2.3 (from memory).
///
/// # Errors
/// Standard deviations that are not positive, s_R below s_r, no results.
pub fn critical_difference_from_reference(
    s_repeatability: f64,
    s_reproducibility: f64,
    n: u32,
    form: FactorForm,
) -> Result<CriticalDifference, DistributionError> {
    let (name, rule) = ("reproducibility standard deviation", "at least the repeatability standard deviation");
    let small = deviation("repeatability standard deviation", s_repeatability)?;
    let large = deviation(name, s_reproducibility)?;
    if large < small {
        return Err(DistributionError::Parameter { name, rule, value: large });
    }
    let n = count("number of results", n)?;
    let square = large * large - small * small * (1.0 - 1.0 / n);
    Ok(CriticalDifference { value: form.factor()? * (0.5 * square).sqrt(), form })
}

/// Critical difference between two means of `n1` and `n2` results under repeatability conditions.
///
/// # Formula
/// `f s_r √(1/2n₁ + 1/2n₂)`
///
/// # Source
/// ISO 5725-6, 4.2.1 (from memory).
///
/// # Errors
/// A standard deviation that is not positive, no results.
pub fn critical_difference_of_means(
    s_repeatability: f64,
    n1: u32,
    n2: u32,
    form: FactorForm,
) -> Result<CriticalDifference, DistributionError> {
    let s = deviation("repeatability standard deviation", s_repeatability)?;
    let (n1, n2) = (count("number of results", n1)?, count("number of results", n2)?);
    Ok(CriticalDifference { value: form.factor()? * s * (0.5 / n1 + 0.5 / n2).sqrt(), form })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn critical_differences_meet_their_limiting_cases() {
        // By hand: n = 1 gives 2.8 s_R/√2; many results leave only the part between laboratories.
        let of = |n| critical_difference_from_reference(0.03, 0.05, n, FactorForm::Rounded).unwrap().value;
        assert!((of(1) - 2.8 * 0.05 / std::f64::consts::SQRT_2).abs() < 1e-15);
        assert!((of(1_000_000_000) - 2.8 * 0.04 / std::f64::consts::SQRT_2).abs() < 1e-9);
        // Two single results: the repeatability limit itself.
        let two = critical_difference_of_means(0.03, 1, 1, FactorForm::Exact).unwrap();
        assert!((two.value - precision_limit(0.03).unwrap().exact).abs() < 1e-15);
        assert!(critical_difference_from_reference(0.05, 0.03, 2, FactorForm::Exact).is_err());
        assert!(critical_difference_of_means(0.03, 0, 1, FactorForm::Exact).is_err());
        assert!(precision_limit(-1.0).is_err());
    }
}
