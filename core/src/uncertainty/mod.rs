//! Values that carry their uncertainty sources.
//!
//! An [`Input`] is one quantity with its standard uncertainty; [`Inputs`] is the list of them for one evaluation.
//! Arithmetic on [`Sourced`] values keeps the partial derivative to every input, so whatever two results share (the
//! titrant, a pipette, a burette correction) is shared exactly, and a difference of two results needs no special case.
//!
//! | module | what belongs there |
//! |---|---|
//! | [`input`] | one input quantity: constructors from certificates, tolerances and repeated readings |
//! | [`value`] | [`Sourced`] arithmetic and the [`Scalar`] trait that lets one model serve every method |
//! | [`inputs`] | the list of inputs, correlations, propagation, budget |
//! | [`numerical`] | the same propagation by finite differences, as a cross-check |
//!
//! ```
//! use ferrotitre_core::uncertainty::{Input, Inputs};
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! // Iron(III) by difference: both titrations share the factor K (g/L per mL).
//! let mut inputs = Inputs::new();
//! let k = inputs.add(Input::normal("k", "factor", 5.5845, 0.0015 * 5.5845, "g/(L·mL)")?)?;
//! let total = inputs.add(Input::normal("v-total", "titre, total iron", 23.18, 0.02, "mL")?)?;
//! let ferrous = inputs.add(Input::normal("v-ferrous", "titre, iron(II)", 21.46, 0.02, "mL")?)?;
//! let total_iron = &k * &total;
//! let ferrous_iron = &k * &ferrous;
//! let ferric_iron = &total_iron - &ferrous_iron;
//! assert!((inputs.standard_uncertainty(&ferric_iron)? - 0.1586).abs() < 0.00005);
//! assert!((inputs.correlation(&total_iron, &ferrous_iron)? - 0.7363).abs() < 0.00005);
//! # Ok(()) }
//! ```

pub mod input;
pub mod inputs;
pub mod numerical;
pub mod value;

pub use input::{DegreesOfFreedom, Distribution, Input};
pub use inputs::{BudgetLine, Inputs};
pub use numerical::{NumericalPropagation, propagate_numerically};
pub use value::{Scalar, Sourced};

/// Why an uncertainty could not be evaluated.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum UncertaintyError {
    /// A number breaks the rule of its field.
    #[error("{id}: {field} {rule}, but is {value}")]
    InvalidInput {
        /// Id of the input.
        id: String,
        /// Name of the field.
        field: &'static str,
        /// What the field must satisfy.
        rule: &'static str,
        /// The offending value.
        value: f64,
    },
    /// An input id is empty.
    #[error("input id must not be empty (label {label:?})")]
    EmptyId {
        /// Label of the input.
        label: String,
    },
    /// Too few readings for a mean with a standard uncertainty.
    #[error("{id}: needs at least {needed} readings, has {found}")]
    NotEnoughReadings {
        /// Id of the input.
        id: String,
        /// Readings needed.
        needed: usize,
        /// Readings given.
        found: usize,
    },
    /// The same id was added before with other contents.
    #[error("input {id}: {field} was {before}, now {now}; one id is one quantity")]
    Conflict {
        /// Id of the input.
        id: String,
        /// Name of the field that differs.
        field: &'static str,
        /// Contents first added.
        before: String,
        /// Contents added now.
        now: String,
    },
    /// A result refers to an input that the list does not hold.
    #[error("input {id} is not in the list")]
    UnknownInput {
        /// Id, or `#` and the index.
        id: String,
    },
    /// A result is infinite or not a number, as after a division by zero.
    #[error("result {value} is not a finite number")]
    NotFinite {
        /// The result.
        value: f64,
    },
    /// Correlation coefficients contradict one another.
    #[error("correlations give the variance {variance}, which cannot be negative")]
    InconsistentCorrelations {
        /// The variance found.
        variance: f64,
    },
    /// Degrees of freedom of correlated inputs cannot be combined.
    #[error(
        "input {id} has finite degrees of freedom and a correlation; the Welch-Satterthwaite formula does not hold"
    )]
    CorrelatedDegreesOfFreedom {
        /// Id of the input.
        id: String,
    },
    /// A correlation coefficient has no meaning because one of the results has no uncertainty.
    #[error("a result without uncertainty has no correlation coefficient")]
    NoUncertainty,
}
