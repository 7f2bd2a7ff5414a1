//! Characteristics of a method: what a validation study reports and judges.
//!
//! The statistics behind them (analysis of variance, regression, tests) live in [`statistics`](crate::statistics).

pub mod cells;
mod detection;
mod expression;
mod horwitz;
mod planning;
mod proficiency;
mod recovery;
mod statistic;
mod trueness;

pub use detection::{
    BlankScheme, DetectionFactors, DetectionLimits, detection_limits, detection_limits_from_blanks,
    detection_limits_from_line,
};
pub use expression::{Abscissa, Addition, NearZero, Pair, Places, Stated, StudyData, expression};
pub use horwitz::{HorRat, PredictedRsd, horrat, predicted_rsd_percent, thompson_sd};
pub use planning::{Expected, Judged, LARGEST_STUDY, Limits, chance_of_meeting, least_study};
pub use proficiency::{AssignedValue, Homogeneity, Participant, Scores, Signal, homogeneity, proficiency_scores};
pub use recovery::{Measured, Recovery, recovery_from_replicates, recovery_from_spike};
pub use statistic::{DataUnit, Statistic, StudyTerm};
pub use trueness::{Trueness, trueness};
