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
            let nu = match dof {
                DegreesOfFreedom::Finite(nu) => nu,
                DegreesOfFreedom::Infinite => f64::INFINITY,
            };
            student_t_quantile(0.5 + p / 2.0, nu)?
        }
    };
    Ok(Coverage { factor, expanded_uncertainty: factor * u, degrees_of_freedom: dof })
}
