//! What core refuses, as refusals that name a field.

use ferrotitre_core::chemistry::{AirError, CorrectionError};
use ferrotitre_core::control::ControlError;
use ferrotitre_core::statistics::distribution::DistributionError;
use ferrotitre_core::statistics::integrity::IntegrityError;
use ferrotitre_core::statistics::model_error::ModelError;
use ferrotitre_core::statistics::outliers::OutlierError;
use ferrotitre_core::statistics::robust::RobustError;
use ferrotitre_core::statistics::summary::SummaryError;
use ferrotitre_core::uncertainty::InputError;
use ferrotitre_core::uncertainty::conformity::ConformityError;
use ferrotitre_core::uncertainty::monte_carlo::MonteCarloError;
use ferrotitre_core::uncertainty::nordtest::TopDownError;

use crate::refusal::{Code, Refusal};

/// Field that core's errors mean when they speak of data without saying which.
const DATA: &str = "values";

/// A parameter of core as a field of an input: core speaks of quantities, an input has names for them.
fn field(name: &str) -> String {
    let name = name.strip_prefix("the ").unwrap_or(name);
    let known = match name {
        "coverage probability" => "probability",
        "decision interval h" => "h",
        "reference value k" => "k",
        "limit L" => "limit",
        "weight lambda" => "lambda",
        "standardised point" => "points",
        "control value" | "differences" | "residuals" | "results" | "digits" | "a baseline" => DATA,
        "centre line" => "centre",
        "values of the second series" => "second",
        "x values" | "fit" | "slope" | "points" | "x and y together" => "x",
        "ratio of error variances" => "variance_ratio",
        "hypothesised value" | "stated ratio of variances" | "stated standard deviation" => "hypothesised",
        "process standard deviation" => "process_sd",
        "known standard deviation" => "known_sd",
        "measured value" => "value",
        "number of chosen titres" => "chosen",
        "subgroup size" => "n",
        "sample size" => "power",
        "false-alarm probability" | "false-discovery rate" => "alpha",
        other => return other.replace([' ', '-'], "_"),
    };
    known.to_owned()
}

fn range(name: &str, message: &str, value: impl std::fmt::Display) -> Refusal {
    Refusal::invalid(&field(name), "range", message, value)
}

fn too_few(name: &str, message: &str, found: impl std::fmt::Display) -> Refusal {
    Refusal::new(Code::NotEnoughData, message).at(&field(name), "enough_data", found)
}

fn rule(name: &str, message: &str) -> Refusal {
    Refusal::new(Code::RuleBroken, message).at(&field(name), "spread", "")
}

/// Gives the data of an error the name of the input's field.
pub trait Of<T> {
    /// The same with the field named.
    ///
    /// # Errors
    /// The error it was, as a refusal.
    fn of(self, name: &str) -> Result<T, Refusal>;
}

impl<T, E: Into<Refusal>> Of<T> for Result<T, E> {
    fn of(self, name: &str) -> Result<T, Refusal> {
        self.map_err(|error| {
            let mut refusal: Refusal = error.into();
            for error in &mut refusal.fields {
                if let Some(rest) = error.field.strip_prefix(DATA) {
                    error.field = format!("{name}{rest}");
                }
            }
            refusal
        })
    }
}

impl From<DistributionError> for Refusal {
    fn from(error: DistributionError) -> Self {
        let message = error.to_string();
        match error {
            DistributionError::Parameter { name, value, .. } => range(name, &message, value),
            DistributionError::Probability { value } => range("probability", &message, value),
        }
    }
}

impl From<SummaryError> for Refusal {
    fn from(error: SummaryError) -> Self {
        let message = error.to_string();
        match error {
            SummaryError::NotEnoughData { found, .. } => too_few(DATA, &message, found),
            SummaryError::NotFinite { position, value } => {
                range(&format!("{DATA}[{}]", position.saturating_sub(1)), &message, value)
            }
            SummaryError::NoSpread => rule(DATA, &message),
            SummaryError::Weight { position, value } => {
                range(&format!("weights[{}]", position.saturating_sub(1)), &message, value)
            }
            SummaryError::Lengths { weights, .. } => Refusal::invalid("weights", "length", message, weights),
            SummaryError::Distribution(inner) => inner.into(),
        }
    }
}

impl From<OutlierError> for Refusal {
    fn from(error: OutlierError) -> Self {
        let message = error.to_string();
        match error {
            OutlierError::Size { low, found, .. } if found < low => too_few(DATA, &message, found),
            OutlierError::Size { found, .. } => Refusal::invalid(DATA, "size", message, found),
            OutlierError::NoSpread => rule(DATA, &message),
            OutlierError::NotFinite(value) => range(DATA, &message, value),
            OutlierError::Setting { name, value, .. } => range(name, &message, value),
            OutlierError::Distribution(inner) => inner.into(),
            OutlierError::Summary(inner) => inner.into(),
        }
    }
}

impl From<ModelError> for Refusal {
    fn from(error: ModelError) -> Self {
        let message = error.to_string();
        match error {
            ModelError::NotEnoughData { what, found, .. } => too_few(what, &message, found),
            ModelError::NotFinite { name, position, value } => {
                range(&format!("{}[{}]", field(name), position.saturating_sub(1)), &message, value)
            }
            ModelError::OutOfRange { name, value, .. } => range(name, &message, value),
            ModelError::LengthsDiffer { second, second_len, .. } => {
                Refusal::invalid(&field(second), "length", message, second_len)
            }
            ModelError::NoSpread { what, .. } => rule(what, &message),
            ModelError::Collinear { term } => Refusal::new(Code::RuleBroken, message).at(
                &format!("terms[{}]", term.saturating_sub(1)),
                "collinear",
                "",
            ),
            ModelError::NoSolution { what, .. } => rule(what, &message),
            ModelError::Distribution(inner) => inner.into(),
        }
    }
}

impl From<RobustError> for Refusal {
    fn from(error: RobustError) -> Self {
        let message = error.to_string();
        match error {
            RobustError::Summary(inner) => inner.into(),
            RobustError::NoSpread => rule(DATA, &message),
            RobustError::Setting { name, value, .. } => range(name, &message, value),
            RobustError::NotConverged { .. } => rule(DATA, &message),
            RobustError::Distribution(inner) => inner.into(),
        }
    }
}

impl From<IntegrityError> for Refusal {
    fn from(error: IntegrityError) -> Self {
        let message = error.to_string();
        match error {
            IntegrityError::NotEnoughData { what, found, .. } => too_few(what, &message, found),
            IntegrityError::OffStep { position, reading, .. } => Refusal::invalid(
                &format!("readings[{}]", position.saturating_sub(1)),
                "multiple_of_resolution",
                message,
                reading,
            ),
            IntegrityError::Setting { name, value, .. } => range(name, &message, value),
            IntegrityError::Distribution(inner) => inner.into(),
        }
    }
}

impl From<InputError> for Refusal {
    fn from(error: InputError) -> Self {
        let message = error.to_string();
        match error {
            InputError::NotUsable { id, field: name, value }
            | InputError::OutOfRange { id, field: name, value, .. } => {
                Refusal::invalid(&format!("inputs.{id}.{}", field(name)), "range", message, value)
            }
            InputError::Contradiction { id, second, .. } => {
                Refusal::invalid(&format!("inputs.{id}"), "once", message, second)
            }
            InputError::Unknown { id } => Refusal::invalid("correlations", "known_input", message, id),
            InputError::Correlation { coefficient, .. } => {
                Refusal::invalid("correlations", "range", message, coefficient)
            }
        }
    }
}

impl From<MonteCarloError> for Refusal {
    fn from(error: MonteCarloError) -> Self {
        let message = error.to_string();
        match error {
            MonteCarloError::OutOfRange { field: name, value, .. } => range(name, &message, value),
            MonteCarloError::CorrelatedShape { id } => Refusal::invalid("correlations", "normal", message, id),
            MonteCarloError::NotFinite { trials } => {
                Refusal::new(Code::RuleBroken, message).at("model", "finite", trials)
            }
            MonteCarloError::NotStable { trials, .. } => {
                Refusal::new(Code::RuleBroken, message).at("trials", "stable", trials)
            }
        }
    }
}

impl From<ConformityError> for Refusal {
    fn from(error: ConformityError) -> Self {
        let message = error.to_string();
        match error {
            ConformityError::OutOfRange { field: name, value, .. } => range(name, &message, value),
            ConformityError::NoLimit => Refusal::invalid("lower", "required", message, ""),
            ConformityError::NothingAcceptable { low, high } => {
                Refusal::new(Code::RuleBroken, message).at("guard", "acceptance_interval", format!("{low} to {high}"))
            }
        }
    }
}

impl From<TopDownError> for Refusal {
    fn from(error: TopDownError) -> Self {
        let message = error.to_string();
        match error {
            TopDownError::OutOfRange { field: name, value, .. } => range(name, &message, value),
            TopDownError::NoBias => too_few("biases", &message, 0),
            TopDownError::Summary(inner) => inner.into(),
        }
    }
}

impl From<ControlError> for Refusal {
    fn from(error: ControlError) -> Self {
        let message = error.to_string();
        match error {
            ControlError::OutOfRange { field: name, value, .. } => range(name, &message, value),
            ControlError::NotEnough { found, .. } => too_few(DATA, &message, found),
            ControlError::NoSpread { .. } => rule(DATA, &message),
            ControlError::TooManyStates { limit } => {
                Refusal::new(Code::RuleBroken, message).at("rules", "states", limit)
            }
            ControlError::NotConverged { .. } => Refusal::new(Code::RuleBroken, message).at("rules", "converged", ""),
            ControlError::InfiniteAverage { found, .. } => too_few("baseline", &message, found),
            ControlError::Distribution(inner) => inner.into(),
            ControlError::Summary(inner) => inner.into(),
        }
    }
}

impl From<CorrectionError> for Refusal {
    fn from(error: CorrectionError) -> Self {
        let message = error.to_string();
        match error {
            CorrectionError::Temperature { value, .. } => range("temperature", &message, value),
            CorrectionError::OutsideTable { value, .. } => range("reading", &message, value),
        }
    }
}

impl From<AirError> for Refusal {
    fn from(error: AirError) -> Self {
        let message = format!("must be from {} to {}", error.low, error.high);
        range(error.field, &message, error.value)
    }
}
