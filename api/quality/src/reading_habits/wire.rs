//! Reading habits on the wire.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// Whose habits, and when.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HabitsQuestion {
    /// Determinations recorded from here on; 90 days back if not given.
    pub from: Option<DateTime<Utc>>,
    /// Determinations recorded before; now if not given.
    pub until: Option<DateTime<Utc>>,
    /// One person; everybody if not given. An analyst sees nobody else.
    pub account: Option<Uuid>,
}

/// What the titrations of a time look like, by person.
#[derive(Debug, Serialize, ToSchema)]
pub struct HabitsView {
    /// First moment looked at.
    pub from: DateTime<Utc>,
    /// End of the time looked at.
    pub until: DateTime<Utc>,
    /// Determinations looked at, the newest first.
    #[schema(example = 120)]
    pub determinations: usize,
    /// Whether there were more in that time.
    pub cut_off: bool,
    /// Share of false alarms that is accepted among the signs shown (Benjamini and Hochberg).
    #[schema(example = 0.05)]
    pub false_discovery_rate: f64,
    /// In the order of their names.
    pub people: Vec<PersonView>,
}

/// A person's titrations.
#[derive(Debug, Serialize, ToSchema)]
pub struct PersonView {
    /// Account.
    pub account: Uuid,
    /// Printed name.
    #[schema(example = "Analyst 1")]
    pub name: String,
    /// What they came to.
    pub counts: Counts,
    /// Signs that were looked for.
    pub signs: Vec<SignView>,
}

/// What became of titrations.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
pub struct Counts {
    /// Titrations made.
    pub titrations: u64,
    /// Rough ones.
    pub rough: u64,
    /// Used for a result.
    pub used: u64,
    /// Accurate ones that the rule did not use.
    pub not_used: u64,
    /// Rejected with a cause.
    pub rejected: u64,
    /// Whose reduction failed.
    pub failed_reductions: u64,
    /// Corrected later.
    pub corrections: u64,
    /// Saved late.
    pub saved_late: u64,
    /// Accurate ones beyond the fewest that the method asks for.
    pub beyond_the_fewest: u64,
}

/// A sign, and how far it is from what chance alone does.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SignView {
    /// last digits, identical titres, or ranges just inside the limit.
    #[schema(example = "last digits")]
    pub what: &'static str,
    /// What it was looked for in.
    #[schema(example = "final readings to 0.02 mL")]
    pub basis: String,
    /// Readings, sets of titres, or ranges near the limit.
    #[schema(example = 54)]
    pub cases: u64,
    /// What was found, in words.
    #[schema(example = "0: 22, 2: 8, 4: 9, 6: 7, 8: 8")]
    pub observed: String,
    /// What chance alone would give.
    #[schema(example = "10.8 of each")]
    pub expected: String,
    /// Probability of this or more by chance alone; absent where there is too little to say.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p: Option<f64>,
    /// The same after all signs of the answer are taken together.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_adjusted: Option<f64>,
    /// Whether it is worth a talk.
    pub stands_out: bool,
    /// What is missing for a statement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub missing: Option<String>,
    /// How often each last digit was read.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub digits: Vec<DigitCount>,
}

/// How often a last digit was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
pub struct DigitCount {
    /// Last digit.
    #[schema(example = 2)]
    pub digit: u8,
    /// How often.
    #[schema(example = 14)]
    pub count: u64,
}
