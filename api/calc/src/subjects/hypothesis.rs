//! Tests of means and variances, equivalence, intervals for single values, normality.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::hypothesis::{self as core, Series};
use ferrotitre_core::statistics::normality;
use ferrotitre_core::statistics::tolerance::{self, Promise, SampleInformation, Side};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::hypothesis::{
    AndersonDarlingFigures, EquivalenceFigures, MeanTestFigures, ShapiroWilkFigures, ToleranceIntervalFigures,
    VarianceTestFigures,
};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Data, Show, five_percent, ninety_five};
use ferrotitre_base::core_refusals::Of;

/// Mean and deviation of a series, where only these are known.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SeriesInput {
    /// Number of values, at least 2.
    n: usize,
    /// Mean.
    mean: f64,
    /// Sample standard deviation.
    sample_sd: f64,
}

impl From<SeriesInput> for Series {
    fn from(input: SeriesInput) -> Self {
        Self { n: input.n, mean: input.mean, sample_sd: input.sample_sd }
    }
}

/// How two series are compared.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, ToSchema)]
pub enum DesignName {
    /// Variances may differ.
    #[default]
    #[serde(rename = "Welch")]
    Welch,
    /// Variances are taken as equal.
    #[serde(rename = "pooled")]
    Pooled,
    /// Values belong together in pairs.
    #[serde(rename = "paired")]
    Paired,
}

/// One series and a stated value, or two series; as values or as summaries.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TTestInput {
    /// Values of the (first) series.
    first: Option<Data>,
    /// Values of the second series; left out, the first is compared with the hypothesised value.
    second: Option<Data>,
    /// Summary of the first series, in place of values.
    first_summary: Option<SeriesInput>,
    /// Summary of the second series.
    second_summary: Option<SeriesInput>,
    /// How two series are compared.
    #[serde(default)]
    design: DesignName,
    /// Mean, or difference first minus second, that is tested.
    #[serde(default)]
    #[schema(default = 0.0)]
    hypothesised: f64,
    /// Confidence of the interval; the verdict's level is 1 - confidence.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
}

impl Calculation for TTestInput {
    const NAME: &'static str = "t-test";
    const SUMMARY: &'static str = "one mean against a value, two means (Welch or pooled), paired differences";
    const METHOD: &'static str = "Student's t; Welch's degrees of freedom for unequal variances";
    const SOURCE: &'static str = "Student 1908; Welch 1947; Satterthwaite 1946";
    const EXAMPLE: &'static str = r#"{"first": [23.16, 23.18, 23.20], "second": [23.22, 23.26, 23.22, 23.24]}"#;
    const TABLE: Table = Table::Columns(&["first", "second"]);
    type Result = MeanTestFigures;

    fn calculate(self, _: Place) -> Result<Outcome<MeanTestFigures>, Refusal> {
        let (value, confidence) = (self.hypothesised, self.confidence);
        let test =
            match (&self.first, &self.second, self.first_summary, self.second_summary) {
                (Some(first), None, None, None) => core::one_sample_t(first, value, confidence).of("first")?,
                (Some(first), Some(second), None, None) => match self.design {
                    DesignName::Welch => core::welch_t(first, second, value, confidence)?,
                    DesignName::Pooled => core::pooled_t(first, second, value, confidence)?,
                    DesignName::Paired => core::paired_t(first, second, value, confidence).of("first")?,
                },
                (None, None, Some(first), Some(second)) => match self.design {
                    DesignName::Welch => core::welch_t_from_summaries(first.into(), second.into(), value, confidence)
                        .of("first_summary")?,
                    DesignName::Pooled => core::pooled_t_from_summaries(first.into(), second.into(), value, confidence)
                        .of("first_summary")?,
                    DesignName::Paired => {
                        return Err(Refusal::invalid(
                            "design",
                            "pairs",
                            "pairs need their values, not summaries",
                            "paired",
                        ));
                    }
                },
                _ => {
                    let message = "give first, first and second, or first_summary and second_summary";
                    return Err(Refusal::invalid("first", "required", message, ""));
                }
            };
        let level = 1.0 - confidence;
        let p = test.p.two_sided;
        let rule = format!("no difference from {value}, two-sided, level {level:.4}");
        Ok(Outcome::of(test.show()).judged(rule, p > level, format!("t = {}, p = {p}", test.t)))
    }
}

/// Two series whose variances are compared.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FTestInput {
    /// Values of the first series.
    first: Data,
    /// Values of the second series.
    second: Data,
    /// Ratio of the variances, first over second, that is tested.
    #[serde(default = "unit")]
    #[schema(default = 1.0)]
    hypothesised: f64,
    /// Confidence of the interval; the verdict's level is 1 - confidence.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
}

fn unit() -> f64 {
    1.0
}

impl Calculation for FTestInput {
    const NAME: &'static str = "f-test";
    const SUMMARY: &'static str = "ratio of two variances";
    const METHOD: &'static str = "ratio of the sample variances against F";
    const SOURCE: &'static str = "any textbook of statistics; NIST/SEMATECH e-Handbook 1.3.5.9";
    const EXAMPLE: &'static str = r#"{"first": [23.16, 23.18, 23.30], "second": [23.22, 23.24, 23.22, 23.24]}"#;
    const TABLE: Table = Table::Columns(&["first", "second"]);
    type Result = VarianceTestFigures;

    fn calculate(self, _: Place) -> Result<Outcome<VarianceTestFigures>, Refusal> {
        let test = core::variance_ratio_f(&self.first, &self.second, self.hypothesised, self.confidence)?;
        let level = 1.0 - self.confidence;
        let p = test.p.two_sided;
        let rule = format!("ratio of variances {}, two-sided, level {level:.4}", self.hypothesised);
        Ok(Outcome::of(test.show()).judged(rule, p > level, format!("F = {}, p = {p}", test.statistic)))
    }
}

/// A series and a stated standard deviation.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VarianceTestInput {
    /// Values.
    values: Data,
    /// Standard deviation that is tested.
    hypothesised: f64,
    /// Confidence of the interval; the verdict's level is 1 - confidence.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
}

impl Calculation for VarianceTestInput {
    const NAME: &'static str = "variance-test";
    const SUMMARY: &'static str = "one variance against a stated one, chi-square";
    const METHOD: &'static str = "(n - 1) s2 / sigma2 against chi-square";
    const SOURCE: &'static str = "any textbook of statistics; NIST/SEMATECH e-Handbook 1.3.5.8";
    const EXAMPLE: &'static str = r#"{"values": [23.16, 23.18, 23.20, 23.14, 23.18], "hypothesised": 0.03}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = VarianceTestFigures;

    fn calculate(self, _: Place) -> Result<Outcome<VarianceTestFigures>, Refusal> {
        let test = core::variance_chi_square(&self.values, self.hypothesised, self.confidence)?;
        let level = 1.0 - self.confidence;
        let p = test.p.two_sided;
        let rule = format!("standard deviation {}, two-sided, level {level:.4}", self.hypothesised);
        Ok(Outcome::of(test.show()).judged(rule, p > level, format!("chi-square = {}, p = {p}", test.statistic)))
    }
}

/// One or two series that are to agree within margins.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EquivalenceInput {
    /// Values of the (first) series.
    first: Data,
    /// Values of the second series; left out, the mean of the first is judged.
    second: Option<Data>,
    /// How two series are compared.
    #[serde(default)]
    design: DesignName,
    /// Lower margin of the mean or of the difference first minus second.
    lower_margin: f64,
    /// Upper margin.
    upper_margin: f64,
    /// Level of each one-sided test.
    #[serde(default = "five_percent")]
    #[schema(default = 0.05)]
    alpha: f64,
}

impl Calculation for EquivalenceInput {
    const NAME: &'static str = "equivalence";
    const SUMMARY: &'static str = "whether a mean or a difference of means lies within margins: two one-sided tests";
    const METHOD: &'static str =
        "both one-sided t tests must reject; the 1 - 2 alpha interval lies between the margins";
    const SOURCE: &'static str = "Schuirmann 1987; Welch 1947";
    const EXAMPLE: &'static str = r#"{"first": [23.16, 23.18, 23.20, 23.18], "second": [23.18, 23.20, 23.16, 23.20],
        "lower_margin": -0.05, "upper_margin": 0.05}"#;
    const TABLE: Table = Table::Columns(&["first", "second"]);
    type Result = EquivalenceFigures;

    fn calculate(self, _: Place) -> Result<Outcome<EquivalenceFigures>, Refusal> {
        let margins = (self.lower_margin, self.upper_margin);
        let first = &self.first;
        let test = match (&self.second, self.design) {
            (None, _) => core::equivalent_mean(first, margins, self.alpha).of("first")?,
            (Some(second), DesignName::Paired) => {
                core::equivalent_paired(first, second, margins, self.alpha).of("first")?
            }
            (Some(second), design) => {
                core::equivalent_means(first, second, margins, self.alpha, design == DesignName::Pooled).of("first")?
            }
        };
        let rule = format!("within {} and {}, level {}", margins.0, margins.1, self.alpha);
        Ok(Outcome::of(test.show()).judged(rule, test.equivalent, format!("p = {}", test.p)))
    }
}

/// Which sides an interval has.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum SideName {
    /// Both.
    #[default]
    #[serde(rename = "both")]
    Both,
    /// A lower limit only.
    #[serde(rename = "lower")]
    Lower,
    /// An upper limit only.
    #[serde(rename = "upper")]
    Upper,
}

impl From<SideName> for Side {
    fn from(name: SideName) -> Self {
        match name {
            SideName::Both => Self::TwoSided,
            SideName::Lower => Self::Lower,
            SideName::Upper => Self::Upper,
        }
    }
}

/// A series, or its size, and what the interval is to promise.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ToleranceIntervalInput {
    /// Values; left out, factors alone.
    values: Option<Data>,
    /// Number of values, where only factors are wanted.
    n: Option<usize>,
    /// Share of the population that the interval covers.
    content: f64,
    /// Confidence that it does; left out, it covers the share on average.
    confidence: Option<f64>,
    /// Sides.
    #[serde(default)]
    side: SideName,
}

/// Factors and interval.
#[derive(Debug, Serialize, ToSchema)]
pub struct ToleranceFigures {
    /// Factor k of mean +- k s.
    factor: f64,
    /// Howe's approximation of the two-sided factor, as many tables have it.
    howe_factor: Option<f64>,
    /// The interval; null without values.
    interval: Option<ToleranceIntervalFigures>,
}

impl Calculation for ToleranceIntervalInput {
    const NAME: &'static str = "tolerance-interval";
    const SUMMARY: &'static str = "interval that covers a share of the population, with confidence or on average";
    const METHOD: &'static str = "two-sided factor by quadrature, one-sided by noncentral t, on average by Student's t";
    const SOURCE: &'static str = "ISO 16269-6; Odeh 1978; Howe 1969; Wilks 1941";
    const EXAMPLE: &'static str =
        r#"{"values": [23.16, 23.18, 23.20, 23.14, 23.18, 23.22], "content": 0.95, "confidence": 0.95}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = ToleranceFigures;

    fn calculate(self, _: Place) -> Result<Outcome<ToleranceFigures>, Refusal> {
        let promise = match self.confidence {
            Some(confidence) => Promise::Content { content: self.content, confidence },
            None => Promise::Expectation { content: self.content },
        };
        let side = self.side.into();
        let n = match (&self.values, self.n) {
            (Some(values), None) => values.len(),
            (None, Some(n)) => n,
            (values, _) => {
                let given = if values.is_some() { "both" } else { "neither" };
                return Err(Refusal::invalid("values", "one_of", "give values or n", given));
            }
        };
        let information = SampleInformation::of_series(n).of("values")?;
        let howe_factor = match (self.side, self.confidence) {
            (SideName::Both, Some(confidence)) => Some(information.howe_factor(self.content, confidence)?),
            _ => None,
        };
        let interval =
            self.values.as_ref().map(|values| tolerance::tolerance_interval(values, promise, side)).transpose()?;
        Ok(Outcome::of(ToleranceFigures {
            factor: information.factor(promise, side)?,
            howe_factor,
            interval: interval.show(),
        }))
    }
}

/// A series that might be normal.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NormalityInput {
    /// Values.
    values: Data,
    /// Level of the verdicts.
    #[serde(default = "five_percent")]
    #[schema(default = 0.05)]
    alpha: f64,
}

/// Both tests; one that the series is too short or too long for is null.
#[derive(Debug, Serialize, ToSchema)]
pub struct NormalityFigures {
    /// Shapiro and Wilk, 3 to 5000 values.
    shapiro_wilk: Option<ShapiroWilkFigures>,
    /// Anderson and Darling, 8 values or more.
    anderson_darling: Option<AndersonDarlingFigures>,
}

impl Calculation for NormalityInput {
    const NAME: &'static str = "normality";
    const SUMMARY: &'static str = "Shapiro-Wilk and Anderson-Darling tests of normality";
    const METHOD: &'static str = "algorithm AS R94; A2 with estimated mean and deviation";
    const SOURCE: &'static str = "Royston 1995, Applied Statistics 44, 547; Stephens 1986, table 4.9";
    const EXAMPLE: &'static str =
        r#"{"values": [23.16, 23.18, 23.20, 23.14, 23.19, 23.22, 23.17, 23.15, 23.21, 23.18]}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = NormalityFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("values", self.values.len(), 100_000)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<NormalityFigures>, Refusal> {
        if !(self.alpha > 0.0 && self.alpha < 1.0) {
            return Err(Refusal::invalid("alpha", "range", "must lie strictly between 0 and 1", self.alpha));
        }
        let wilk = normality::shapiro_wilk(&self.values);
        let darling = normality::anderson_darling(&self.values);
        let (wilk, darling) = match (wilk, darling) {
            (Err(error), Err(_)) => return Err(error.into()),
            (wilk, darling) => (wilk.ok(), darling.ok()),
        };
        let mut outcome = Outcome::of(NormalityFigures { shapiro_wilk: wilk.show(), anderson_darling: darling.show() });
        for (name, p) in [("Shapiro-Wilk", wilk.map(|t| t.p)), ("Anderson-Darling", darling.map(|t| t.p))] {
            if let Some(p) = p {
                outcome =
                    outcome.judged(format!("normal, {name}, level {}", self.alpha), p > self.alpha, format!("p = {p}"));
            }
        }
        Ok(outcome)
    }
}
