//! Agreement of replicates: critical ranges, limits, concordance and the follow-up when results disagree.

mod chance;
mod concordance;
mod critical_range;
mod follow_up;
mod limits;
mod stopping;
mod studentised_range;

pub use chance::{ChanceAgreement, chance_agreement};
pub use concordance::{Concordance, ConcordanceMode, concordance};
pub use critical_range::{
    CriticalRangeFactor, critical_range_factor, critical_range_factors, range_cdf, rounded_factor,
};
pub use follow_up::{FinalResult, FollowUp, Next, end_without_more, follow_up};
pub use limits::{CriticalDifference, FactorForm, PrecisionLimit, critical_difference_from_reference};
pub use limits::{critical_difference_of_means, precision_limit};
pub use stopping::{MOST_TITRES, PairRule, Stopping, repeat_until_pair};
pub use studentised_range::StudentisedRange;
