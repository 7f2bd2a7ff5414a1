//! Tables of charts, phases, values and plans of quality control.

pub(crate) mod charts;
pub(crate) mod phases;
pub(crate) mod plans;
pub(crate) mod values;
