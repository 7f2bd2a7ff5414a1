//! Agreement of replicate results.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::agreement::{self as core, ConcordanceMode, FactorForm, FollowUp};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::agreement::{
    ChanceAgreementFigures, ConcordanceFigures, CriticalDifferenceFigures, CriticalRangeFactorFigures, FactorName,
    NextFigures, PrecisionLimitFigures,
};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Show, ninety_five};

/// Which titres the rule looks at.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum ModeName {
    /// All accurate titres.
    #[default]
    #[serde(rename = "all")]
    All,
    /// The latest ones.
    #[serde(rename = "consecutive")]
    Consecutive,
}

fn positive(field: &str, value: f64) -> Result<f64, Refusal> {
    if value > 0.0 && value.is_finite() {
        return Ok(value);
    }
    Err(Refusal::invalid(field, "range", "must be greater than 0", value))
}

fn two() -> usize {
    2
}

/// Accurate titres of one determination, in order.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ConcordanceInput {
    /// Titres, mL.
    #[serde(deserialize_with = "crate::wire::numbers")]
    #[schema(value_type = crate::wire::Data)]
    values: Vec<f64>,
    /// Largest range of concordant titres, mL.
    limit: f64,
    /// Fewest titres.
    #[serde(default = "two")]
    #[schema(default = 2)]
    minimum: usize,
    /// Which titres.
    #[serde(default)]
    mode: ModeName,
}

impl Calculation for ConcordanceInput {
    const NAME: &'static str = "concordance";
    const SUMMARY: &'static str = "whether titres lie within a limit, and how many more are needed";
    const METHOD: &'static str = "range of all titres, or of the latest ones, against the limit";
    const SOURCE: &'static str = "the method's own limit; ISO 5725-6:1994, 4.1.4, for one from the repeatability";
    const EXAMPLE: &'static str = r#"{"values": [23.16, 23.20, 23.18], "limit": 0.10, "minimum": 3}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = ConcordanceFigures;

    fn calculate(self, _: Place) -> Result<Outcome<ConcordanceFigures>, Refusal> {
        let limit = positive("limit", self.limit)?;
        if self.minimum < 2 {
            return Err(Refusal::invalid("minimum", "range", "must be at least 2", self.minimum));
        }
        let mode = match self.mode {
            ModeName::All => ConcordanceMode::AllAccurate,
            ModeName::Consecutive => ConcordanceMode::Consecutive,
        };
        let found = core::concordance(&self.values, limit, self.minimum, mode);
        let rule = format!("titres within {limit} mL");
        let outcome = Outcome::of(found.show());
        Ok(match found.range {
            Some(range) => outcome.judged(rule, found.agrees, format!("range {range} mL")),
            None => outcome.says(rule, "no decision", format!("{} more titres are needed", found.missing)),
        })
    }
}

/// Results and their repeatability.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CriticalRangeInput {
    /// Number of results, 2 or more; left out, the number of values.
    n: Option<u32>,
    /// Probability that the range stays within.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    p: f64,
    /// Repeatability standard deviation; left out, the factor alone.
    sigma_r: Option<f64>,
    /// Results whose range is judged.
    #[serde(default, deserialize_with = "crate::wire::maybe_numbers")]
    #[schema(value_type = Option<crate::wire::Data>)]
    values: Option<Vec<f64>>,
}

/// Critical range and factor.
#[derive(Debug, Serialize, ToSchema)]
pub struct CriticalRangeFigures {
    /// Factor between the repeatability standard deviation and the critical range.
    factor: CriticalRangeFactorFigures,
    /// Critical range, with the exact factor.
    critical_range: Option<f64>,
    /// The same with the factor as printed.
    critical_range_rounded: Option<f64>,
    /// Range of the results.
    range: Option<f64>,
}

impl Calculation for CriticalRangeInput {
    const NAME: &'static str = "critical-range";
    const SUMMARY: &'static str = "critical range of n results and whether a range stays within";
    const METHOD: &'static str = "quantile of the range of n normal values times the repeatability deviation";
    const SOURCE: &'static str = "ISO 5725-6, 5.2; quantile computed";
    const EXAMPLE: &'static str = r#"{"values": [23.16, 23.20, 23.18], "sigma_r": 0.02}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = CriticalRangeFigures;

    fn calculate(self, _: Place) -> Result<Outcome<CriticalRangeFigures>, Refusal> {
        let n = match (self.n, &self.values) {
            (Some(n), None) => n,
            (None, Some(values)) => u32::try_from(values.len()).unwrap_or(u32::MAX),
            (Some(n), Some(values)) if usize::try_from(n).is_ok_and(|n| n == values.len()) => n,
            (Some(n), Some(_)) => return Err(Refusal::invalid("n", "length", "differs from the number of values", n)),
            (None, None) => return Err(Refusal::invalid("n", "required", "give n or values", "")),
        };
        if !(2..=1000).contains(&n) {
            return Err(Refusal::invalid("n", "range", "must be from 2 to 1000", n));
        }
        let sigma = self.sigma_r.map(|sigma| positive("sigma_r", sigma)).transpose()?;
        let factor = core::critical_range_factors(n, self.p)?;
        let critical = sigma.map(|sigma| sigma * factor.exact);
        let range = self.values.map(|values| {
            let (low, high) =
                values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(*x), high.max(*x)));
            high - low
        });
        let outcome = Outcome::of(CriticalRangeFigures {
            factor: factor.show(),
            critical_range: critical,
            critical_range_rounded: sigma.zip(factor.rounded).map(|(sigma, rounded)| sigma * rounded),
            range,
        });
        Ok(match range.zip(critical) {
            Some((range, critical)) => outcome.judged(
                "range within the critical range",
                range <= critical,
                format!("{range} against {critical}"),
            ),
            None => outcome,
        })
    }
}

/// Precision of a method.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PrecisionLimitsInput {
    /// Repeatability standard deviation.
    repeatability_sd: f64,
    /// Reproducibility (or intermediate) standard deviation; left out, the repeatability limits alone.
    reproducibility_sd: Option<f64>,
    /// Number of results in the mean compared with a reference value.
    n: Option<u32>,
    /// Sizes of two means compared with each other.
    means: Option<[u32; 2]>,
    /// Factor that the critical differences take.
    #[serde(default = "exact")]
    factor: FactorName,
}

fn exact() -> FactorName {
    FactorName::Exact
}

/// Limits of difference at 95 %.
#[derive(Debug, Serialize, ToSchema)]
pub struct PrecisionLimitsFigures {
    /// Repeatability limit r.
    repeatability_limit: PrecisionLimitFigures,
    /// Reproducibility limit R.
    reproducibility_limit: Option<PrecisionLimitFigures>,
    /// Critical difference of a mean from a reference value.
    from_reference: Option<CriticalDifferenceFigures>,
    /// Critical difference of two means in one laboratory.
    of_means: Option<CriticalDifferenceFigures>,
}

impl Calculation for PrecisionLimitsInput {
    const NAME: &'static str = "precision-limits";
    const SUMMARY: &'static str = "repeatability and reproducibility limits, critical differences";
    const METHOD: &'static str = "1.96 sqrt 2 s, and 2.8 s as printed";
    const SOURCE: &'static str = "ISO 5725-6, 4.1 and 4.2";
    const EXAMPLE: &'static str = r#"{"repeatability_sd": 0.05, "reproducibility_sd": 0.12, "n": 2, "means": [2, 3]}"#;
    type Result = PrecisionLimitsFigures;

    fn calculate(self, _: Place) -> Result<Outcome<PrecisionLimitsFigures>, Refusal> {
        let form = FactorForm::from(self.factor);
        let from_reference = match (self.reproducibility_sd, self.n) {
            (Some(sd), Some(n)) => Some(core::critical_difference_from_reference(self.repeatability_sd, sd, n, form)?),
            (None, Some(n)) => {
                return Err(Refusal::invalid(
                    "reproducibility_sd",
                    "required",
                    "a difference from a reference needs it",
                    n,
                ));
            }
            _ => None,
        };
        let of_means = match self.means {
            Some([n1, n2]) => Some(core::critical_difference_of_means(self.repeatability_sd, n1, n2, form)?),
            None => None,
        };
        Ok(Outcome::of(PrecisionLimitsFigures {
            repeatability_limit: core::precision_limit(self.repeatability_sd)?.show(),
            reproducibility_limit: self.reproducibility_sd.map(core::precision_limit).transpose()?.show(),
            from_reference: from_reference.show(),
            of_means: of_means.show(),
        }))
    }
}

/// Whether further measurements are cheap.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum FollowUpName {
    /// Two more at once.
    #[default]
    #[serde(rename = "cheap")]
    Cheap,
    /// One more at a time.
    #[serde(rename = "expensive")]
    Expensive,
}

/// Results so far.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FollowUpInput {
    /// Results in order.
    #[serde(deserialize_with = "crate::wire::numbers")]
    #[schema(value_type = crate::wire::Data)]
    values: Vec<f64>,
    /// Repeatability standard deviation.
    sigma_r: f64,
    /// Whether further measurements are cheap.
    #[serde(default)]
    measurements: FollowUpName,
    /// No further results can be had: what is the final result then?
    #[serde(default)]
    no_more: bool,
}

impl Calculation for FollowUpInput {
    const NAME: &'static str = "follow-up";
    const SUMMARY: &'static str = "what to do after two results: done, measure again, mean or median";
    const METHOD: &'static str = "the standard's flow with exact critical range factors";
    const SOURCE: &'static str = "ISO 5725-6, 5.2.2, exact factors in place of the rounded ones";
    const EXAMPLE: &'static str = r#"{"values": [52.30, 52.52], "sigma_r": 0.05}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = NextFigures;

    fn calculate(self, _: Place) -> Result<Outcome<NextFigures>, Refusal> {
        let kind = match self.measurements {
            FollowUpName::Cheap => FollowUp::Cheap,
            FollowUpName::Expensive => FollowUp::Expensive,
        };
        let next = if self.no_more {
            core::end_without_more(&self.values, self.sigma_r, kind)?
        } else {
            core::follow_up(&self.values, self.sigma_r, kind)?
        };
        let outcome = if next.more > 0 { "query" } else { "met" };
        Ok(Outcome::of(next.show()).says("follow-up of disagreeing results", outcome, next.step.clone()))
    }
}

/// A concordance rule and the true scatter.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ChanceAgreementInput {
    /// Titres made.
    n: u32,
    /// Titres picked as concordant.
    chosen: u32,
    /// Largest range that counts as concordant.
    limit: f64,
    /// True standard deviation of a titre.
    sd: f64,
}

impl Calculation for ChanceAgreementInput {
    const NAME: &'static str = "chance-agreement";
    const SUMMARY: &'static str = "probability that a concordance rule passes by picking from scattered titres";
    const METHOD: &'static str =
        "distribution of the smallest range of any choice among n normal values, by quadrature";
    const SOURCE: &'static str = "H. A. David, Order Statistics, 2.2";
    const EXAMPLE: &'static str = r#"{"n": 5, "chosen": 2, "limit": 0.1, "sd": 0.1}"#;
    type Result = ChanceAgreementFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("n", usize::try_from(self.n).unwrap_or(usize::MAX), 20)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<ChanceAgreementFigures>, Refusal> {
        Ok(Outcome::of(core::chance_agreement(self.n, self.chosen, self.limit, self.sd)?.show()))
    }
}
