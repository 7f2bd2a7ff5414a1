//! Power and sample size.
