//! What can be studied: performance characteristics, their designs, the labels of their data, the statistics they come to.

use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::validation::{DataUnit, Statistic};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A performance characteristic.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
pub enum Kind {
    /// Scatter under repeatability conditions.
    #[serde(rename = "repeatability")]
    Repeatability,
    /// Scatter between days, analysts, burettes, lots.
    #[serde(rename = "intermediate precision")]
    IntermediatePrecision,
    /// Bias against a certified reference material.
    #[serde(rename = "trueness")]
    Trueness,
    /// Recovery of additions.
    #[serde(rename = "recovery")]
    Recovery,
    /// Found against taken, with lack of fit.
    #[serde(rename = "linearity")]
    Linearity,
    /// Detection and quantification from blanks or low samples.
    #[serde(rename = "detection")]
    Detection,
    /// Detection and quantification of iron(III) by difference, against total iron.
    #[serde(rename = "detection by difference")]
    DetectionByDifference,
    /// Seven factors in eight runs.
    #[serde(rename = "ruggedness")]
    Ruggedness,
    /// Interferents, in pairs.
    #[serde(rename = "selectivity")]
    Selectivity,
    /// Change with time.
    #[serde(rename = "stability")]
    Stability,
    /// Against another method, in pairs.
    #[serde(rename = "method comparison")]
    MethodComparison,
    /// An analyst against the method.
    #[serde(rename = "competence")]
    Competence,
    /// Bottom-up against top-down.
    #[serde(rename = "uncertainty")]
    Uncertainty,
}

/// A label of a datum that places it in its design.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Label {
    Group,
    Taken,
    Added,
    Hours,
    Pair,
    Arm,
    Run,
}

impl Label {
    /// Name of the field and of the column.
    pub fn name(self) -> &'static str {
        match self {
            Self::Group => "group",
            Self::Taken => "taken",
            Self::Added => "added",
            Self::Hours => "hours",
            Self::Pair => "pair",
            Self::Arm => "arm",
            Self::Run => "run",
        }
    }
}

impl Kind {
    pub const ALL: [Self; 13] = [
        Self::Repeatability,
        Self::IntermediatePrecision,
        Self::Trueness,
        Self::Recovery,
        Self::Linearity,
        Self::Detection,
        Self::DetectionByDifference,
        Self::Ruggedness,
        Self::Selectivity,
        Self::Stability,
        Self::MethodComparison,
        Self::Competence,
        Self::Uncertainty,
    ];

    /// As stored and shown.
    pub fn text(self) -> &'static str {
        match self {
            Self::Repeatability => "repeatability",
            Self::IntermediatePrecision => "intermediate precision",
            Self::Trueness => "trueness",
            Self::Recovery => "recovery",
            Self::Linearity => "linearity",
            Self::Detection => "detection",
            Self::DetectionByDifference => "detection by difference",
            Self::Ruggedness => "ruggedness",
            Self::Selectivity => "selectivity",
            Self::Stability => "stability",
            Self::MethodComparison => "method comparison",
            Self::Competence => "competence",
            Self::Uncertainty => "uncertainty",
        }
    }

    /// The kind of that name.
    pub fn of(text: &str) -> Result<Self, Refusal> {
        let found = Self::ALL.into_iter().find(|kind| kind.text() == text);
        found.ok_or_else(|| Refusal::invalid("kind", "one_of", "is no characteristic known here", text))
    }

    /// Labels its data carry; those with `true` are needed.
    pub fn labels(self) -> &'static [(Label, bool)] {
        match self {
            Self::Repeatability | Self::Trueness | Self::Detection | Self::Competence => {
                const { &[(Label::Group, false)] }
            }
            Self::IntermediatePrecision => const { &[(Label::Group, true)] },
            Self::Recovery => const { &[(Label::Pair, true), (Label::Arm, true), (Label::Added, false)] },
            Self::Linearity | Self::DetectionByDifference => const { &[(Label::Taken, true)] },
            Self::Ruggedness => const { &[(Label::Run, true)] },
            Self::Selectivity => const { &[(Label::Group, true), (Label::Pair, true), (Label::Arm, true)] },
            Self::Stability => const { &[(Label::Hours, true), (Label::Group, false)] },
            Self::MethodComparison => const { &[(Label::Pair, true), (Label::Arm, true)] },
            Self::Uncertainty => const { &[(Label::Arm, true)] },
        }
    }

    /// What an arm can be.
    pub fn arms(self) -> &'static [&'static str] {
        match self {
            Self::Recovery => &["unspiked", "spiked"],
            Self::Selectivity => &["without", "with"],
            Self::MethodComparison => &["reference", "new"],
            Self::Uncertainty => &["bottom-up", "within-laboratory", "bias", "reference"],
            _ => &[],
        }
    }

    /// Statistics it comes to; limits are set on these.
    #[expect(clippy::too_many_lines, reason = "a table")]
    pub fn statistics(self) -> &'static [Statistic] {
        match self {
            Self::Repeatability => &[
                Statistic::Mean,
                Statistic::RepeatabilitySd,
                Statistic::RelativeRepeatability,
                Statistic::RepeatabilityLimit,
                Statistic::HorRat,
            ],
            Self::IntermediatePrecision => &[
                Statistic::Mean,
                Statistic::MeanSquareBetween,
                Statistic::MeanSquareWithin,
                Statistic::RepeatabilitySd,
                Statistic::BetweenGroupSd,
                Statistic::IntermediateSd,
                Statistic::IntermediateDegreesOfFreedom,
                Statistic::RelativeRepeatability,
                Statistic::RelativeIntermediate,
                Statistic::IntermediateOverRepeatability,
                Statistic::BetweenP,
            ],
            Self::Trueness => &[
                Statistic::Mean,
                Statistic::Bias,
                Statistic::RelativeBias,
                Statistic::BiasUncertainty,
                Statistic::BiasRatio,
            ],
            Self::Recovery => {
                &[Statistic::Recovery, Statistic::RecoveryUncertainty, Statistic::RecoveryT, Statistic::RecoveryAtLevel]
            }
            Self::Linearity => &[
                Statistic::Slope,
                Statistic::Intercept,
                Statistic::ResidualSd,
                Statistic::RSquared,
                Statistic::LargestResidual,
                Statistic::LackOfFitF,
                Statistic::LackOfFitP,
            ],
            Self::Detection => &[
                Statistic::SdNearZero,
                Statistic::AdjustedSdNearZero,
                Statistic::DetectionLimit,
                Statistic::QuantificationLimit,
            ],
            Self::DetectionByDifference => &[
                Statistic::SdNearZeroAt,
                Statistic::DetectionLimitAt,
                Statistic::QuantificationLimitAt,
                Statistic::RelativeQuantificationLimitAt,
                Statistic::UncertaintyAt,
                Statistic::ModelUncertaintyAt,
                Statistic::SdNearZeroSlope,
            ],
            Self::Ruggedness => &[
                Statistic::Effect,
                Statistic::RelativeEffect,
                Statistic::EffectRatio,
                Statistic::EffectsSd,
                Statistic::EffectsP,
            ],
            Self::Selectivity => &[Statistic::Difference, Statistic::RelativeDifference, Statistic::EquivalenceP],
            Self::Stability => {
                &[Statistic::ChangeRate, Statistic::Change, Statistic::RelativeChange, Statistic::ChangeP]
            }
            Self::MethodComparison => &[
                Statistic::DemingSlope,
                Statistic::DemingIntercept,
                Statistic::MeanDifference,
                Statistic::RelativeDifference,
                Statistic::LowerAgreement,
                Statistic::UpperAgreement,
                Statistic::EquivalenceP,
            ],
            Self::Competence => &[
                Statistic::Mean,
                Statistic::Bias,
                Statistic::RelativeBias,
                Statistic::BiasUncertainty,
                Statistic::BiasRatio,
                Statistic::SampleSd,
                Statistic::VarianceF,
                Statistic::VarianceP,
            ],
            Self::Uncertainty => &[
                Statistic::BottomUpUncertainty,
                Statistic::RootMeanSquareBias,
                Statistic::BiasComponent,
                Statistic::TopDownUncertainty,
                Statistic::ExpandedUncertainty,
                Statistic::BottomUpOverTopDown,
            ],
        }
    }
}

/// A factor of a ruggedness design.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Factor {
    /// What is varied.
    #[schema(example = "excess of tin(II) chloride")]
    pub name: String,
    /// Low level.
    #[schema(example = "1 drop")]
    pub low: String,
    /// High level.
    #[schema(example = "3 drops")]
    pub high: String,
}

/// Design of a study: sizes and settings, as data.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = StudyDesign)]
pub struct Design {
    /// How the data are made, in words: order, materials, people.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub words: Option<String>,
    /// Fewest groups (days, levels, interferents, pairs, storages), each with its replicates.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 6)]
    pub groups: Option<u32>,
    /// Fewest data of a group.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 3)]
    pub replicates: Option<u32>,
    /// Planned levels, in the unit or as labels.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub levels: Vec<String>,
    /// Ruggedness: the seven factors, in the order of the design.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub factors: Vec<Factor>,
    /// Trueness and competence: certified value, in the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference: Option<Decimal>,
    /// Its standard uncertainty.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference_u: Option<Decimal>,
    /// Ruggedness and competence: standard deviation of the method, in the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub known_sd: Option<Decimal>,
    /// Its degrees of freedom; taken as known without them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub known_sd_df: Option<Decimal>,
    /// Method comparison: error variance of the new method over that of the reference; 1 if not given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub variance_ratio: Option<Decimal>,
    /// Detection: replicates of a reported result; 1 if not given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub routine_replicates: Option<u32>,
    /// Detection: blanks whose mean is subtracted; none if not given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub routine_blanks: Option<u32>,
    /// Detection: k_Q; 10 if not given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub quantification_factor: Option<Decimal>,
    /// Detection by difference: titre aimed at, mL, for the model's curve.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub titre_ml: Option<Decimal>,
    /// Standard uncertainty of a titre, mL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub titre_u_ml: Option<Decimal>,
    /// Stability: holding time to be shown, hours.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub holding_hours: Option<Decimal>,
    /// Confidence of intervals; 0.95 if not given. Equivalence goes by 1 - 2 (1 - confidence).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confidence: Option<Decimal>,
    /// Rounding step of the data, for tests of outliers.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resolution: Option<Decimal>,
}

/// How far a content may be from a planned level to be taken for it, as a share of the level (common practice, no source).
const NEAR_A_LEVEL: f64 = 0.1;

impl Design {
    /// The planned level that a content is near to, as planned; none where no level is.
    pub fn level_near(&self, content: f64) -> Option<&str> {
        let levels = self.levels.iter().filter_map(|level| Some((level, level.parse::<Decimal>().ok()?.value())));
        let apart = levels.map(|(level, at)| (level, (content - at).abs(), NEAR_A_LEVEL * at.abs()));
        let nearest = apart.filter(|(_, apart, allowed)| apart <= allowed).min_by(|a, b| a.1.total_cmp(&b.1));
        nearest.map(|(level, ..)| level.as_str())
    }

    pub fn confidence(&self) -> f64 {
        self.confidence.as_ref().map_or(0.95, Decimal::value)
    }

    /// Confidence of the interval that stands for two one-sided tests.
    pub fn equivalence_confidence(&self) -> f64 {
        1.0 - 2.0 * (1.0 - self.confidence())
    }

    /// Settings a kind needs or cannot use.
    pub fn check(&self, kind: Kind, field: &str, errors: &mut FieldErrors) {
        let named = |name: &str| format!("{field}.{name}");
        let required = |errors: &mut FieldErrors, there: bool, name: &str, why: &str| {
            errors.require(there, &named(name), "required", why, "");
        };
        if matches!(kind, Kind::Trueness | Kind::Competence) {
            required(errors, self.reference.is_some(), "reference", "is needed: a bias is against a certified value");
            required(errors, self.reference_u.is_some(), "reference_u", "is needed: the certified value has one");
        }
        if matches!(kind, Kind::Ruggedness | Kind::Competence) {
            required(
                errors,
                self.known_sd.is_some(),
                "known_sd",
                "is needed: effects are judged against the method's s",
            );
        }
        if kind == Kind::Ruggedness {
            let seven = self.factors.len() == 7;
            errors.require(seven, &named("factors"), "seven", "the design takes seven factors", self.factors.len());
        } else {
            errors.require(self.factors.is_empty(), &named("factors"), "kind", "are of ruggedness", self.factors.len());
        }
        if kind == Kind::Stability {
            required(errors, self.holding_hours.is_some(), "holding_hours", "is needed: the time to be shown");
        }
        let positive = [
            ("known_sd", &self.known_sd),
            ("known_sd_df", &self.known_sd_df),
            ("variance_ratio", &self.variance_ratio),
            ("quantification_factor", &self.quantification_factor),
            ("titre_ml", &self.titre_ml),
            ("titre_u_ml", &self.titre_u_ml),
            ("holding_hours", &self.holding_hours),
            ("resolution", &self.resolution),
        ];
        for (name, value) in positive {
            if let Some(value) = value {
                errors.require(value.value() > 0.0, &named(name), "range", "must be above 0", value);
            }
        }
        if let Some(u) = &self.reference_u {
            errors.require(u.value() >= 0.0, &named("reference_u"), "range", "must not be negative", u);
        }
        if let Some(confidence) = &self.confidence {
            let usable = confidence.value() > 0.5 && confidence.value() < 1.0;
            errors.require(usable, &named("confidence"), "range", "must be above 0.5 and below 1", confidence);
        }
        for (name, count) in [("groups", self.groups), ("replicates", self.replicates)] {
            if let Some(count) = count {
                errors.require((1..=1000).contains(&count), &named(name), "range", "must be from 1 to 1000", count);
            }
        }
        if self.routine_replicates == Some(0) || self.routine_blanks == Some(0) {
            errors.add(&named("routine_blanks"), "range", "replicates and blanks are at least 1", 0);
        }
    }
}

/// A limit of acceptance, set before the data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// Name of the statistic.
    #[schema(example = "rsd_r")]
    pub statistic: String,
    /// What lies between the limits: value, interval (the whole confidence interval, which is equivalence), or covers (the
    /// confidence interval reaches the limits, such as 1 for a slope).
    #[schema(example = "value")]
    pub rule: Rule,
    /// Lower limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower: Option<Decimal>,
    /// Upper limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "0.3")]
    pub upper: Option<Decimal>,
    /// Unit of the limits: the statistic's.
    #[schema(example = "%")]
    pub unit: String,
}

/// What must lie between limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Rule {
    /// The value.
    Value,
    /// The whole confidence interval.
    Interval,
    /// Any part of the confidence interval.
    Covers,
}

impl Rule {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Value => "value within",
            Self::Interval => "whole interval within",
            Self::Covers => "interval covers",
        }
    }
}

/// Checks limits of a characteristic: statistics it has, units they have, not reversed.
pub fn check_limits(kind: Kind, unit: &str, limits: &[Limit], field: &str, errors: &mut FieldErrors) {
    errors.require(!limits.is_empty(), field, "required", "name at least one limit of acceptance", "");
    errors.require(limits.len() <= 20, field, "length", "at most 20 limits", limits.len());
    for (i, limit) in limits.iter().enumerate() {
        let at = |name: &str| format!("{field}[{i}].{name}");
        let known = kind.statistics().iter().find(|known| known.key() == limit.statistic);
        let Some(statistic) = known else {
            let names: Vec<&str> = kind.statistics().iter().map(|known| known.key()).collect();
            let message = format!("must be a statistic of {}: {}", kind.text(), names.join(", "));
            errors.add(&at("statistic"), "one_of", message, &limit.statistic);
            continue;
        };
        // An unknown unit of the data is refused by its own field.
        if let Some(right) = DataUnit::of(unit).map(|unit| statistic.unit(unit)) {
            let message = format!("must be the unit of {}, {right}", statistic.key());
            errors.require(limit.unit == right, &at("unit"), "unit", message, &limit.unit);
        }
        match (&limit.lower, &limit.upper) {
            (None, None) => errors.add(&at("upper"), "required", "give a lower limit, an upper one, or both", ""),
            (Some(lower), Some(upper)) => {
                let apart = lower.value() < upper.value() || limit.rule == Rule::Covers && lower == upper;
                let message = format!("must be above lower, {lower}: the limits are the wrong way round");
                errors.require(apart, &at("upper"), "order", message, upper);
            }
            _ => {}
        }
    }
}
