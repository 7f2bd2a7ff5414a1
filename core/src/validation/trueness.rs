//! Trueness against a reference value.

use crate::statistics::double_double::{Moments, Observation};
use crate::statistics::model_error::ModelError;

/// Bias against a reference value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trueness {
    /// Number of results.
    pub n: usize,
    /// Mean minus reference value.
    pub bias: f64,
    /// Bias over reference value; `None` for a reference value of zero.
    pub relative_bias: Option<f64>,
    /// `√(s²/n + u_ref²)`.
    pub u: f64,
    /// `2u`, the largest |bias| that passes.
    pub limit: f64,
    /// Whether |bias| exceeds the limit.
    pub significant: bool,
}

/// Bias of replicate results against a certified value.
///
/// # Formula
/// `d = x̄ - x_ref`, significant when `|d| > 2 √(s²/n + u_ref²)`.
///
/// # Source
/// ERM application note 1 (Linsinger; from memory).
///
/// # Errors
/// Fewer than two results; a negative uncertainty of the reference; no uncertainty at all; a value that is not finite.
///
/// # Example
/// ```
/// use ferrotitre_core::validation::trueness;
/// let study = trueness(&[65.12, 65.08, 65.15, 65.10, 65.06, 65.11], 65.10, 0.03)?;
/// assert!(!study.significant);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn trueness<T: Observation>(results: &[T], reference: f64, u_reference: f64) -> Result<Trueness, ModelError> {
    ModelError::finite("reference value", reference)?;
    ModelError::not_negative("u of the reference value", u_reference)?;
    let moments = Moments::new("results", 2, results)?;
    let u = (moments.sd() / moments.n.sqrt()).hypot(u_reference);
    if u <= 0.0 {
        return Err(ModelError::NoSpread {
            what: "the results",
            needed: "a bias is judged against an uncertainty: state u of the reference value",
        });
    }
    let bias = (moments.mean - reference.into()).value();
    Ok(Trueness {
        n: results.len(),
        bias,
        relative_bias: (reference != 0.0).then(|| bias / reference),
        u,
        limit: 2.0 * u,
        significant: bias.abs() > 2.0 * u,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_uncertainty_of_the_reference_counts() {
        // x̄ = 10.1, s/√n = 0.1/√3 = 0.0577; u_ref 0: limit 0.1155; u_ref 0.1: limit 0.2309.
        let results = [10.1, 10.2, 10.0];
        assert!(!trueness(&results, 10.0, 0.0).unwrap().significant);
        assert!(trueness(&results, 9.9, 0.0).unwrap().significant);
        assert!(!trueness(&results, 9.9, 0.1).unwrap().significant);
        assert!(matches!(trueness(&[1.0, 1.0], 1.0, 0.0), Err(ModelError::NoSpread { .. })));
    }
}
