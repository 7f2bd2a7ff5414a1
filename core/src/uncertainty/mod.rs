//! Values that carry their uncertainty sources: what two results share is shared exactly, and the budget falls out.
//!
//! An [`Input`] is one quantity with its standard uncertainty; [`Inputs`] is the list of them for one evaluation.
//! Arithmetic on [`Sourced`] values keeps the partial derivative to every input, so a difference of two results that
//! share a titrant, a pipette or a burette correction needs no special case.
//!
//! ```
//! use ferrotitre_core::uncertainty::{Input, Inputs};
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! // Iron(III) by difference: both titrations share the factor K.
//! let mut inputs = Inputs::new();
//! let k = inputs.add(Input::new("k", "factor", "g/L per mL", 5.5845, 0.0015 * 5.5845))?;
//! let total = &k * inputs.add(Input::new("v-total", "titre, total iron", "mL", 23.18, 0.02))?;
//! let ferrous = &k * inputs.add(Input::new("v-ferrous", "titre, iron(II)", "mL", 21.46, 0.02))?;
//! let ferric = &total - &ferrous;
//! assert!((inputs.standard_uncertainty(&ferric) - 0.1586).abs() < 0.00005);
//! assert!((inputs.correlation(&total, &ferrous).unwrap_or(0.0) - 0.7363).abs() < 0.00005);
//! # Ok(()) }
//! ```

pub mod conformity;
mod coverage;
pub mod decision_rule;
mod input;
mod inputs;
pub mod monte_carlo;
pub mod nordtest;
mod numerical;
pub mod plan;
mod value;

pub use coverage::{Coverage, CoverageRule, expand};
pub use input::{DegreesOfFreedom, Distribution, Input, InputError, half_width_rectangular, half_width_triangular};
pub use inputs::{Contribution, Inputs};
pub(crate) use inputs::{effective_degrees_of_freedom, same_quantity};
pub use numerical::{NumericalPropagation, propagate_numerically};
pub use value::{Scalar, Sourced};
