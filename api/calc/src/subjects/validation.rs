//! Validation: trueness, recovery, detection, precision against prediction, proficiency.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::anova;
use ferrotitre_core::statistics::regression::StraightLine;
use ferrotitre_core::validation::{
    self as core, AssignedValue, BlankScheme, DetectionFactors, Measured, Participant, PredictedRsd,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::figures::validation::{
    DetectionLimitsFigures, HomogeneityFigures, HorRatFigures, RecoveryFigures, ScoresFigures, TruenessFigures,
};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Data, Show, ninety_five, one};
use ferrotitre_base::core_refusals::Of;

/// Results for a reference material.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TruenessInput {
    /// Results.
    values: Data,
    /// Certified value.
    reference: f64,
    /// Its standard uncertainty.
    u_reference: f64,
}

impl Calculation for TruenessInput {
    const NAME: &'static str = "trueness";
    const SUMMARY: &'static str = "bias against a certified value";
    const METHOD: &'static str = "|bias| against 2 sqrt(s2/n + u_ref2)";
    const SOURCE: &'static str = "ERM application note 1 (Linsinger)";
    const EXAMPLE: &'static str =
        r#"{"values": [52.31, 52.36, 52.30, 52.33], "reference": 52.30, "u_reference": 0.02}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = TruenessFigures;

    fn calculate(self, _: Place) -> Result<Outcome<TruenessFigures>, Refusal> {
        let found = core::trueness(&self.values, self.reference, self.u_reference)?;
        let detail = format!("bias {}, limit {}", found.bias, found.limit);
        Ok(Outcome::of(found.show()).judged("no significant bias", !found.significant, detail))
    }
}

/// A value with its standard uncertainty.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MeasuredInput {
    /// Value.
    value: f64,
    /// Standard uncertainty.
    u: f64,
}

impl From<MeasuredInput> for Measured {
    fn from(input: MeasuredInput) -> Self {
        Self { value: input.value, u: input.u }
    }
}

/// A spiked sample, or recoveries already computed.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RecoveryInput {
    /// Result of the spiked sample.
    spiked: Option<MeasuredInput>,
    /// Result of the sample as it was.
    native: Option<MeasuredInput>,
    /// Amount added.
    added: Option<MeasuredInput>,
    /// Recoveries, 1 for complete.
    values: Option<Data>,
    /// Confidence.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    confidence: f64,
}

impl Calculation for RecoveryInput {
    const NAME: &'static str = "recovery";
    const SUMMARY: &'static str = "recovery of an addition and whether it differs from 1";
    const METHOD: &'static str = "(spiked - native)/added with propagated u, or mean of replicates";
    const SOURCE: &'static str = "Barwick and Ellison 1999, Analyst 124, 981; GUM 5.1";
    const EXAMPLE: &'static str = r#"{"spiked": {"value": 19.52, "u": 0.12}, "native": {"value": 9.61, "u": 0.10},
        "added": {"value": 10.0, "u": 0.02}}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = RecoveryFigures;

    fn calculate(self, _: Place) -> Result<Outcome<RecoveryFigures>, Refusal> {
        let found = match (self.spiked, self.native, self.added, self.values) {
            (Some(spiked), Some(native), Some(added), None) => {
                core::recovery_from_spike(spiked.into(), native.into(), added.into(), self.confidence)?
            }
            (None, None, None, Some(values)) => core::recovery_from_replicates(&values, self.confidence)?,
            _ => {
                let message = "give spiked, native and added, or values";
                return Err(Refusal::invalid("spiked", "one_of", message, ""));
            }
        };
        let interval = found.interval;
        let detail = format!("{} to {}", interval.low, interval.high);
        Ok(Outcome::of(found.show()).judged("recovery 1", !found.differs_from_one, detail))
    }
}

/// Blanks, a deviation near zero, or a calibration line.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DetectionLimitsInput {
    /// Results of blanks or low samples.
    values: Option<Data>,
    /// Standard deviation near zero, already known.
    s0: Option<f64>,
    /// Its degrees of freedom.
    degrees_of_freedom: Option<f64>,
    /// x of a calibration line.
    x: Option<Data>,
    /// y of a calibration line.
    y: Option<Data>,
    /// Replicates whose mean is reported.
    #[serde(default = "one")]
    #[schema(default = 1)]
    replicates: usize,
    /// Blanks whose mean is subtracted; left out, none.
    blanks: Option<usize>,
    /// Multiple for detection.
    #[serde(default = "three")]
    #[schema(default = 3.0)]
    detection_factor: f64,
    /// Multiple for quantification.
    #[serde(default = "ten")]
    #[schema(default = 10.0)]
    quantification_factor: f64,
}

fn three() -> f64 {
    3.0
}

fn ten() -> f64 {
    10.0
}

impl Calculation for DetectionLimitsInput {
    const NAME: &'static str = "detection-limits";
    const SUMMARY: &'static str = "limits of detection and quantification from blanks or a calibration line";
    const METHOD: &'static str = "3 s0' and 10 s0', s0' for the replicates and blanks of routine";
    const SOURCE: &'static str =
        "Eurachem, The Fitness for Purpose of Analytical Methods, 2nd ed., 6.2; Miller and Miller";
    const EXAMPLE: &'static str =
        r#"{"values": [0.02, 0.04, 0.03, 0.02, 0.05, 0.03, 0.03, 0.04], "replicates": 2, "blanks": 2}"#;
    const TABLE: Table = Table::Columns(&["values"]);
    type Result = DetectionLimitsFigures;

    fn calculate(self, _: Place) -> Result<Outcome<DetectionLimitsFigures>, Refusal> {
        let scheme = BlankScheme { replicates: self.replicates, blanks: self.blanks };
        let factors = DetectionFactors { detection: self.detection_factor, quantification: self.quantification_factor };
        let found = match (self.values, self.s0, (self.x, self.y)) {
            (Some(values), None, (None, None)) => core::detection_limits_from_blanks(&values, scheme, factors)?,
            (None, Some(s0), (None, None)) => {
                let degrees = self.degrees_of_freedom.ok_or_else(|| {
                    Refusal::invalid("degrees_of_freedom", "required", "a known deviation needs them", "")
                })?;
                core::detection_limits(s0, degrees, scheme, factors).of("s0")?
            }
            (None, None, (Some(x), Some(y))) => {
                let line = StraightLine::fit(&x, &y, None).of("x")?;
                core::detection_limits_from_line(&line, factors).of("x")?
            }
            _ => return Err(Refusal::invalid("values", "one_of", "give values, s0, or x and y", "")),
        };
        Ok(Outcome::of(found.show()))
    }
}

/// A relative standard deviation and the level of the analyte.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HorratInput {
    /// Relative standard deviation found, per cent; left out, the prediction alone.
    rsd_percent: Option<f64>,
    /// Mass fraction of the analyte, 0 to 1.
    mass_fraction: f64,
    /// Whether the deviation is one between laboratories.
    #[serde(default)]
    between_laboratories: bool,
}

/// Predictions and ratio.
#[derive(Debug, Serialize, ToSchema)]
pub struct HorratAnswer {
    /// Predicted relative standard deviation, 2 C^-0.15, per cent.
    predicted_percent: f64,
    /// 2 C^-0.1505.
    predicted_percent_exponent_01505: f64,
    /// 2^(1 - 0.5 log10 C).
    predicted_percent_logarithmic: f64,
    /// Standard deviation as a mass fraction, Thompson's three branches.
    thompson_sd: f64,
    /// Ratio of found to predicted.
    horrat: Option<HorRatFigures>,
}

impl Calculation for HorratInput {
    const NAME: &'static str = "horrat";
    const SUMMARY: &'static str = "found against predicted relative standard deviation";
    const METHOD: &'static str = "Horwitz's curve in three forms, Thompson's branches";
    const SOURCE: &'static str = "Horwitz, Kamps and Boyer 1980; Thompson 2000; Horwitz and Albert 2006";
    const EXAMPLE: &'static str = r#"{"rsd_percent": 1.9, "mass_fraction": 0.001, "between_laboratories": false}"#;
    type Result = HorratAnswer;

    fn calculate(self, _: Place) -> Result<Outcome<HorratAnswer>, Refusal> {
        let c = self.mass_fraction;
        let found = self.rsd_percent.map(|rsd| core::horrat(rsd, c, self.between_laboratories)).transpose()?;
        let outcome = Outcome::of(HorratAnswer {
            predicted_percent: core::predicted_rsd_percent(c, PredictedRsd::Exponent015)?,
            predicted_percent_exponent_01505: core::predicted_rsd_percent(c, PredictedRsd::Exponent01505)?,
            predicted_percent_logarithmic: core::predicted_rsd_percent(c, PredictedRsd::Logarithmic)?,
            thompson_sd: core::thompson_sd(c)?,
            horrat: found.show(),
        });
        Ok(match found {
            Some(found) => {
                let finding = if found.within { "met" } else { "query" };
                outcome.says(
                    "ratio in its normal range",
                    finding,
                    format!("{}, range {} to {}", found.ratio, found.low, found.high),
                )
            }
            None => outcome,
        })
    }
}

/// A result of a proficiency round.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ProficiencyScoresInput {
    /// Result of the laboratory.
    value: f64,
    /// Its standard uncertainty.
    u: f64,
    /// Its expanded uncertainty; left out, 2 u.
    expanded: Option<f64>,
    /// Assigned value.
    assigned: f64,
    /// Its standard uncertainty.
    u_assigned: f64,
    /// Its expanded uncertainty; left out, 2 u.
    expanded_assigned: Option<f64>,
    /// Standard deviation for proficiency assessment.
    sigma_pt: f64,
}

impl Calculation for ProficiencyScoresInput {
    const NAME: &'static str = "proficiency-scores";
    const SUMMARY: &'static str = "z, z', zeta and E_n of a proficiency round";
    const METHOD: &'static str = "z' in place of z where u of the assigned value exceeds 0.3 sigma";
    const SOURCE: &'static str = "ISO 13528";
    const EXAMPLE: &'static str =
        r#"{"value": 52.41, "u": 0.10, "assigned": 52.30, "u_assigned": 0.03, "sigma_pt": 0.15}"#;
    type Result = ScoresFigures;

    fn calculate(self, _: Place) -> Result<Outcome<ScoresFigures>, Refusal> {
        let result = Participant { value: self.value, u: self.u, expanded: self.expanded.unwrap_or(2.0 * self.u) };
        let assigned = AssignedValue {
            value: self.assigned,
            u: self.u_assigned,
            expanded: self.expanded_assigned.unwrap_or(2.0 * self.u_assigned),
            sigma_pt: self.sigma_pt,
        };
        let scores = core::proficiency_scores(result, assigned)?;
        let finding = match scores.signal {
            core::Signal::Satisfactory => "met",
            core::Signal::Warning => "query",
            core::Signal::Action => "not met",
        };
        let (name, score) = if scores.use_z_prime { ("z'", scores.z_prime) } else { ("z", scores.z) };
        Ok(Outcome::of(scores.show()).says(format!("{name} within 2"), finding, format!("{name} = {score}")))
    }
}

/// Replicates of several portions of a material.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HomogeneityInput {
    /// Portions with their replicates.
    groups: Vec<Data>,
    /// Standard deviation for proficiency assessment.
    sigma_pt: f64,
}

impl Calculation for HomogeneityInput {
    const NAME: &'static str = "homogeneity";
    const SUMMARY: &'static str = "whether portions of a material are alike enough for a round";
    const METHOD: &'static str = "between-portion deviation by analysis of variance against 0.3 sigma";
    const SOURCE: &'static str = "ISO 13528, annex B";
    const EXAMPLE: &'static str =
        r#"{"groups": [[52.30, 52.34], [52.38, 52.36], [52.31, 52.35], [52.33, 52.30]], "sigma_pt": 0.15}"#;
    const TABLE: Table = Table::Groups("groups");
    type Result = HomogeneityFigures;

    fn calculate(self, _: Place) -> Result<Outcome<HomogeneityFigures>, Refusal> {
        let study = anova::one_way(&self.groups, 0.95).of("groups")?;
        let found = core::homogeneity(&study, self.sigma_pt)?;
        let detail = format!("{} against {}", found.between_samples_sd, found.limit);
        Ok(Outcome::of(found.show()).judged("homogeneous", found.homogeneous, detail))
    }
}
