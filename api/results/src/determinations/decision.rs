//! Whether a result conforms to limits that somebody asks about. Nothing is stored.

use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_core::uncertainty::conformity::{GuardBand, Outcome, Specification};

use crate::determinations::evaluation::FigureView;

/// Limits and guard band that are asked about.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    pub lower: Option<f64>,
    pub upper: Option<f64>,
    pub guard: GuardBand,
}

/// What they say of a result.
#[derive(Debug, Clone, Copy)]
pub struct Decision {
    /// conforms, conditional or does not conform.
    pub outcome: &'static str,
    /// Probability that the true value conforms.
    pub conformance_probability: f64,
    /// Length of the guard band.
    pub guard: f64,
}

/// Judges a figure by limits.
///
/// # Errors
/// Limits the wrong way round, or a guard band that leaves nothing to accept.
pub fn decide(figure: &FigureView, u: f64, limits: Limits) -> Result<Decision, Refusal> {
    let refused = |error: ferrotitre_core::uncertainty::conformity::ConformityError| {
        Refusal::new(Code::Invalid, error.to_string()).because(error)
    };
    let specification = Specification::new(limits.lower, limits.upper).map_err(refused)?;
    let decision = specification.decide(figure.value, u, limits.guard).map_err(refused)?;
    Ok(Decision {
        outcome: match decision.outcome {
            Outcome::Conforms => "conforms",
            Outcome::Conditional => "conditional",
            Outcome::DoesNotConform => "does not conform",
        },
        conformance_probability: decision.conformance_probability,
        guard: limits.guard.length(u),
    })
}
