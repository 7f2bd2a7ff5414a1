//! Values that carry their uncertainty sources: what two results share is shared exactly, and the budget falls out.

mod coverage;
mod value;

pub use coverage::{Coverage, CoverageRule, expand};
pub use value::{
    Contribution, DegreesOfFreedom, Distribution, Input, InputError, Inputs, Scalar, Sourced, half_width_rectangular,
    half_width_triangular,
};
