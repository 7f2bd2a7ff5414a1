//! Control charts: limits, run rules, their run lengths, and charts with a memory.
//!
//! | module | what belongs there |
//! |---|---|
//! | [`baseline`] | limits from a baseline as a graph that a reader can compute again |
//! | [`budget`] | a budget against what a control material showed |
//! | [`constants`] | d2, d3, c4 and the factors made of them, for any subgroup size |
//! | [`limits`] | limits from a baseline, a target or a reference value |
//! | [`rules`] | run rules as data, and sets of them |
//! | [`named_sets`] | published sets by name, with what they do while all is well |
//! | [`engine`] | the engine that reads points against rules |
//! | [`run_length`] | exact run lengths of a rule set, limits known or estimated |
//! | [`ewma`], [`cusum`] | charts that remember, and their run lengths |
//! | [`interval`] | how long a titrant may go without being standardised |
//! | [`drift`] | the factor of a titrant lot in time |
//! | [`process`] | long-term figures and the periodic review of a chart |
//!
//! Validity of control values, phases and their approval are records and do not belong here.

pub mod baseline;
pub mod budget;
pub mod constants;
pub mod cusum;
pub mod drift;
pub mod engine;
pub mod ewma;
pub mod interval;
pub mod limits;
mod linear;
pub mod named_sets;
pub mod process;
pub mod rules;
pub mod run_length;

pub use engine::{AfterSignal, Engine, EngineState, Marks, RuleMemory, judge};
pub use limits::{Centre, Limits};
pub use named_sets::NamedSet;
pub use rules::{Consequence, Pattern, Rule, RuleSet, Side};
pub use run_length::{Process, RunLength};

use crate::statistics::distribution::DistributionError;
use crate::statistics::summary::SummaryError;

/// Why a control calculation cannot be done.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ControlError {
    /// A number outside the range of its field.
    #[error("{field} must be {rule}, not {value}")]
    OutOfRange {
        /// Which number.
        field: &'static str,
        /// The rule broken.
        rule: &'static str,
        /// Offending number.
        value: f64,
    },
    /// Too little data.
    #[error("not enough data: {what} needs {needed}, there are {found}")]
    NotEnough {
        /// What is needed of which.
        what: &'static str,
        /// Number needed.
        needed: u64,
        /// Number there.
        found: u64,
    },
    /// All values equal: no spread to make limits from.
    #[error("the {what} is 0: the baseline has no spread")]
    NoSpread {
        /// Which measure of spread.
        what: &'static str,
    },
    /// The rules have more states than is worth computing.
    #[error("the rule set has more than {limit} states; its exact run length is not computed")]
    TooManyStates {
        /// Most states computed.
        limit: usize,
    },
    /// An iteration did not settle.
    #[error("the {what} did not converge in {steps} steps")]
    NotConverged {
        /// What was computed.
        what: &'static str,
        /// Steps made.
        steps: usize,
    },
    /// A run length beyond what can be computed.
    #[error("the run length is beyond {longest:e} points, or there is never a mark: it is not computed")]
    TooLong {
        /// Longest that is given.
        longest: f64,
    },
    /// The average run length does not exist.
    #[error("with {found} baseline points the average run length is infinite; more than {needed} points are needed")]
    InfiniteAverage {
        /// Baseline points that must be exceeded.
        needed: u64,
        /// Baseline points there.
        found: u64,
    },
    /// A distribution refused its arguments.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
    /// A summary refused its data.
    #[error(transparent)]
    Summary(#[from] SummaryError),
}

/// Checks a number.
pub(crate) fn require(field: &'static str, rule: &'static str, value: f64, ok: bool) -> Result<f64, ControlError> {
    if ok { Ok(value) } else { Err(ControlError::OutOfRange { field, rule, value }) }
}
