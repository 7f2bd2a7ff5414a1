//! Statistics of replicates, series and studies.

pub mod agreement;
pub mod anova;
pub mod comparison;
pub mod discovery;
pub mod distribution;
pub(crate) mod double_double;
pub mod hypothesis;
pub mod integrity;
pub(crate) mod memory;
pub mod model_error;
pub mod noncentral_t;
pub mod normality;
pub mod outliers;
pub mod power;
pub mod quadrature;
pub mod regression;
pub mod robust;
pub mod ruggedness;
pub mod summary;
pub mod tolerance;
pub mod trend;

pub use double_double::{Entered, Observation};
