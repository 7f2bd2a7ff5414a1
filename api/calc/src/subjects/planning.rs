//! How many data a validation study needs.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::model_error::ModelError;
use ferrotitre_core::validation::{self as core, Expected, Judged, Limits};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::figures::hypothesis::SampleSizeFigures;
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::Show;
use ferrotitre_base::core_refusals::Of;

/// Sizes for which the chance is shown beside the one planned.
const SHOWN: [usize; 16] = [2, 3, 4, 5, 6, 7, 8, 10, 12, 15, 20, 25, 30, 40, 50, 100];

/// What a study estimates.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum EstimateName {
    /// A standard deviation from n values: s_r, RSD_r, r, s0, LOD, LOQ.
    #[default]
    #[serde(rename = "standard deviation")]
    StandardDeviation,
    /// Intermediate precision from n groups.
    #[serde(rename = "intermediate precision")]
    IntermediatePrecision,
    /// A bias, recovery or mean difference of pairs, from n values or pairs.
    #[serde(rename = "mean")]
    Mean,
}

/// What is expected of a method, the limits it is to meet, and how many data are planned.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StudySizeInput {
    /// What is estimated.
    #[serde(default)]
    estimate: EstimateName,
    /// Expected standard deviation of a value, of the difference of a pair, or within groups.
    sd: f64,
    /// Intermediate precision: expected standard deviation between groups.
    sd_between: Option<f64>,
    /// Intermediate precision: values in each group; 2 if not given.
    replicates: Option<usize>,
    /// Mean: expected true value of the bias, recovery or difference.
    #[serde(default)]
    #[schema(default = 0.0)]
    value: f64,
    /// Standard deviation: what it is multiplied by before it is judged, such as 2.8 for r, 100/mean for RSD, 3 for LOD.
    #[serde(default = "as_it_is")]
    #[schema(default = 1.0)]
    factor: f64,
    /// Lower limit of acceptance.
    lower: Option<f64>,
    /// Upper limit of acceptance.
    upper: Option<f64>,
    /// Confidence, where the whole interval must lie within the limits; left out, the value must. 0.90 is equivalence at 5 %.
    confidence: Option<f64>,
    /// Number of values, pairs or groups planned.
    n: Option<usize>,
    /// Chance wanted.
    #[serde(default = "wanted")]
    #[schema(default = 0.9)]
    wanted: f64,
}

fn as_it_is() -> f64 {
    1.0
}

fn wanted() -> f64 {
    0.9
}

/// A size and its chance.
#[derive(Debug, Serialize, ToSchema)]
pub struct ChanceFigures {
    /// Number of values, pairs or groups.
    n: usize,
    /// Chance that they meet the limits.
    chance: f64,
}

/// What can be expected of a study.
#[derive(Debug, Serialize, ToSchema)]
pub struct StudySizeFigures {
    /// Chance that the number planned meets the limits.
    chance: Option<f64>,
    /// Smallest number from which on the chance wanted is reached, with the chance it has.
    least: Option<SampleSizeFigures>,
    /// Why there is no such number.
    none_because: Option<String>,
    /// Chances of other sizes.
    sizes: Vec<ChanceFigures>,
}

impl StudySizeInput {
    fn expected(&self) -> Result<Expected, Refusal> {
        let (sd, factor) = (self.sd, self.factor);
        Ok(match self.estimate {
            EstimateName::StandardDeviation => Expected::StandardDeviation { sd, factor },
            EstimateName::Mean => Expected::Mean { value: self.value, sd },
            EstimateName::IntermediatePrecision => {
                let sd_between = self
                    .sd_between
                    .ok_or_else(|| Refusal::invalid("sd_between", "required", "is needed: groups differ, too", ""))?;
                let replicates = self.replicates.unwrap_or(2);
                Expected::IntermediatePrecision { sd_within: sd, sd_between, replicates, factor }
            }
        })
    }
}

impl Calculation for StudySizeInput {
    const NAME: &'static str = "study-size";
    const SUMMARY: &'static str = "chance that planned data meet limits of acceptance, and how many it takes";
    const METHOD: &'static str =
        "chi-square for standard deviations (Satterthwaite for groups), normal and noncentral t for means";
    const SOURCE: &'static str = "any textbook of statistics; Satterthwaite 1946; Schuirmann 1987";
    const EXAMPLE: &'static str = r#"{"sd": 0.03, "upper": 0.04, "n": 10, "wanted": 0.95}"#;
    type Result = StudySizeFigures;

    fn calculate(self, _: Place) -> Result<Outcome<StudySizeFigures>, Refusal> {
        let expected = self.expected()?;
        let judged = self.confidence.map_or(Judged::Value, |confidence| Judged::Interval { confidence });
        let limits = Limits { lower: self.lower, upper: self.upper, judged };
        let chance = |n| core::chance_of_meeting(expected, limits, n).of("n");
        let (least, none_because) = match core::least_study(expected, limits, self.wanted) {
            Ok(size) => (Some(size.show()), None),
            Err(error @ ModelError::NoSolution { .. }) if limits.lower.or(limits.upper).is_some() => {
                (None, Some(error.to_string()))
            }
            Err(error) => return Err(error).of("wanted"),
        };
        Ok(Outcome::of(StudySizeFigures {
            chance: self.n.map(chance).transpose()?,
            least,
            none_because,
            sizes: SHOWN
                .iter()
                .map(|&n| Ok(ChanceFigures { n, chance: chance(n)? }))
                .collect::<Result<_, Refusal>>()?,
        }))
    }
}
