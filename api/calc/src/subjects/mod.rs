//! The subjects, by what they are about.

pub mod agreement;
pub mod bench;
pub mod conformity;
pub mod control;
pub mod decision;
pub mod distributions;
pub mod hypothesis;
pub mod integrity;
pub mod merkle;
mod model;
pub mod models;
pub mod outliers;
pub mod planning;
pub mod plans;
pub mod process;
pub mod regression;
pub mod rounding;
pub mod rules;
pub mod schedules;
pub mod substances;
pub mod summaries;
pub mod titrants;
pub mod titration;
pub mod trend;
pub mod uncertainty;
pub mod validation;
pub mod volumes;
