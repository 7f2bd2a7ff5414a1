//! Tables of charts, phases, values and plans of quality control.

pub mod charts;
pub mod phases;
pub mod plans;
pub mod values;
