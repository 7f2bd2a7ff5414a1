//! What was seen while iron(III) was reduced, and the judgement on it.

use crate::quantity::Reading;

/// A reduction as recorded: the procedure and what was observed at each of its checkpoints.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReductionRecord {
    /// Identifier.
    pub id: String,
    /// Code of the procedure, an entry of `PROCEDURES`.
    pub procedure: String,
    /// Observations; the order does not matter.
    pub observations: Vec<Observation>,
}

/// One observation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Observation {
    /// Code of the checkpoint.
    pub checkpoint: String,
    /// What was observed.
    pub value: Observed,
}

/// What was observed at a checkpoint.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Observed {
    /// The code of one of the checkpoint's outcomes.
    Outcome(String),
    /// A number in the checkpoint's unit.
    Number(Reading),
}
