//! Analysis of variance with variance components.
//!
//! All sums are taken with 32 digits on the data as given, so an offset of 1e12 or a hundred thousand groups cost no
//! digit of the result. Decimals may be passed as written (see [`Observation`](crate::statistics::Observation)).

mod components;
mod nested;
mod one_way;

pub use components::{Component, VarianceSum};
pub use nested::{Nested, NestedLevel, nested};
pub use one_way::{OneWay, one_way};

use crate::statistics::distribution::FisherF;
use crate::statistics::model_error::ModelError;

/// A ratio of mean squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FRatio {
    /// Ratio.
    pub f: f64,
    /// Degrees of freedom of the numerator.
    pub numerator_df: f64,
    /// Degrees of freedom of the denominator.
    pub denominator_df: f64,
    /// Probability of a ratio at least as large when there is no effect.
    pub p: f64,
}

impl FRatio {
    /// Ratio of two mean squares; `None` when the denominator is zero, as no ratio then says anything.
    pub(crate) fn of(numerator: (f64, f64), denominator: (f64, f64)) -> Result<Option<Self>, ModelError> {
        let ((ms, numerator_df), (ms_error, denominator_df)) = (numerator, denominator);
        if ms_error <= 0.0 {
            return Ok(None);
        }
        let f = ms / ms_error;
        let p = FisherF::new(numerator_df, denominator_df)?.sf(f);
        Ok(Some(Self { f, numerator_df, denominator_df, p }))
    }
}
