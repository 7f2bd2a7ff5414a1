//! Statistics of replicates.

pub mod agreement;
pub mod distribution;
pub mod outliers;
pub mod quadrature;
pub mod summary;
