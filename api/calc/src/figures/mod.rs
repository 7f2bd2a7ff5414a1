//! What core computes, as it is shown: the same names, numbers in full.

pub mod agreement;
pub mod control;
pub mod hypothesis;
pub mod models;
pub mod outliers;
pub mod regression;
pub mod summaries;
pub mod uncertainty;
pub mod validation;
