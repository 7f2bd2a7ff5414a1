//! Runs and determinations, what they come to, the charts that judge the runs, and what results mean: against limits, and for
//! the titrant they were made with.
#![recursion_limit = "256"]

pub mod budgets;
pub mod certificates;
pub mod conformity;
pub mod control_charts;
pub mod control_materials;
pub mod decisions;
pub mod determinations;
pub mod drift;
pub mod lookback;
pub mod runs;
