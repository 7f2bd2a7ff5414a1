//! Analyses of variance, ruggedness.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::anova;
use ferrotitre_core::statistics::ruggedness::{self, KnownPrecision};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::models::{NestedFigures, OneWayFigures, RuggednessFigures};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Data, Show, five_percent, ninety_five};
use ferrotitre_base::core_refusals::Of;

/// A study planned: runs and replicates whose mean is reported.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlanInput {
    /// Runs.
    runs: usize,
    /// Replicates per run.
    replicates: usize,
}

/// Values in groups, such as runs, days or laboratories.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AnovaInput {
    /// Groups of values; their sizes may differ.
    groups: Vec<Data>,
    /// Confidence of the intervals; the verdict's level is 1 - confidence.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
    /// Formats of reporting whose variance is wanted.
    #[serde(default)]
    plans: Vec<PlanInput>,
}

/// Variance of the mean of a reporting format.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanFigures {
    /// Runs.
    runs: usize,
    /// Replicates per run.
    replicates: usize,
    /// Variance of the mean.
    variance_of_mean: f64,
}

/// Analysis of variance and reporting formats.
#[derive(Debug, Serialize, ToSchema)]
pub struct AnovaFigures {
    /// Table and variance components.
    analysis: OneWayFigures,
    /// Reporting formats asked for.
    plans: Vec<PlanFigures>,
}

impl Calculation for AnovaInput {
    const NAME: &'static str = "anova";
    const SUMMARY: &'static str = "one-way analysis of variance with variance components, equal or unequal groups";
    const METHOD: &'static str = "sums of squares in double-double arithmetic; Satterthwaite's degrees of freedom";
    const SOURCE: &'static str = "ISO 5725-2; Satterthwaite 1946; Williams 1962";
    const EXAMPLE: &'static str = r#"{"groups": [[22.4, 22.6, 22.5], [22.8, 22.7, 22.9], [22.5, 22.3, 22.4]], "plans": [{"runs": 2, "replicates": 3}]}"#;
    const TABLE: Table = Table::Groups("groups");
    type Result = AnovaFigures;

    fn calculate(self, _: Place) -> Result<Outcome<AnovaFigures>, Refusal> {
        let analysis = anova::one_way(&self.groups, self.confidence).of("groups")?;
        let mut plans = Vec::new();
        for plan in &self.plans {
            plans.push(PlanFigures {
                runs: plan.runs,
                replicates: plan.replicates,
                variance_of_mean: analysis.variance_of_mean(plan.runs, plan.replicates).of("plans")?,
            });
        }
        let level = 1.0 - self.confidence;
        let test = analysis.f_test;
        let outcome = Outcome::of(AnovaFigures { analysis: analysis.show(), plans });
        let rule = format!("equal group means, level {level:.4}");
        Ok(match test {
            Some(test) => outcome.judged(rule, test.p > level, format!("F = {}, p = {}", test.f, test.p)),
            None => outcome.says(rule, "no decision", "no spread within groups"),
        })
    }
}

/// Values in groups of groups, such as analysts within days.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NestedAnovaInput {
    /// Upper groups of lower groups of values; sizes may differ.
    groups: Vec<Vec<Data>>,
    /// Confidence of the intervals.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
}

impl Calculation for NestedAnovaInput {
    const NAME: &'static str = "nested-anova";
    const SUMMARY: &'static str = "two-level nested analysis of variance with three variance components";
    const METHOD: &'static str = "expected mean squares with Searle's coefficients; Satterthwaite's degrees of freedom";
    const SOURCE: &'static str = "Searle, Casella and McCulloch 1992, Variance Components";
    const EXAMPLE: &'static str = r#"{"groups": [[[52.30, 52.34], [52.38, 52.36]], [[52.41, 52.45], [52.39, 52.40]], [[52.28, 52.31], [52.35, 52.33]]]}"#;
    const TABLE: Table = Table::NestedGroups("groups");
    type Result = NestedFigures;

    fn calculate(self, _: Place) -> Result<Outcome<NestedFigures>, Refusal> {
        Ok(Outcome::of(anova::nested(&self.groups, self.confidence).of("groups")?.show()))
    }
}

/// A precision known beforehand.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct KnownPrecisionInput {
    /// Standard deviation of a result.
    sd: f64,
    /// Its degrees of freedom.
    degrees_of_freedom: f64,
    /// Level.
    #[serde(default = "five_percent")]
    #[schema(default = 0.05)]
    alpha: f64,
}

/// Eight results of the seven-factor design.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RuggednessInput {
    /// Results of the eight runs, in the order of the design (see `design` of the result).
    results: [f64; 8],
    /// Precision known beforehand; without it effects are shown but not judged.
    known_precision: Option<KnownPrecisionInput>,
}

/// Effects with the design they belong to.
#[derive(Debug, Serialize, ToSchema)]
pub struct RuggednessAnswer {
    /// Effects and their judgement.
    effects: RuggednessFigures,
    /// The design: eight runs, seven factors; true is the upper level.
    design: Vec<Vec<bool>>,
}

impl Calculation for RuggednessInput {
    const NAME: &'static str = "ruggedness";
    const SUMMARY: &'static str = "effects of seven factors from eight results";
    const METHOD: &'static str = "mean at the upper less mean at the lower level; sqrt(2 sum D2 / 7)";
    const SOURCE: &'static str = "Youden and Steiner 1975";
    const EXAMPLE: &'static str = r#"{"results": [52.31, 52.36, 52.30, 52.33, 52.35, 52.28, 52.34, 52.32],
        "known_precision": {"sd": 0.03, "degrees_of_freedom": 12}}"#;
    const TABLE: Table = Table::Columns(&["results"]);
    type Result = RuggednessAnswer;

    fn calculate(self, _: Place) -> Result<Outcome<RuggednessAnswer>, Refusal> {
        let known = self.known_precision.map(|known| KnownPrecision {
            sd: known.sd,
            degrees_of_freedom: known.degrees_of_freedom,
            alpha: known.alpha,
        });
        let found = ruggedness::youden_steiner(&self.results, known).of("results")?;
        let design = ruggedness::YOUDEN_STEINER.iter().map(|run| run.to_vec()).collect();
        let outcome = Outcome::of(RuggednessAnswer { effects: found.show(), design });
        Ok(match found.rugged {
            Some(rugged) => {
                let count = found.effects.iter().filter(|e| e.verdict.is_some_and(|v| v.significant)).count();
                outcome.judged("no effect is significant", rugged, format!("{count} of 7 effects are"))
            }
            None => outcome.says("no effect is significant", "no decision", "no precision is given to judge by"),
        })
    }
}
