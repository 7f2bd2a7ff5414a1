//! The subjects, by what they are about.

pub mod agreement;
pub mod bench;
pub mod conformity;
pub mod control;
pub mod decision;
pub mod distributions;
pub mod hypothesis;
pub mod integrity;
mod model;
pub mod models;
pub mod outliers;
pub mod planning;
pub mod process;
pub mod regression;
pub mod rounding;
pub mod rules;
pub mod summaries;
pub mod titration;
pub mod trend;
pub mod uncertainty;
pub mod validation;
pub mod volumes;
