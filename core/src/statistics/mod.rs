//! Statistics of replicates, series and studies.

pub mod agreement;
pub mod anova;
pub mod comparison;
pub mod distribution;
pub mod hypothesis;
pub mod integrity;
pub mod normality;
pub mod outliers;
pub mod power;
pub mod regression;
pub mod robust;
pub mod ruggedness;
pub mod summary;
pub mod tolerance;
pub mod trend;
