//! From the record of a determination to its evaluation: one pure function from facts to answer.
//!
//! The API, the pages, the exports and the check all show what [`evaluate()`] gives; none computes anything of its own.

mod agreement;
mod amount;
mod blank;
mod canonical;
mod content;
mod evaluate;
mod evidence;
mod facts;
mod iron3;
mod joint;
mod judgements;
mod planning;
mod preparation;
mod readings;
mod slips;
mod standardisation;
mod titre;
mod verdict;

pub use agreement::Agreement;
pub use content::{Figure, Reported, Unit, stated};
pub use evaluate::{
    Brief, Detail, Evaluation, EvaluationError, Progress, ResultOutcome, brief, content_digest, evaluate,
};
pub use evidence::{Evidence, FEWEST_DEGREES, Seen, blanks_seen, duplicates_seen, factors_seen, titres_seen};
pub use facts::{
    Acceptance, BetweenRuns, Blank, BlankKind, Burette, Central, Density, DilutionStep, Excess, Factor, Following,
    LimitOfQuantification, Portion, PortionAmount, Record, Reporting, Rules, Segment, Standing, Titration,
    TitrationKind, Vessel,
};
pub use iron3::{Iron3, iron3};
pub use joint::{Combined, Joint, JointError, joint};
pub use planning::{
    Capacity, Change, Choices, Compared, Costs, Iron3At, MOST_COMBINATIONS, Place, Planned, Planner, PlanningError,
    Way, iron3_map,
};
pub use preparation::{Preparation, PreparedTitrant, Reference, prepare};
pub use readings::{ReadingsError, check_readings};
pub use slips::SlipQuery;
pub use standardisation::{
    AGREEMENT_PERCENT, Replicate, ReplicateResult, Standardisation, StandardisationResult, standardise,
};
pub use titre::{Fate, Titre};
pub use verdict::{Outcome, Verdict};

/// Version of the formulae; frozen with every signature, and changed whenever a figure could come out differently.
pub const FORMULA_SET: &str = "ferrotitre formulae 3";
