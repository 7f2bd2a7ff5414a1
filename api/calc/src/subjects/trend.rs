//! Trends, power and sample size.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::power::{self, Alternative, Design, DifferenceQuestion, EquivalenceQuestion};
use ferrotitre_core::statistics::trend;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::hypothesis::{MannKendallFigures, SampleSizeFigures, TheilSenFigures};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Data, Show, five_percent, ninety_five};
use ferrotitre_base::core_refusals::Of;

/// A series in order of time.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MannKendallInput {
    /// Values in order.
    values: Data,
    /// Level of the verdict.
    #[serde(default = "five_percent")]
    #[schema(default = 0.05)]
    alpha: f64,
}

impl Calculation for MannKendallInput {
    const NAME: &'static str = "mann-kendall";
    const SUMMARY: &'static str = "rank test for a trend";
    const METHOD: &'static str = "S counted over all pairs; exact to n = 100 without ties, otherwise normal";
    const SOURCE: &'static str = "Mann 1945; Kendall, Rank Correlation Methods";
    const EXAMPLE: &'static str = r#"{"values": [1.0004, 1.0000, 0.9993, 0.9990, 0.9983, 0.9981, 0.9974]}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = MannKendallFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("values", self.values.len(), 10_000)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<MannKendallFigures>, Refusal> {
        let test = trend::mann_kendall(&self.values)?;
        let p = test.p.two_sided;
        let rule = format!("no trend, two-sided, level {}", self.alpha);
        Ok(Outcome::of(test.show()).judged(rule, p > self.alpha, format!("S = {}, p = {p}", test.s)))
    }
}

/// Points whose slope is wanted.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TheilSenInput {
    /// x, such as days.
    x: Data,
    /// y.
    y: Data,
    /// Confidence of the slope's interval.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
}

impl Calculation for TheilSenInput {
    const NAME: &'static str = "theil-sen";
    const SUMMARY: &'static str = "median of all slopes, with its interval";
    const METHOD: &'static str = "median of the slopes of all pairs; interval by ranks of Kendall's S";
    const SOURCE: &'static str = "Theil 1950; Sen 1968; Hollander and Wolfe, section 9.3";
    const EXAMPLE: &'static str =
        r#"{"x": [0, 7, 14, 21, 28, 35, 42], "y": [1.0004, 1.0000, 0.9993, 0.9990, 0.9983, 0.9981, 0.9974]}"#;
    const TABLE: Table = Table::Columns(&["x", "y"]);
    type Result = TheilSenFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("x", self.x.len(), 2_000)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<TheilSenFigures>, Refusal> {
        Ok(Outcome::of(trend::theil_sen(&self.x, &self.y, self.confidence).of("x")?.show()))
    }
}

/// Design of a t test.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum PowerDesignName {
    /// One series against a value.
    #[default]
    #[serde(rename = "one sample")]
    OneSample,
    /// Differences of pairs.
    #[serde(rename = "paired")]
    Paired,
    /// Two series.
    #[serde(rename = "two samples")]
    TwoSamples,
}

/// Direction of the difference sought.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum AlternativeName {
    /// Either.
    #[default]
    #[serde(rename = "two-sided")]
    TwoSided,
    /// Greater than 0.
    #[serde(rename = "greater")]
    Greater,
    /// Less than 0.
    #[serde(rename = "less")]
    Less,
}

/// What a t test, or two one-sided tests with margins, can show.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PowerInput {
    /// Design.
    #[serde(default)]
    design: PowerDesignName,
    /// Number of values (or pairs), of each series if there are two; left out, the number that reaches `power`.
    n: Option<usize>,
    /// Number of values of the second series, if it differs.
    n_second: Option<usize>,
    /// True difference.
    difference: f64,
    /// True standard deviation of a value, or of a difference of a pair.
    sd: f64,
    /// Level; of each one-sided test for equivalence.
    #[serde(default = "five_percent")]
    #[schema(default = 0.05)]
    alpha: f64,
    /// Direction; not for equivalence.
    #[serde(default)]
    alternative: AlternativeName,
    /// Lower margin: with it, the question is equivalence.
    lower_margin: Option<f64>,
    /// Upper margin.
    upper_margin: Option<f64>,
    /// Power wanted, where the number of values is asked for.
    power: Option<f64>,
}

/// Power, or number of values.
#[derive(Debug, Serialize, ToSchema)]
pub struct PowerFigures {
    /// Power with the numbers given.
    power: Option<f64>,
    /// Smallest number of values that reaches the power wanted, with the power it has.
    sample_size: Option<SampleSizeFigures>,
}

impl PowerInput {
    fn design(&self, n: usize) -> Result<Design, Refusal> {
        Ok(match self.design {
            PowerDesignName::OneSample => Design::OneSample { n },
            PowerDesignName::Paired => Design::Paired { n },
            PowerDesignName::TwoSamples => Design::TwoSample { n_first: n, n_second: self.n_second.unwrap_or(n) },
        })
    }
}

impl Calculation for PowerInput {
    const NAME: &'static str = "power";
    const SUMMARY: &'static str = "power of a t test or of two one-sided tests, and the number of values it takes";
    const METHOD: &'static str = "noncentral t; for equivalence a quadrature over the standard deviation";
    const SOURCE: &'static str = "any textbook of statistics; Phillips 1990";
    const EXAMPLE: &'static str = r#"{"design": "two samples", "difference": 0.05, "sd": 0.04, "power": 0.9}"#;
    type Result = PowerFigures;

    fn calculate(self, _: Place) -> Result<Outcome<PowerFigures>, Refusal> {
        let alternative = match self.alternative {
            AlternativeName::TwoSided => Alternative::TwoSided,
            AlternativeName::Greater => Alternative::Greater,
            AlternativeName::Less => Alternative::Less,
        };
        let (difference, sd, alpha) = (self.difference, self.sd, self.alpha);
        let margins = match (self.lower_margin, self.upper_margin) {
            (None, None) => None,
            (Some(low), Some(high)) => Some(EquivalenceQuestion { difference, sd, low, high, alpha }),
            (low, _) => {
                let field = if low.is_some() { "upper_margin" } else { "lower_margin" };
                return Err(Refusal::invalid(field, "required", "equivalence needs both margins", ""));
            }
        };
        let question = DifferenceQuestion { difference, sd, alpha, alternative };
        let (design, wanted) = match (self.n, self.power) {
            (Some(n), None) => (self.design(n)?, None),
            // The size of the design is what is sought; its value does not matter.
            (None, Some(power)) => (self.design(2)?, Some(power)),
            (n, _) => {
                let given = if n.is_some() { "both" } else { "neither" };
                return Err(Refusal::invalid(
                    "n",
                    "one_of",
                    "give n (then power is computed) or power (then n is)",
                    given,
                ));
            }
        };
        let figures = match (wanted, margins) {
            (None, None) => {
                PowerFigures { power: Some(power::difference_power(design, question).of("n")?), sample_size: None }
            }
            (None, Some(question)) => {
                PowerFigures { power: Some(power::equivalence_power(design, question).of("n")?), sample_size: None }
            }
            (Some(wanted), None) => {
                let size = power::difference_sample_size(design, question, wanted).of("power")?;
                PowerFigures { power: None, sample_size: Some(size.show()) }
            }
            (Some(wanted), Some(question)) => {
                let size = power::equivalence_sample_size(design, question, wanted).of("power")?;
                PowerFigures { power: None, sample_size: Some(size.show()) }
            }
        };
        Ok(Outcome::of(figures))
    }
}
