//! Records that use every operation, and readers of what is printed.

pub mod printed;
pub mod records;
