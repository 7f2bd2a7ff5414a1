//! What a study answers, characteristic by characteristic. The shape is stable: other outputs are made of exactly this.

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::{
    AccountId, ValidationAmendmentId, ValidationCharacteristicId, ValidationDatumId, ValidationStudyId,
};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::validation::Statistic;
use serde::{Serialize, Serializer};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::validation_studies::kinds::{Design, Kind, Limit, Rule};

/// Answers of a study.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StudyAnswers {
    /// Study.
    pub study: ValidationStudyId,
    /// Code of the study.
    #[schema(example = "VS-1")]
    pub code: String,
    /// Title of the study.
    pub title: String,
    /// State of the study.
    #[schema(example = "running")]
    pub state: String,
    /// SHA-256 over the answers and the data that count, for the signature on a conclusion drawn from them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub content_digest: Option<String>,
    /// Answers in the order of the plan.
    pub characteristics: Vec<CharacteristicAnswer>,
}

/// Answer to a characteristic.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CharacteristicAnswer {
    /// Study.
    pub study: ValidationStudyId,
    /// Characteristic.
    pub characteristic: ValidationCharacteristicId,
    /// Which of the plan, from 1.
    pub position: i32,
    /// What is studied.
    pub kind: Kind,
    /// Title.
    pub title: String,
    /// Unit of the data.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Design, as planned.
    pub design: Design,
    /// Limits of acceptance in force, and those they replaced.
    pub criterion: Criterion,
    /// Data planned.
    pub planned_n: i32,
    /// Data that count.
    pub n: usize,
    /// The data.
    pub inputs: InputTable,
    /// What they come to, without what is left out.
    pub statistics: Vec<StudyStatistic>,
    /// Each limit with what was compared.
    pub judgements: Vec<Judgement>,
    /// meets, does not meet, or not enough data.
    pub verdict: Verdict,
    /// What is missing for a verdict, and why a statistic cannot be given.
    pub missing: Vec<String>,
    /// What a reader should know of the calculation.
    pub notes: Vec<String>,
    /// What tests of outliers find; a flag leaves nothing out.
    pub flags: Vec<OutlierFlag>,
    /// The same with everything; absent where nothing is left out.
    pub excluded_too: Option<WithEverything>,
    /// Verdict by the limits first approved; absent where they were not amended.
    pub verdict_as_planned: Option<Verdict>,
}

/// Limits of acceptance.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Criterion {
    /// Limits in force.
    pub limits: Vec<Limit>,
    /// Limits as first approved.
    pub planned_limits: Vec<Limit>,
    /// Late changes, oldest first.
    pub amendments: Vec<Amendment>,
}

/// A late change of limits.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Amendment {
    /// Identity.
    pub id: ValidationAmendmentId,
    /// Which of the characteristic, from 1.
    pub number: i32,
    /// proposed, approved or rejected.
    pub state: String,
    /// Limits before.
    pub old_limits: Vec<Limit>,
    /// Limits after.
    pub new_limits: Vec<Limit>,
    /// Why.
    pub reason: String,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Who proposed it.
    pub recorded_by: AccountId,
    /// SHA-256 of what a signature on it covers.
    pub content_digest: String,
    /// Printed name of who decided; absent while proposed.
    pub decided_by: Option<String>,
    /// When.
    pub decided_at: Option<DateTime<Utc>>,
}

/// Data as a table.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct InputTable {
    /// Columns; the first is the value.
    pub columns: Vec<Column>,
    /// Rows in the order of recording.
    pub rows: Vec<InputRow>,
}

/// A column.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Column {
    /// Name.
    #[schema(example = "value")]
    pub name: String,
    /// Unit; absent for labels.
    #[schema(example = "g/L")]
    pub unit: Option<String>,
}

/// A row.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct InputRow {
    /// Datum.
    pub datum: ValidationDatumId,
    /// Which of the characteristic, from 1.
    pub position: i32,
    /// Cells by column; digits as entered, empty where there is none.
    pub cells: Vec<String>,
    /// Where the value comes from.
    pub source: Source,
    /// Who recorded it.
    pub recorded_by: AccountId,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Why it is left out, or is proposed to be; absent otherwise.
    pub excluded: Option<Excluded>,
}

/// Where a value comes from.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Source {
    /// determination, iron result, table or person.
    #[schema(example = "determination")]
    pub kind: String,
    /// Determination, whose working is at /determinations/{id}/working.
    pub determination: Option<Uuid>,
    /// Iron result, whose working is at /iron-results/{id}/working.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub iron_result: Option<Uuid>,
    /// Its total iron when the value was taken, unrounded, in the unit of the data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub total_iron: Option<Decimal>,
    /// Imported file.
    pub file: Option<Uuid>,
    /// Its line.
    pub line: Option<i32>,
}

/// A datum left out, or proposed to be.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Excluded {
    /// Exclusion.
    pub id: Uuid,
    /// Whether it holds: signed by a second person.
    pub holds: bool,
    /// proposed, approved or rejected.
    pub state: String,
    /// Assigned cause.
    #[schema(example = "grey precipitate")]
    pub cause: String,
    /// What shows it.
    pub evidence: String,
    /// SHA-256 of what a signature on it covers.
    pub content_digest: String,
    /// Who proposed it.
    pub proposed_by: AccountId,
    /// Printed name of who signed.
    pub signed_by: Option<String>,
    /// When.
    pub signed_at: Option<DateTime<Utc>>,
}

/// A statistic.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct StudyStatistic {
    /// Name, as limits name it.
    #[serde(serialize_with = "key")]
    #[schema(value_type = String, example = "s_r")]
    pub name: Statistic,
    /// Level, group or factor it is of; absent for one of all data.
    pub of: Option<String>,
    /// Symbol.
    #[schema(example = "s_r")]
    pub symbol: &'static str,
    /// In words.
    pub title: &'static str,
    /// Value at full precision.
    pub value: f64,
    /// Unit; 1 for a ratio.
    #[schema(example = "g/L")]
    pub unit: &'static str,
    /// Confidence interval.
    pub interval: Option<IntervalOf>,
    /// Formula.
    pub formula: &'static str,
    /// Where it comes from.
    pub source: &'static str,
}

fn key<S: Serializer>(statistic: &Statistic, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_str(statistic.key())
}

/// A confidence interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct IntervalOf {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Confidence, 0 to 1.
    pub confidence: f64,
}

/// A limit with what was compared.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = StudyJudgement)]
pub struct Judgement {
    /// Statistic.
    pub statistic: String,
    /// Level, group or factor.
    pub of: Option<String>,
    /// What must lie between the limits.
    pub rule: Rule,
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
    /// Unit.
    pub unit: String,
    /// Value found.
    pub value: f64,
    /// Whether it is met.
    pub met: bool,
}

/// Verdict of a characteristic.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
pub enum Verdict {
    /// Every limit is met, with the data planned.
    #[serde(rename = "meets")]
    Meets,
    /// A limit is not met.
    #[serde(rename = "does not meet")]
    DoesNotMeet,
    /// There is no verdict; `missing` says what it needs.
    #[serde(rename = "not enough data")]
    NotEnoughData,
}

impl Verdict {
    /// As shown.
    pub fn text(self) -> &'static str {
        match self {
            Self::Meets => "meets",
            Self::DoesNotMeet => "does not meet",
            Self::NotEnoughData => "not enough data",
        }
    }
}

/// What a test of outliers finds.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct OutlierFlag {
    /// Test.
    #[schema(example = "Grubbs, two-sided")]
    pub test: &'static str,
    /// Group it was made in.
    pub of: Option<String>,
    /// Data concerned.
    pub data: Vec<ValidationDatumId>,
    /// p-value.
    pub p: f64,
    /// straggler (5 %) or outlier (1 %).
    #[schema(example = "straggler")]
    pub finding: &'static str,
}

/// The answer with nothing left out.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WithEverything {
    /// Data.
    pub n: usize,
    /// Statistics.
    pub statistics: Vec<StudyStatistic>,
    /// Judgements.
    pub judgements: Vec<Judgement>,
    /// Verdict.
    pub verdict: Verdict,
    /// What is missing.
    pub missing: Vec<String>,
}
