//! Agreement of replicates: critical ranges, concordance and the follow-up when results disagree.

mod concordance;
mod critical_range;
mod follow_up;

pub use concordance::{Concordance, ConcordanceMode, concordance};
pub use critical_range::{critical_range_factor, range_cdf, rounded_factor};
pub use follow_up::{FinalResult, FollowUp, Next, follow_up};
