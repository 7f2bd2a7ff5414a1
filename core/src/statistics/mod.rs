//! Statistics of replicates.

pub mod agreement;
pub mod distribution;
pub mod integrity;
pub mod outliers;
pub mod quadrature;
pub mod robust;
pub mod summary;
