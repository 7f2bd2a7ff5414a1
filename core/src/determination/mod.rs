//! From the record of a determination to its evaluation.
//!
//! What belongs here: the facts of a determination as plain structs ([`record`]), and one pure function from facts to
//! answer. What does not: statistics, rounding and uncertainty arithmetic (their own modules), and anything that asks
//! who did it or when.

pub mod record;
