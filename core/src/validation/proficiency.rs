//! Scores of a proficiency test.

use crate::statistics::anova::OneWay;
use crate::statistics::model_error::ModelError;

/// Result of the laboratory.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Participant {
    /// Value.
    pub value: f64,
    /// Standard uncertainty, 0 or more.
    pub u: f64,
    /// Expanded uncertainty, 0 or more.
    pub expanded: f64,
}

/// Assigned value of the round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AssignedValue {
    /// Value.
    pub value: f64,
    /// Standard uncertainty, 0 or more.
    pub u: f64,
    /// Expanded uncertainty, 0 or more.
    pub expanded: f64,
    /// Standard deviation for proficiency assessment, greater than 0.
    pub sigma_pt: f64,
}

/// What a score says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signal {
    /// |score| at most 2 (for E_n at most 1).
    Satisfactory,
    /// |score| above 2 and at most 3.
    Warning,
    /// |score| above 3 (for E_n above 1).
    Action,
}

impl Signal {
    fn of_z(score: f64) -> Self {
        match score.abs() {
            size if size <= 2.0 => Self::Satisfactory,
            size if size <= 3.0 => Self::Warning,
            _ => Self::Action,
        }
    }
}

/// All scores of one result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scores {
    /// `(x - X)/σ`.
    pub z: f64,
    /// `(x - X)/√(σ² + u_X²)`.
    pub z_prime: f64,
    /// `(x - X)/√(u_x² + u_X²)`; `None` when both are zero.
    pub zeta: Option<f64>,
    /// `(x - X)/√(U_x² + U_X²)`; `None` when both are zero.
    pub e_n: Option<f64>,
    /// Whether u_X exceeds 0.3 σ, so that z′ is to be used instead of z.
    pub use_z_prime: bool,
    /// Signal of z, or of z′ where that is to be used.
    pub signal: Signal,
    /// Signal of zeta.
    pub zeta_signal: Option<Signal>,
    /// Signal of E_n.
    pub e_n_signal: Option<Signal>,
}

/// Scores of a result in a proficiency test.
///
/// # Formula
/// See [`Scores`].
///
/// # Source
/// ISO 13528 (from memory); zeta and E_n: NIST Dataplot reference pages (read).
///
/// # Errors
/// A sigma that is not positive; a negative uncertainty; a value that is not finite.
///
/// # Example
/// ```
/// use ferrotitre_core::validation::{AssignedValue, Participant, Signal, proficiency_scores};
/// let result = Participant { value: 35.12, u: 0.09, expanded: 0.18 };
/// let assigned = AssignedValue { value: 35.25, u: 0.04, expanded: 0.08, sigma_pt: 0.15 };
/// let scores = proficiency_scores(result, assigned)?;
/// assert!((scores.z + 0.8667).abs() < 5e-5);
/// assert_eq!(scores.signal, Signal::Satisfactory);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn proficiency_scores(result: Participant, assigned: AssignedValue) -> Result<Scores, ModelError> {
    let sigma = ModelError::positive("sigma_pt", assigned.sigma_pt)?;
    ModelError::finite("result", result.value)?;
    ModelError::finite("assigned value", assigned.value)?;
    for (name, value) in [
        ("u of the result", result.u),
        ("U of the result", result.expanded),
        ("u of the assigned value", assigned.u),
        ("U of the assigned value", assigned.expanded),
    ] {
        ModelError::not_negative(name, value)?;
    }
    let difference = result.value - assigned.value;
    let over = |a: f64, b: f64| {
        let scale = a.hypot(b);
        (scale > 0.0).then(|| difference / scale)
    };
    let (z, z_prime) = (difference / sigma, difference / sigma.hypot(assigned.u));
    let (zeta, e_n) = (over(result.u, assigned.u), over(result.expanded, assigned.expanded));
    let use_z_prime = assigned.u > 0.3 * sigma;
    let of_e_n = |score: f64| if score.abs() <= 1.0 { Signal::Satisfactory } else { Signal::Action };
    Ok(Scores {
        z,
        z_prime,
        zeta,
        e_n,
        use_z_prime,
        signal: Signal::of_z(if use_z_prime { z_prime } else { z }),
        zeta_signal: zeta.map(Signal::of_z),
        e_n_signal: e_n.map(of_e_n),
    })
}

/// Homogeneity of the test material.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Homogeneity {
    /// Between-sample standard deviation s_s.
    pub between_samples_sd: f64,
    /// `0.3 σ`.
    pub limit: f64,
    /// Whether s_s is at most the limit.
    pub homogeneous: bool,
}

/// Homogeneity criterion from a one-way analysis of variance of duplicate measurements of samples.
///
/// # Formula
/// `s_s <= 0.3 σ`
///
/// # Source
/// ISO 13528, annex B (from memory).
///
/// # Errors
/// A sigma that is not positive.
pub fn homogeneity(study: &OneWay, sigma_pt: f64) -> Result<Homogeneity, ModelError> {
    let limit = 0.3 * ModelError::positive("sigma_pt", sigma_pt)?;
    let between_samples_sd = study.between.sd;
    Ok(Homogeneity { between_samples_sd, limit, homogeneous: between_samples_sd <= limit })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::anova::one_way;

    #[test]
    fn scores_without_uncertainty_are_absent_and_bad_settings_refused() {
        let result = Participant { value: 1.0, u: 0.0, expanded: 0.0 };
        let assigned = AssignedValue { value: 0.0, u: 0.0, expanded: 0.0, sigma_pt: 0.25 };
        let scores = proficiency_scores(result, assigned).unwrap();
        assert_eq!((scores.zeta, scores.e_n, scores.signal), (None, None, Signal::Action));
        assert!(proficiency_scores(result, AssignedValue { sigma_pt: 0.0, ..assigned }).is_err());
        assert!(proficiency_scores(Participant { u: -0.1, ..result }, assigned).is_err());
    }

    #[test]
    fn an_uncertain_assigned_value_calls_for_z_prime() {
        let result = Participant { value: 2.2, u: 0.1, expanded: 0.2 };
        let scores =
            |u| proficiency_scores(result, AssignedValue { value: 0.0, u, expanded: 2.0 * u, sigma_pt: 1.0 }).unwrap();
        assert!(!scores(0.3).use_z_prime && scores(0.31).use_z_prime);
        assert_eq!((scores(0.3).signal, scores(0.6).signal), (Signal::Warning, Signal::Satisfactory));
    }

    #[test]
    fn homogeneity_compares_with_three_tenths_of_sigma() {
        // Means 1 and 3, no scatter within: s_s = √2.
        let study = one_way(&[[1.0, 1.0], [3.0, 3.0]], 0.95).unwrap();
        assert!(homogeneity(&study, 4.8).unwrap().homogeneous && !homogeneity(&study, 4.7).unwrap().homogeneous);
    }
}
