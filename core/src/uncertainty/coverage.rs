//! Coverage factors and expanded uncertainties.

use crate::statistics::distribution::{DistributionError, student_t_quantile};
use crate::uncertainty::DegreesOfFreedom;

/// How the coverage factor is chosen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CoverageRule {
    /// A fixed factor, usually 2.
    Fixed(f64),
    /// From Student's t for a coverage probability, such as 0.95.
    Probability(f64),
}

/// An expanded uncertainty and how it came about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coverage {
    /// Coverage factor k.
    pub factor: f64,
    /// Expanded uncertainty U = k u.
    pub expanded_uncertainty: f64,
    /// Effective degrees of freedom.
    pub degrees_of_freedom: DegreesOfFreedom,
}

/// Expands a standard uncertainty.
///
/// # Source
/// JCGM 100:2008, 6.2 and G.4; degrees of freedom are not cut to an integer (from memory).
///
/// # Errors
/// A coverage probability outside (0, 1) or degrees of freedom that are not positive.
pub fn expand(u: f64, dof: DegreesOfFreedom, rule: CoverageRule) -> Result<Coverage, DistributionError> {
    let factor = match rule {
        CoverageRule::Fixed(factor) => factor,
        CoverageRule::Probability(p) => {
            // Half of it is added to one half below: a negative one would give a factor, and a negative uncertainty.
            if !(p > 0.0 && p < 1.0) {
                return Err(DistributionError::Probability { value: p });
            }
            let nu = match dof {
                DegreesOfFreedom::Finite(nu) => nu,
                DegreesOfFreedom::Infinite => f64::INFINITY,
            };
            student_t_quantile(0.5 + p / 2.0, nu)?
        }
    };
    Ok(Coverage { factor, expanded_uncertainty: factor * u, degrees_of_freedom: dof })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_probability_outside_0_to_1_has_no_factor() {
        let factor = |p| expand(1.0, DegreesOfFreedom::Finite(9.0), CoverageRule::Probability(p)).map(|c| c.factor);
        // Student's t, 9 degrees of freedom, two-sided 95 %: 2.262 (any table).
        assert!((factor(0.95).unwrap() - 2.262).abs() < 5e-4);
        for bad in [-0.5, 0.0, 1.0, 1.5, f64::NAN] {
            assert!(factor(bad).is_err(), "{bad}");
        }
    }
}
