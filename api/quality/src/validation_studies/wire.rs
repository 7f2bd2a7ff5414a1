//! Validation studies on the wire; what they answer is in `answer`.

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::{
    AccountId, MethodId, ValidationCharacteristicId, ValidationConclusionId, ValidationStudyId,
};
use ferrotitre_base::sign_offs::{NewSignature, SignOff};
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_bench::impacts::wire::TouchView;
use secrecy::SecretString;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::validation_studies::answer::Criterion;
use crate::validation_studies::kinds::{Design, Kind, Limit};

/// A plan as sent, whole: nothing is added to it later.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewStudy {
    /// Code.
    #[schema(example = "VS-1")]
    pub code: String,
    /// Title.
    #[schema(example = "total iron without mercury in pickling baths")]
    pub title: String,
    /// What the method shall be good for.
    #[schema(example = "replaces M2 for release of baths against 120 g/L")]
    pub purpose: String,
    /// Method version under study.
    pub method: MethodId,
    /// Characteristics with their limits of acceptance.
    pub characteristics: Vec<NewCharacteristic>,
}

/// A characteristic as planned.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCharacteristic {
    /// What is studied.
    pub kind: Kind,
    /// Title.
    #[schema(example = "repeatability at 118 g/L")]
    pub title: String,
    /// Unit of the data.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Data planned.
    #[schema(example = 10)]
    pub planned_n: i32,
    /// Design.
    #[serde(default)]
    pub design: Design,
    /// Limits of acceptance, all of which must be met.
    pub limits: Vec<Limit>,
}

/// Other limits for a characteristic of a running study.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewAmendment {
    /// All limits of the characteristic, as they shall be.
    pub limits: Vec<Limit>,
    /// Why, at least 5 characters.
    pub reason: String,
}

/// A conclusion as signed by its author.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewConclusion {
    /// Whether the method is fit for the purpose.
    pub fit: bool,
    /// The conclusion.
    pub words: String,
    /// Lower end of the validated range.
    #[schema(example = "1")]
    pub validated_low: Decimal,
    /// Upper end.
    #[schema(example = "160")]
    pub validated_high: Decimal,
    /// Unit of the range.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Validated matrix.
    #[schema(example = "hydrochloric pickling bath")]
    pub matrix: String,
    /// Residual limitations; "none known" where there are none.
    pub limitations: String,
    /// Digest of the answers that were looked at, as the answers show it; without it, or if they have changed meanwhile, nothing
    /// is signed.
    pub answers_digest: Option<String>,
    /// Own password, asked again.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
}

impl NewConclusion {
    /// The author's signature, over the answers that were looked at.
    pub(super) fn signature(&self) -> NewSignature {
        let content_digest = self.answers_digest.clone();
        NewSignature { password: self.password.clone(), content_digest, reason: None }
    }
}

/// A study with its plan.
#[derive(Debug, Serialize, ToSchema)]
pub struct StudyView {
    /// Identity.
    pub id: ValidationStudyId,
    /// Code.
    pub code: String,
    /// Title.
    pub title: String,
    /// What the method shall be good for.
    pub purpose: String,
    /// Method version.
    pub method: MethodId,
    /// planned, running, complete, reviewed, approved or rejected.
    #[schema(example = "running")]
    pub state: String,
    /// Characteristics in the order of the plan.
    pub characteristics: Vec<CharacteristicView>,
    /// SHA-256 of the plan, for a signature.
    pub content_digest: String,
    /// Signatures on the plan.
    pub sign_offs: Vec<SignOff>,
    /// Conclusions, oldest first; the last one stands.
    pub conclusions: Vec<ConclusionView>,
    /// Calculations that help to choose sizes before the data.
    pub planning: Vec<PlanningHelp>,
    /// Moves between states.
    pub moves: Vec<StateMove>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Author of the plan.
    pub recorded_by: AccountId,
}

impl Located for StudyView {
    fn location(&self) -> String {
        format!("/api/v1/validation-studies/{}", self.id)
    }
}

/// A characteristic of a plan.
#[derive(Debug, Serialize, ToSchema)]
pub struct CharacteristicView {
    /// Identity.
    pub id: ValidationCharacteristicId,
    /// Which of the plan, from 1.
    pub position: i32,
    /// What is studied.
    pub kind: Kind,
    /// Title.
    pub title: String,
    /// Unit of the data.
    pub unit: String,
    /// Design.
    pub design: Design,
    /// Data planned.
    pub planned_n: i32,
    /// Data recorded, those left out included.
    pub recorded_n: usize,
    /// Limits of acceptance.
    pub criterion: Criterion,
}

/// A conclusion.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ConclusionView {
    /// Identity.
    pub id: ValidationConclusionId,
    /// Which of the study, from 1.
    pub number: i32,
    /// Whether the method is fit for the purpose.
    pub fit: bool,
    /// The conclusion.
    pub words: String,
    /// Lower end of the validated range.
    pub validated_low: Decimal,
    /// Upper end.
    pub validated_high: Decimal,
    /// Unit.
    pub unit: String,
    /// Validated matrix.
    pub matrix: String,
    /// Residual limitations.
    pub limitations: String,
    /// What touched the rows that its author signed, since then.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub touched: Vec<TouchView>,
    /// SHA-256 of the conclusion and of all answers as its author signed them, for a signature.
    pub content_digest: String,
    /// Signatures.
    pub sign_offs: Vec<SignOff>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Author.
    pub recorded_by: AccountId,
}

/// A calculation that helps to plan.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PlanningHelp {
    /// What it answers.
    pub question: &'static str,
    /// Operation to post the question to.
    #[schema(example = "/api/v1/calculations/power")]
    pub operation: &'static str,
}
