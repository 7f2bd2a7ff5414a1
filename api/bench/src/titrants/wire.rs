//! Titrants and standardisations on the wire.

use chrono::{DateTime, Utc};
use ferrotitre_base::evaluations::{BudgetLine, StepView, VerdictView};
use ferrotitre_base::ids::{AccountId, PrimaryStandardId};
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::versions::VersionView;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::impacts::wire::TouchView;
use crate::instrument_readings::wire::Accepted;
use crate::titrants::store::corrections::Corrected;
use crate::titrants::store::{FactorRow, PreparationFacts};

/// A titrant lot as entered.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTitrant {
    /// Lot code.
    #[schema(example = "D-1")]
    pub code: String,
    /// Species, by its code in /chemistries.
    #[schema(example = "dichromate")]
    pub species: String,
    /// Nominal concentration.
    #[schema(example = "0.1")]
    pub nominal_concentration: Decimal,
    /// mol/L or eq/L (equivalents per litre: N/10 dichromate is 0.1 eq/L, 1/60 mol/L).
    #[schema(example = "eq/L")]
    pub concentration_unit: String,
    /// direct preparation or standardisation.
    #[schema(example = "direct preparation")]
    pub route: String,
    /// Lowest acceptable factor.
    #[schema(example = "0.990")]
    pub factor_low: Decimal,
    /// Highest acceptable factor.
    #[schema(example = "1.010")]
    pub factor_high: Decimal,
    /// Storage.
    #[schema(example = "dark, 20 C")]
    pub storage: String,
    /// Container.
    #[schema(example = "amber glass, 1 L")]
    pub container: String,
    /// End of use.
    pub expires_at: DateTime<Utc>,
    /// When it was made up.
    pub observed_at: DateTime<Utc>,
    /// Why it is recorded so much later than made up, for it and for its preparation: needed after more than a day, or whatever
    /// the laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
    /// Its direct preparation by mass, recorded with it or not at all; left out for one that is recorded by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub preparation: Option<NewLotPreparation>,
}

/// The preparation of a lot that is recorded with it, made up when the lot was.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewLotPreparation {
    /// Version of the primary-standard lot.
    pub primary_standard: PrimaryStandardId,
    /// Mass weighed, g, as read.
    #[schema(example = "4.9052")]
    pub mass_g: Decimal,
    /// Balance.
    pub balance: Uuid,
    /// Flask.
    pub flask: Uuid,
    /// Temperature at which the flask was made up, C.
    #[schema(example = "24.0")]
    pub solution_temperature: Decimal,
    /// A reading of the balance that was accepted for the mass.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub accepted: Vec<Accepted>,
}

impl NewLotPreparation {
    /// As it is recorded by itself.
    pub(super) fn of(self, titrant: Uuid, observed_at: DateTime<Utc>) -> NewPreparation {
        NewPreparation {
            titrant,
            primary_standard: self.primary_standard,
            mass_g: self.mass_g,
            balance: self.balance,
            flask: self.flask,
            solution_temperature: self.solution_temperature,
            observed_at,
            accepted: self.accepted,
        }
    }
}

/// A titrant lot as it was recorded.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordedTitrant {
    /// The lot.
    #[serde(flatten)]
    pub titrant: TitrantView,
    /// Its preparation, if it was recorded with it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preparation: Option<PreparationView>,
}

impl Located for RecordedTitrant {
    fn location(&self) -> String {
        self.titrant.location()
    }
}

/// A titrant lot.
#[derive(Debug, Serialize, ToSchema)]
pub struct TitrantView {
    /// Identity.
    pub id: Uuid,
    /// Lot code.
    pub code: String,
    /// Species.
    pub species: String,
    /// Nominal concentration as entered.
    pub nominal_concentration: Decimal,
    /// Unit of that entry.
    pub concentration_unit: String,
    /// Nominal amount concentration, mol/L.
    pub nominal_mol_per_l: Decimal,
    /// How its concentration is known.
    pub route: String,
    /// Lowest acceptable factor.
    pub factor_low: Decimal,
    /// Highest acceptable factor.
    pub factor_high: Decimal,
    /// Storage.
    pub storage: String,
    /// Container.
    pub container: String,
    /// End of use.
    pub expires_at: DateTime<Utc>,
    /// When it was made up.
    pub observed_at: DateTime<Utc>,
    /// Present state.
    #[schema(example = "in use")]
    pub state: String,
    /// Factor in force now.
    pub factor_now: Option<FactorView>,
    /// Cautions; the safety data sheet, local codes and licensed practice decide.
    pub cautions: &'static str,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

impl Located for TitrantView {
    fn location(&self) -> String {
        format!("/api/v1/titrants/{}", self.id)
    }
}

/// A titrant lot with all that belongs to it.
#[derive(Debug, Serialize, ToSchema)]
pub struct TitrantDetail {
    /// The lot.
    #[serde(flatten)]
    pub titrant: TitrantView,
    /// Preparations by mass, all versions, oldest first.
    pub preparations: Vec<PreparationView>,
    /// SHA-256 of what a signature would cover now, the newest preparation; empty where there is none.
    pub content_digest: String,
    /// What touched the rows that its release was signed over, since then.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub touched: Vec<TouchView>,
    /// Whether its preparation was amended since its release: the corrected factor waits for a manager's signature.
    pub amended: bool,
    /// Signatures.
    pub sign_offs: Vec<SignOff>,
    /// Moves between states.
    pub moves: Vec<StateMove>,
}

/// A preparation with its evaluation.
#[derive(Debug, Serialize, ToSchema)]
pub struct PreparationView {
    /// The preparation.
    #[serde(flatten)]
    pub preparation: VersionView<PreparationFacts>,
    /// What it comes to.
    pub evaluation: Option<ConcentrationView>,
}

impl Located for PreparationView {
    fn location(&self) -> String {
        self.preparation.location()
    }
}

/// A concentration with everything behind it.
#[derive(Debug, Serialize, ToSchema)]
pub struct ConcentrationView {
    /// Amount concentration at 20 C, mol/L.
    #[schema(example = 0.016_692_8)]
    pub concentration: f64,
    /// Equivalents per litre (normality).
    #[schema(example = 0.100_157)]
    pub equivalents_per_litre: f64,
    /// Standard uncertainty, mol/L.
    pub u: f64,
    /// Effective degrees of freedom; absent for unlimited.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// Concentration divided by the nominal one.
    #[schema(example = 1.001_57)]
    pub factor: f64,
    /// Budget, largest share first.
    pub budget: Vec<BudgetLine>,
    /// Verdicts.
    pub verdicts: Vec<VerdictView>,
    /// The working.
    pub working: StepView,
}

/// A factor.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct FactorView {
    /// Identity.
    pub id: Uuid,
    /// Concentration at 20 C, mol/L, unrounded.
    pub concentration: Decimal,
    /// Standard uncertainty, mol/L.
    pub standard_uncertainty: Decimal,
    /// Concentration divided by the nominal one.
    pub factor: Decimal,
    /// From when it counts.
    pub valid_from: DateTime<Utc>,
    /// Until when it may be used.
    pub valid_to: DateTime<Utc>,
    /// Preparation it comes from.
    pub preparation: Option<Uuid>,
    /// Standardisation it comes from.
    pub standardisation: Option<Uuid>,
    /// Version of the formulae.
    pub formula_set: String,
    /// The factor whose place it takes, from the same moment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corrects: Option<Uuid>,
    /// Why.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "the mass fraction had been misread from the certificate")]
    pub reason: Option<String>,
    /// The factor that takes its place: what was signed over this one stays, nothing else reads it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corrected_by: Option<Uuid>,
}

impl FactorView {
    /// With what it corrects and what corrects it.
    pub(super) fn beside(self, all: &[Corrected]) -> Self {
        let corrects = all.iter().find(|one| one.by.id.0 == self.id);
        let corrected = all.iter().find(|one| one.corrects.0 == self.id);
        Self {
            corrects: corrects.map(|one| one.corrects.0),
            reason: corrects.map(|one| one.reason.clone()),
            corrected_by: corrected.map(|one| one.by.id.0),
            ..self
        }
    }
}

impl From<FactorRow> for FactorView {
    fn from(row: FactorRow) -> Self {
        Self {
            id: row.id.0,
            concentration: row.concentration,
            standard_uncertainty: row.standard_uncertainty,
            factor: row.factor,
            valid_from: row.valid_from,
            valid_to: row.valid_to,
            preparation: row.preparation_id.map(|id| id.0),
            standardisation: row.standardisation_id.map(|id| id.0),
            formula_set: row.formula_set,
            corrects: None,
            reason: None,
            corrected_by: None,
        }
    }
}

/// A standardisation as entered.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewStandardisation {
    /// Code.
    #[schema(example = "STD-M1-01")]
    pub code: String,
    /// Lot of primary standard, or give `reference_titrant`.
    pub primary_standard: Option<Uuid>,
    /// Balance that weighs the standard.
    pub balance: Option<Uuid>,
    /// Titrant lot that serves as reference, or give `primary_standard`.
    pub reference_titrant: Option<Uuid>,
    /// Pipette that delivers the reference titrant.
    pub pipette: Option<Uuid>,
    /// Burette.
    pub burette: Uuid,
    /// Indicator, by its code.
    #[schema(example = "self")]
    pub indicator: String,
    /// For how many days the factor shall hold.
    #[schema(example = 28)]
    pub valid_days: i32,
    /// Largest range of the concentrations of its replicates relative to their mean, %; 0.3 if not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "0.3")]
    pub agreement_percent: Option<Decimal>,
    /// Apply burette corrections.
    pub correct_burette: bool,
    /// Bring volumes to 20 C.
    pub correct_temperature: bool,
    /// Correct masses for air buoyancy.
    pub correct_buoyancy: bool,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// Why it is recorded so much later than observed, for it and for its titrations: needed after more than a day, or whatever the
    /// laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
}

/// A replicate or blank of a standardisation as entered.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewStandardisationTitration {
    /// replicate or blank.
    #[schema(example = "replicate")]
    pub kind: String,
    /// Mass of standard, g, as read.
    #[schema(example = "0.1675")]
    pub mass_g: Option<Decimal>,
    /// Burette readings before each segment, mL, as entered.
    #[schema(example = json!(["0.00"]))]
    pub initial_readings: Vec<Decimal>,
    /// Burette readings after each segment, mL, as entered.
    #[schema(example = json!(["24.96"]))]
    pub final_readings: Vec<Decimal>,
    /// Temperature of the titrant, C.
    pub solution_temperature: Option<Decimal>,
    /// End point as seen, in words.
    #[schema(example = "faint pink, 30 s")]
    pub end_point: String,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// Why it is recorded so much later than observed: needed after more than a day, or whatever the laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
    /// Readings of instruments that were accepted for its mass or readings of the burette.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub accepted: Vec<Accepted>,
}

/// A preparation as entered.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPreparation {
    /// Titrant lot.
    pub titrant: Uuid,
    /// Version of the primary-standard lot.
    pub primary_standard: PrimaryStandardId,
    /// Mass weighed, g, as read.
    #[schema(example = "4.9052")]
    pub mass_g: Decimal,
    /// Balance.
    pub balance: Uuid,
    /// Flask.
    pub flask: Uuid,
    /// Temperature at which the flask was made up, C.
    #[schema(example = "24.0")]
    pub solution_temperature: Decimal,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// A reading of the balance that was accepted for the mass.
    #[serde(default)]
    pub accepted: Vec<Accepted>,
}

impl NewPreparation {
    /// What is recorded, and what was accepted for it.
    pub(super) fn split(self) -> (PreparationFacts, Vec<Accepted>) {
        let facts = PreparationFacts {
            titrant: self.titrant,
            primary_standard: self.primary_standard,
            mass_g: self.mass_g,
            balance: self.balance,
            flask: self.flask,
            solution_temperature: self.solution_temperature,
            observed_at: self.observed_at,
        };
        (facts, self.accepted)
    }
}

/// A rejection with its cause.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Rejection {
    /// Assignable cause: grey precipitate, overrun end point, air bubble, misread, wrong aliquot, leak, temperature or other.
    #[schema(example = "overrun end point")]
    pub cause: String,
    /// Evidence, in words, at least 5 characters.
    #[schema(example = "colour went straight to deep violet, 4 drops too many")]
    pub reason: String,
}

/// A standardisation with its titrations and what they come to.
#[derive(Debug, Serialize, ToSchema)]
pub struct StandardisationView {
    /// Identity.
    pub id: Uuid,
    /// Code.
    pub code: String,
    /// Titrant lot.
    pub titrant: Uuid,
    /// primary standard or titrant.
    pub against: String,
    /// Version of the primary-standard lot.
    pub primary_standard: Option<Uuid>,
    /// Burette.
    pub burette: Uuid,
    /// Indicator.
    pub indicator: String,
    /// For how many days the factor shall hold.
    pub valid_days: i32,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// Present state.
    pub state: String,
    /// Whether it was approved before and is being amended: its titrations are corrected or rejected, none is added.
    pub amended: bool,
    /// Titrations, all versions, in order.
    pub titrations: Vec<StandardisationTitrationView>,
    /// Mean blank, mL.
    pub blank_ml: Option<f64>,
    /// Sample standard deviation of the concentrations, mol/L.
    pub sd: Option<f64>,
    /// Whether its replicates differ by more than they may and no cause was found: approved only under a decision.
    pub discordant: bool,
    /// Whether somebody has decided that the factor may be used all the same.
    pub discordance_decided: bool,
    /// The concentration, once enough replicates count.
    pub concentration: Option<ConcentrationView>,
    /// Why there is none yet.
    pub missing: Option<String>,
    /// What touched the rows that its author signed, since then.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub touched: Vec<TouchView>,
    /// SHA-256 of what would be signed now.
    pub content_digest: String,
    /// Signatures.
    pub sign_offs: Vec<SignOff>,
}

impl Located for StandardisationView {
    fn location(&self) -> String {
        format!("/api/v1/standardisations/{}", self.id)
    }
}

/// A titration of a standardisation.
#[derive(Debug, Serialize, ToSchema)]
pub struct StandardisationTitrationView {
    /// The titration itself, the same in all its versions.
    pub id: Uuid,
    /// This version.
    pub version_id: Uuid,
    /// Number of the version.
    pub version: i32,
    /// Order of recording.
    pub position: i32,
    /// recorded, accepted, rejected or superseded.
    pub state: String,
    /// What was recorded.
    #[serde(flatten)]
    pub facts: NewStandardisationTitration,
    /// Concentration of a replicate that counts, mol/L.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub concentration: Option<f64>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}
