//! Summaries of one series or several, robust estimates.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::hypothesis;
use ferrotitre_core::statistics::robust::{self, StopRule};
use ferrotitre_core::statistics::summary::{self as core, QuantileMethod};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::summaries::{
    IntervalFigures, PooledSdFigures, RobustEstimateFigures, RobustScaleFigures, WeightedMeanFigures,
};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Show, ninety_five};
use ferrotitre_base::core_refusals::Of;

/// How a quantile is read between the values (numbers of Hyndman and Fan).
#[derive(Debug, Clone, Copy, Default, Deserialize, Serialize, ToSchema)]
pub enum QuantileName {
    /// Inverse of the empirical distribution.
    #[serde(rename = "type 1")]
    Type1,
    /// The same, averaged at steps.
    #[serde(rename = "type 2")]
    Type2,
    /// Nearest order statistic.
    #[serde(rename = "type 3")]
    Type3,
    /// Linear interpolation of the empirical distribution.
    #[serde(rename = "type 4")]
    Type4,
    /// Hydrologists' form.
    #[serde(rename = "type 5")]
    Type5,
    /// p(n + 1).
    #[serde(rename = "type 6")]
    Type6,
    /// p(n - 1), the usual default.
    #[default]
    #[serde(rename = "type 7")]
    Type7,
    /// Approximately median-unbiased.
    #[serde(rename = "type 8")]
    Type8,
    /// Approximately unbiased for the normal distribution.
    #[serde(rename = "type 9")]
    Type9,
}

impl From<QuantileName> for QuantileMethod {
    fn from(name: QuantileName) -> Self {
        match name {
            QuantileName::Type1 => Self::Type1,
            QuantileName::Type2 => Self::Type2,
            QuantileName::Type3 => Self::Type3,
            QuantileName::Type4 => Self::Type4,
            QuantileName::Type5 => Self::Type5,
            QuantileName::Type6 => Self::Type6,
            QuantileName::Type7 => Self::Type7,
            QuantileName::Type8 => Self::Type8,
            QuantileName::Type9 => Self::Type9,
        }
    }
}

fn quartiles() -> Vec<f64> {
    vec![0.25, 0.5, 0.75]
}

/// A series to summarise.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SummaryInput {
    /// Values.
    values: Vec<f64>,
    /// Confidence of the intervals.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
    /// Probabilities of the quantiles wanted.
    #[serde(default = "quartiles")]
    quantiles: Vec<f64>,
    /// How quantiles are read between the values.
    #[serde(default)]
    quantile_method: QuantileName,
}

/// A quantile.
#[derive(Debug, Serialize, ToSchema)]
pub struct QuantileFigures {
    /// Probability.
    p: f64,
    /// Value.
    value: f64,
}

/// Summary of a series; a figure that the series is too short or too even for is null.
#[derive(Debug, Serialize, ToSchema)]
pub struct SummaryFigures {
    /// Number of values.
    n: u64,
    /// Arithmetic mean.
    mean: f64,
    /// Sample standard deviation, divisor n - 1.
    sample_sd: Option<f64>,
    /// Sample variance, divisor n - 1.
    sample_variance: Option<f64>,
    /// Population standard deviation, divisor n.
    population_sd: f64,
    /// Sample standard deviation over the absolute mean; null for a mean of 0.
    relative_sd: Option<f64>,
    /// Standard error of the mean.
    standard_error: Option<f64>,
    /// Confidence interval of the mean, Student's t.
    mean_interval: Option<IntervalFigures>,
    /// Confidence interval of the standard deviation, chi-square.
    sd_interval: Option<IntervalFigures>,
    /// Smallest value.
    minimum: Option<f64>,
    /// Largest value.
    maximum: Option<f64>,
    /// Largest minus smallest.
    range: f64,
    /// Median.
    median: f64,
    /// Median absolute deviation from the median, not scaled.
    median_absolute_deviation: f64,
    /// Quantiles asked for.
    quantiles: Vec<QuantileFigures>,
    /// Skewness g1.
    population_skewness: Option<f64>,
    /// Skewness G1, corrected for the size of the sample.
    sample_skewness: Option<f64>,
    /// Excess kurtosis g2.
    population_excess_kurtosis: Option<f64>,
    /// Excess kurtosis G2, corrected for the size of the sample.
    sample_excess_kurtosis: Option<f64>,
    /// Autocorrelation at lag 1, in the order given.
    lag1_autocorrelation: Option<f64>,
}

impl Calculation for SummaryInput {
    const NAME: &'static str = "summary";
    const SUMMARY: &'static str =
        "mean, deviations, intervals, median, quantiles, shape and autocorrelation of a series";
    const METHOD: &'static str = "compensated moments in one pass; Student's t and chi-square intervals";
    const SOURCE: &'static str =
        "NIST StRD definitions; Joanes and Gill 1998 (shape); Hyndman and Fan 1996 (quantiles)";
    const EXAMPLE: &'static str = r#"{"values": [23.16, 23.18, 23.20, 23.14, 23.18]}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = SummaryFigures;

    fn calculate(self, _: Place) -> Result<Outcome<SummaryFigures>, Refusal> {
        let values = &self.values;
        let summary = core::Summary::of(values)?;
        let mean = summary.mean()?;
        // The confidence is checked also where the series is too short for an interval.
        if !(self.confidence > 0.0 && self.confidence < 1.0) {
            return Err(Refusal::invalid("confidence", "range", "must lie strictly between 0 and 1", self.confidence));
        }
        let method = self.quantile_method.into();
        let mut quantiles = Vec::new();
        for (at, p) in self.quantiles.iter().enumerate() {
            if !(0.0..=1.0).contains(p) {
                return Err(Refusal::invalid(&format!("quantiles[{at}]"), "range", "must be from 0 to 1", p));
            }
            quantiles.push(QuantileFigures { p: *p, value: core::quantile(values, *p, method)? });
        }
        Ok(Outcome::of(SummaryFigures {
            n: summary.n(),
            mean,
            sample_sd: summary.sample_sd().ok(),
            sample_variance: summary.sample_variance().ok(),
            population_sd: summary.population_sd()?,
            relative_sd: summary.relative_sd().ok().flatten(),
            standard_error: summary.standard_error().ok(),
            mean_interval: summary.mean_interval(self.confidence).ok().show(),
            sd_interval: summary.sd_interval(self.confidence).ok().show(),
            minimum: summary.min(),
            maximum: summary.max(),
            range: summary.range(),
            median: core::median(values)?,
            median_absolute_deviation: core::median_absolute_deviation(values)?,
            quantiles,
            population_skewness: summary.population_skewness().ok(),
            sample_skewness: summary.sample_skewness().ok(),
            population_excess_kurtosis: summary.population_excess_kurtosis().ok(),
            sample_excess_kurtosis: summary.sample_excess_kurtosis().ok(),
            lag1_autocorrelation: core::lag1_autocorrelation(values).ok(),
        }))
    }
}

/// Values with weights.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WeightedSummaryInput {
    /// Values.
    values: Vec<f64>,
    /// Weights, greater than 0; 1/u² for values with standard uncertainties u.
    weights: Vec<f64>,
}

impl Calculation for WeightedSummaryInput {
    const NAME: &'static str = "weighted-summary";
    const SUMMARY: &'static str = "weighted mean with its internal and external uncertainty";
    const METHOD: &'static str = "mean = sum w x / sum w; internal u from the weights, external u from the scatter";
    const SOURCE: &'static str = "Bevington and Robinson, Data Reduction and Error Analysis, 3rd ed., ch. 4";
    const EXAMPLE: &'static str = r#"{"values": [10.01, 10.04, 9.98], "weights": [2500, 1600, 900]}"#;
    const TABLE: Table = Table::Columns(&["values", "weights"]);
    type Result = WeightedMeanFigures;

    fn calculate(self, _: Place) -> Result<Outcome<WeightedMeanFigures>, Refusal> {
        Ok(Outcome::of(core::weighted_mean(&self.values, &self.weights)?.show()))
    }
}

/// A standard deviation with its degrees of freedom.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EstimateInput {
    /// Standard deviation.
    sd: f64,
    /// Degrees of freedom.
    degrees_of_freedom: f64,
}

/// Replicates in groups, or deviations already known; one of both.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PooledSdInput {
    /// Groups of replicates; groups of two are duplicates.
    groups: Option<Vec<Vec<f64>>>,
    /// Standard deviations with their degrees of freedom.
    estimates: Option<Vec<EstimateInput>>,
}

impl Calculation for PooledSdInput {
    const NAME: &'static str = "pooled-sd";
    const SUMMARY: &'static str = "one standard deviation from duplicates, replicate groups or several deviations";
    const METHOD: &'static str = "root of the sum of squares within groups over the sum of degrees of freedom";
    const SOURCE: &'static str = "ISO 5725-2, 7.4.5.1; Nordtest TR 569";
    const EXAMPLE: &'static str = r#"{"groups": [[23.16, 23.18], [21.50, 21.48], [37.50, 37.54, 37.52]]}"#;
    const TABLE: Table = Table::Rows("groups");
    type Result = PooledSdFigures;

    fn calculate(self, _: Place) -> Result<Outcome<PooledSdFigures>, Refusal> {
        let pooled = match (self.groups, self.estimates) {
            (Some(groups), None) => {
                let pairs: Option<Vec<[f64; 2]>> =
                    groups.iter().map(|group| <[f64; 2]>::try_from(group.as_slice()).ok()).collect();
                match pairs {
                    Some(pairs) => core::pooled_sd_of_duplicates(&pairs).of("groups")?,
                    None => core::pooled_sd(&groups).of("groups")?,
                }
            }
            (None, Some(estimates)) => {
                let estimates: Vec<(f64, f64)> = estimates.iter().map(|e| (e.sd, e.degrees_of_freedom)).collect();
                core::pooled_sd_of_estimates(&estimates).of("estimates")?
            }
            (groups, _) => {
                let given = if groups.is_some() { "both" } else { "neither" };
                return Err(Refusal::invalid("groups", "one_of", "give groups or estimates", given));
            }
        };
        Ok(Outcome::of(pooled.show()))
    }
}

/// A standard deviation and what it rests on.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SigmaIntervalInput {
    /// Standard deviation found, greater than 0.
    sd: f64,
    /// Its degrees of freedom.
    degrees_of_freedom: f64,
    /// Confidence.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
}

impl Calculation for SigmaIntervalInput {
    const NAME: &'static str = "sigma-interval";
    const SUMMARY: &'static str = "confidence interval of the true standard deviation";
    const METHOD: &'static str = "s sqrt(nu / chi-square quantiles)";
    const SOURCE: &'static str = "any textbook of statistics";
    const EXAMPLE: &'static str = r#"{"sd": 0.021, "degrees_of_freedom": 9}"#;
    type Result = IntervalFigures;

    fn calculate(self, _: Place) -> Result<Outcome<IntervalFigures>, Refusal> {
        Ok(Outcome::of(hypothesis::sd_interval(self.sd, self.degrees_of_freedom, self.confidence)?.show()))
    }
}

/// Which robust estimate.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum RobustName {
    /// Algorithm A.
    #[default]
    #[serde(rename = "algorithm A")]
    AlgorithmA,
    /// Huber's location, scale held at the scaled median absolute deviation.
    #[serde(rename = "Huber location")]
    HuberLocation,
    /// Huber's proposal 2.
    #[serde(rename = "Huber proposal 2")]
    HuberProposal2,
}

fn one_and_a_half() -> f64 {
    1.5
}

fn tight() -> f64 {
    1e-12
}

/// A series with wild values among them.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RobustMeanInput {
    /// Values.
    values: Vec<f64>,
    /// Estimate wanted.
    #[serde(default)]
    estimate: RobustName,
    /// Distance from the location, in scales, at which values are limited; algorithm A always takes 1.5.
    #[serde(default = "one_and_a_half")]
    #[schema(default = 1.5)]
    k: f64,
    /// Relative change at which iteration stops.
    #[serde(default = "tight")]
    #[schema(default = 1e-12)]
    tolerance: f64,
}

impl Calculation for RobustMeanInput {
    const NAME: &'static str = "robust-mean";
    const SUMMARY: &'static str = "robust location and scale: algorithm A, Huber's location, proposal 2";
    const METHOD: &'static str = "values are limited to location +- k scale until nothing moves";
    const SOURCE: &'static str = "ISO 13528:2005, annex C.1 (read); P. J. Huber, Robust Statistics, 1981";
    const EXAMPLE: &'static str = r#"{"values": [23.16, 23.18, 23.20, 23.14, 23.58]}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = RobustEstimateFigures;

    fn calculate(self, _: Place) -> Result<Outcome<RobustEstimateFigures>, Refusal> {
        let rule = StopRule::Relative { tolerance: self.tolerance };
        let estimate = match self.estimate {
            RobustName::AlgorithmA => robust::algorithm_a(&self.values, rule)?,
            RobustName::HuberLocation => robust::huber_location(&self.values, self.k, rule)?,
            RobustName::HuberProposal2 => robust::huber_proposal_2(&self.values, self.k, rule)?,
        };
        Ok(Outcome::of(estimate.show()))
    }
}

/// Standard deviations of groups of equal size, wild ones among them.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RobustSdInput {
    /// Standard deviations; for duplicates |x1 - x2|/sqrt 2.
    values: Vec<f64>,
    /// Degrees of freedom of each.
    degrees_of_freedom: f64,
    /// Relative change at which iteration stops.
    #[serde(default = "tight")]
    #[schema(default = 1e-12)]
    tolerance: f64,
}

impl Calculation for RobustSdInput {
    const NAME: &'static str = "robust-sd";
    const SUMMARY: &'static str = "robust pooled standard deviation, algorithm S";
    const METHOD: &'static str = "algorithm S with the factors in closed form";
    const SOURCE: &'static str = "ISO 13528:2005, annex C.2; ISO 5725-5, table 10";
    const EXAMPLE: &'static str = r#"{"values": [0.021, 0.018, 0.025, 0.020, 0.090], "degrees_of_freedom": 2}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = RobustScaleFigures;

    fn calculate(self, _: Place) -> Result<Outcome<RobustScaleFigures>, Refusal> {
        let rule = StopRule::Relative { tolerance: self.tolerance };
        Ok(Outcome::of(robust::algorithm_s(&self.values, self.degrees_of_freedom, rule)?.show()))
    }
}
