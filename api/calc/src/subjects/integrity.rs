//! Signs of readings that were not read: last digits, identical titres, too little scatter, pile-up under a limit.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::statistics::integrity::{self as core, ReadingStep};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::validation::{CountTestFigures, DigitTestFigures, DiscoveryFigures, SmallVarianceTestFigures};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Show, five_percent};
use ferrotitre_base::core_refusals::Of;

/// A sign is shown, never a verdict on a person.
fn sign<T>(outcome: Outcome<T>, rule: &str, p: f64) -> Outcome<T> {
    let finding = if p < 0.01 { "query" } else { "met" };
    outcome.says(rule, finding, format!("p = {p}; a sign to look into, no proof of anything"))
}

/// Step to which a burette is read.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
pub enum StepName {
    /// 0.01 mL.
    #[serde(rename = "0.01")]
    Hundredth,
    /// 0.02 mL.
    #[serde(rename = "0.02")]
    Fiftieth,
    /// 0.05 mL.
    #[serde(rename = "0.05")]
    Twentieth,
    /// 0.1 mL.
    #[serde(rename = "0.1")]
    Tenth,
}

/// Readings as they were read, or counts of their last digits.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TerminalDigitsInput {
    /// Readings as decimals, trailing zeros kept.
    readings: Option<Vec<Decimal>>,
    /// Step to which they were read.
    step: Option<StepName>,
    /// Counts of the possible last digits, in place of readings.
    counts: Option<Vec<u64>>,
}

impl Calculation for TerminalDigitsInput {
    const NAME: &'static str = "terminal-digits";
    const SUMMARY: &'static str = "whether last digits of readings are as frequent as each other";
    const METHOD: &'static str = "chi-square; exact multinomial probability up to 50 readings";
    const SOURCE: &'static str = "D. A. Preece 1981, The Statistician 30, 31 (abstract read)";
    const EXAMPLE: &'static str = r#"{"readings": ["23.10", "23.16", "21.50", "21.48", "23.10", "22.30", "21.90", "23.50",
        "22.10", "23.30"], "step": "0.02"}"#;
    const TABLE: Table = Table::TextColumns(&["readings"]);
    type Result = DigitTestFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("counts", self.counts.as_ref().map_or(0, Vec::len), 10)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<DigitTestFigures>, Refusal> {
        let counts = match (self.readings, self.step, self.counts) {
            (Some(readings), Some(step), None) => {
                let step = match step {
                    StepName::Hundredth => ReadingStep::Hundredth,
                    StepName::Fiftieth => ReadingStep::Fiftieth,
                    StepName::Twentieth => ReadingStep::Twentieth,
                    StepName::Tenth => ReadingStep::Tenth,
                };
                let decimals: Vec<_> = readings.iter().map(|reading| reading.reading().decimal().clone()).collect();
                core::count_last_digits(&decimals, step)?
            }
            (None, _, Some(counts)) => counts,
            _ => return Err(Refusal::invalid("readings", "one_of", "give readings and their step, or counts", "")),
        };
        if counts.len() > 100 || counts.iter().any(|count| *count > 1_000_000_000) {
            return Err(Refusal::invalid("counts", "size", "must be at most 100 counts of at most 1e9", counts.len()));
        }
        let test = core::terminal_digits(&counts).of("counts")?;
        let p = test.p_exact.unwrap_or(test.p_chi_square);
        Ok(sign(Outcome::of(test.show()), "last digits are evenly spread", p))
    }
}

/// Sets of titres and their true scatter.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct IdenticalTitresInput {
    /// Sets with identical titres.
    observed: u64,
    /// Sets in all.
    sets: u64,
    /// Titres in a set.
    n: u32,
    /// True standard deviation of a titre, mL.
    sd: f64,
    /// Reading step, mL.
    step: f64,
}

impl Calculation for IdenticalTitresInput {
    const NAME: &'static str = "identical-titres";
    const SUMMARY: &'static str = "whether too many sets have identical titres";
    const METHOD: &'static str = "probability of identical rounded titres by quadrature; binomial tail";
    const SOURCE: &'static str = "own derivation";
    const EXAMPLE: &'static str = r#"{"observed": 6, "sets": 40, "n": 3, "sd": 0.03, "step": 0.02}"#;
    type Result = CountTestFigures;

    fn calculate(self, _: Place) -> Result<Outcome<CountTestFigures>, Refusal> {
        let test = core::identical_sets(self.observed, self.sets, self.n, self.sd, self.step)?;
        Ok(sign(Outcome::of(test.show()), "identical titres no more often than by chance", test.p))
    }
}

/// A deviation found and the known one.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SmallVarianceInput {
    /// Standard deviation found.
    sd: f64,
    /// Its degrees of freedom.
    degrees_of_freedom: f64,
    /// Known standard deviation.
    sigma: f64,
}

impl Calculation for SmallVarianceInput {
    const NAME: &'static str = "variance-too-small";
    const SUMMARY: &'static str = "whether replicates scatter less than the method can";
    const METHOD: &'static str = "lower tail of nu s2/sigma2";
    const SOURCE: &'static str = "any textbook of statistics";
    const EXAMPLE: &'static str = r#"{"sd": 0.008, "degrees_of_freedom": 20, "sigma": 0.03}"#;
    type Result = SmallVarianceTestFigures;

    fn calculate(self, _: Place) -> Result<Outcome<SmallVarianceTestFigures>, Refusal> {
        let test = core::variance_too_small(self.sd, self.degrees_of_freedom, self.sigma)?;
        Ok(sign(Outcome::of(test.show()), "scatter no smaller than by chance", test.p))
    }
}

/// Ranges of sets that were accepted.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PileUpInput {
    /// Ranges of the sets.
    #[serde(deserialize_with = "crate::wire::numbers")]
    #[schema(value_type = crate::wire::Data)]
    ranges: Vec<f64>,
    /// Titres in a set.
    n: u32,
    /// Limit of acceptance.
    limit: f64,
    /// Width looked at on both sides of the limit.
    window: f64,
    /// True standard deviation of a titre.
    sd: f64,
}

impl Calculation for PileUpInput {
    const NAME: &'static str = "pile-up";
    const SUMMARY: &'static str = "whether ranges crowd just inside a limit";
    const METHOD: &'static str = "binomial tail of the share inside, from the distribution of the range";
    const SOURCE: &'static str = "own derivation";
    const EXAMPLE: &'static str = r#"{"ranges": [0.02, 0.04, 0.09, 0.10, 0.10, 0.09, 0.10, 0.06, 0.10, 0.09, 0.11], "n": 3,
        "limit": 0.10, "window": 0.02, "sd": 0.05}"#;
    const TABLE: Table = Table::Columns(&["ranges"]);
    type Result = CountTestFigures;

    fn calculate(self, _: Place) -> Result<Outcome<CountTestFigures>, Refusal> {
        let test = core::pile_up_inside_limit(&self.ranges, self.n, self.limit, self.window, self.sd)?;
        Ok(sign(Outcome::of(test.show()), "ranges do not crowd inside the limit", test.p))
    }
}

/// p-values of many diagnostics.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FalseDiscoveryInput {
    /// p-values.
    p_values: Vec<f64>,
    /// Largest share of false ones among those shown.
    #[serde(default = "five_percent")]
    #[schema(default = 0.05)]
    rate: f64,
}

/// Which are shown.
#[derive(Debug, Serialize, ToSchema)]
pub struct FalseDiscoveryFigures {
    /// In the order given.
    tests: Vec<DiscoveryFigures>,
    /// How many are shown.
    shown: usize,
}

impl Calculation for FalseDiscoveryInput {
    const NAME: &'static str = "false-discovery";
    const SUMMARY: &'static str = "which of many tests to show when few shown ones may be false";
    const METHOD: &'static str = "step-up procedure of Benjamini and Hochberg";
    const SOURCE: &'static str = "Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57, 289";
    const EXAMPLE: &'static str = r#"{"p_values": [0.001, 0.012, 0.03, 0.2, 0.6]}"#;
    const TABLE: Table = Table::Columns(&["p_values"]);
    type Result = FalseDiscoveryFigures;

    fn calculate(self, _: Place) -> Result<Outcome<FalseDiscoveryFigures>, Refusal> {
        let found =
            ferrotitre_core::statistics::discovery::benjamini_hochberg(&self.p_values, self.rate).of("p_values")?;
        let shown = found.iter().filter(|test| test.shown).count();
        Ok(Outcome::of(FalseDiscoveryFigures { tests: found.show(), shown }))
    }
}
