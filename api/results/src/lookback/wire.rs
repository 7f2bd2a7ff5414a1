//! Hypotheses and what they come to, on the wire.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::SignOffId;
use ferrotitre_base::web::decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// A hypothesis: one of a standard, a calibration, a factor, a lot, a burette or a person.
#[derive(Debug, Clone, Default, Serialize, Deserialize, IntoParams, ToSchema)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct WhatIf {
    /// Primary standard that is supposed to have another mass fraction.
    pub standard: Option<Uuid>,
    /// Its mass fraction.
    #[param(value_type = Option<String>, example = "0.9975")]
    #[schema(value_type = Option<String>)]
    pub mass_fraction: Option<Decimal>,
    /// Its expanded uncertainty; as on its certificate where it is not given.
    #[param(value_type = Option<String>)]
    #[schema(value_type = Option<String>)]
    pub expanded_uncertainty: Option<Decimal>,
    /// Calibration that is supposed to have given other figures.
    pub calibration: Option<Uuid>,
    /// Its volume at 20 C, mL.
    #[param(value_type = Option<String>)]
    #[schema(value_type = Option<String>)]
    pub calibrated_value: Option<Decimal>,
    /// Its table of corrections: pairs of reading and correction in mL, the two separated by a colon, pairs by spaces.
    #[param(example = "0:0.00 10:-0.01 20:-0.02 30:-0.02 40:-0.03 50:-0.03")]
    pub corrections: Option<String>,
    /// Factor that is supposed to have another concentration.
    pub factor: Option<Uuid>,
    /// Its concentration, mol/L.
    #[param(value_type = Option<String>, example = "0.016650")]
    #[schema(value_type = Option<String>)]
    pub concentration: Option<Decimal>,
    /// Standard uncertainty of the calibration, in its unit, or of the concentration, mol/L; as on record where it is not given.
    #[param(value_type = Option<String>)]
    #[schema(value_type = Option<String>)]
    pub standard_uncertainty: Option<Decimal>,
    /// Titrant lot whose titrations are left out.
    pub without_titrant: Option<Uuid>,
    /// Burette whose titrations and blanks are left out.
    pub without_burette: Option<Uuid>,
    /// Person whose titrations and blanks are left out, under whichever of their accounts.
    pub without_person: Option<Uuid>,
    /// Leave out only what was observed at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Leave out only what was observed before this time.
    pub until: Option<DateTime<Utc>>,
}

/// What a result comes to.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SupposedFigure {
    /// As reported.
    #[schema(example = "119.83")]
    pub text: String,
    /// Expanded uncertainty, as reported.
    #[schema(example = "0.58")]
    pub expanded_uncertainty: String,
    /// Unrounded.
    pub value: f64,
    /// Standard uncertainty, unrounded.
    pub u: f64,
}

/// A specification that says something else under the hypothesis.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct DecisionChange {
    /// Specification.
    #[schema(example = "SP-1")]
    pub code: String,
    /// Its version.
    pub version: i32,
    /// Outcome of what was signed.
    #[schema(example = "conforms")]
    pub before: String,
    /// Outcome under the hypothesis.
    #[schema(example = "conditional")]
    pub after: String,
}

/// A certificate of analysis in force that a result is on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct OnCertificate {
    /// Number; its page is `/certificates/` and this.
    #[schema(example = "C-2026-0001")]
    pub number: String,
    /// Issue in force.
    #[schema(example = 1)]
    pub issue: i32,
}

/// A signed result that the hypothesis reaches.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SupposedLine {
    /// Kind, by the name of its table.
    #[schema(example = "determinations")]
    pub kind: String,
    /// The result.
    pub id: Uuid,
    /// Its code.
    pub code: String,
    /// Signature under which it stands.
    pub sign_off: SignOffId,
    /// When it was signed.
    pub signed_at: DateTime<Utc>,
    /// Present state.
    #[schema(example = "approved")]
    pub state: String,
    /// Unit of the figures.
    #[schema(example = "g/L")]
    pub unit: String,
    /// As it was signed; absent where it was not evaluated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub before: Option<SupposedFigure>,
    /// Under the hypothesis; absent where there would be no result.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<SupposedFigure>,
    /// Difference, in the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub difference: Option<f64>,
    /// Difference in expanded uncertainties of what was signed.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = -0.4)]
    pub difference_in_u: Option<f64>,
    /// Specifications that would say something else.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub decisions: Vec<DecisionChange>,
    /// Whether a reported digit or a decision would differ.
    pub changes: bool,
    /// Why there would be no result.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_result: Option<String>,
    /// Why it could not be evaluated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_evaluated: Option<String>,
    /// The certificate in force that would have to be recalled, or looked at: given where the result changes, and where it could
    /// not be evaluated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub certificate: Option<OnCertificate>,
    /// Where its page is.
    #[serde(skip)]
    pub shown_at: Uuid,
}

/// What the whole comes to: the list is complete when as many were reached as were evaluated or could not be.
#[derive(Debug, Clone, Default, Serialize, ToSchema)]
pub struct Totals {
    /// Signed results that the hypothesis reaches.
    pub reached: u64,
    /// By kind, by the names of the tables.
    pub reached_by_kind: BTreeMap<String, u64>,
    /// Evaluated both ways.
    pub evaluated: u64,
    /// Could not be evaluated under the hypothesis.
    pub not_evaluated: u64,
    /// How many for which reason.
    pub not_evaluated_because: BTreeMap<String, u64>,
    /// Of those evaluated: a reported digit or a decision would differ, or there would be no result.
    pub changed: u64,
    /// Of those: a decision would differ.
    pub decisions_changed: u64,
    /// Of those: there would be no result.
    pub without_result: u64,
    /// Certificates in force with a result that changes: they would have to be recalled.
    pub certificates: u64,
    /// Further certificates in force with a result that could not be evaluated.
    pub certificates_not_evaluated: u64,
    /// Largest difference, in expanded uncertainties of what was signed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub largest_difference_in_u: Option<f64>,
    /// Whether reached = evaluated + not evaluated.
    pub complete: bool,
}

/// A line of the answer, as JSON: what is asked, how far it is, a result, or what the whole comes to.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SupposedAnswer {
    /// What is asked, in words.
    Hypothesis(String),
    /// How many are done, and how many there are.
    Progress([u64; 2]),
    /// A result.
    Result(Box<SupposedLine>),
    /// What the whole comes to; the last line.
    Totals(Totals),
    /// Why the answer breaks off; the last line then.
    Failed(String),
}

impl Totals {
    /// Counts a line.
    pub(super) fn take(&mut self, line: &SupposedLine) {
        if let Some(why) = &line.not_evaluated {
            self.not_evaluated += 1;
            *self.not_evaluated_because.entry(why.clone()).or_default() += 1;
            return;
        }
        self.evaluated += 1;
        self.changed += u64::from(line.changes);
        self.decisions_changed += u64::from(!line.decisions.is_empty());
        self.without_result += u64::from(line.after.is_none());
        if let Some(apart) = line.difference_in_u {
            let largest = self.largest_difference_in_u.filter(|largest| largest.abs() >= apart.abs());
            self.largest_difference_in_u = Some(largest.unwrap_or(apart));
        }
    }
}
