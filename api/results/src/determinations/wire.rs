//! Determinations and titrations on the wire.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::bench_times::LateEntry;
use ferrotitre_base::ids::{AccountId, ConcessionId, MethodId};
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_bench::instrument_readings::wire::Accepted;
use ferrotitre_bench::specifications::conformity::ConformityStatement;
use ferrotitre_core::chemistry::{Precipitate, ReductionRecord, StannousEnd};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::determinations::evaluation::EvaluationView;
use crate::determinations::signed::EarlierFigure;
use crate::determinations::since::SinceSignature;

/// A determination as entered.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewDetermination {
    /// Code; made by the service if absent.
    #[schema(example = "DET-2026-0001")]
    pub code: Option<String>,
    /// Open run, which names the method.
    pub run: Uuid,
    /// Test portion, which names the sample.
    pub portion: Uuid,
    /// sample or control.
    #[schema(example = "sample")]
    pub purpose: String,
    /// When it began.
    pub observed_at: DateTime<Utc>,
    /// Why it is recorded so much later than observed: needed after more than a day, or whatever the laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
}

/// Colour at the end of the tin(II) addition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum StannousEndText {
    /// Colourless to faint green.
    #[serde(rename = "colourless")]
    Colourless,
    /// Pale yellow, before titanium(III).
    #[serde(rename = "pale yellow")]
    PaleYellow,
    /// Still yellow.
    #[serde(rename = "still yellow")]
    Yellow,
}

/// Precipitate after mercury(II) chloride.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum PrecipitateText {
    /// Slight, white, silky.
    #[serde(rename = "slight white")]
    WhiteSlight,
    /// Heavy and white.
    #[serde(rename = "heavy white")]
    WhiteHeavy,
    /// Grey.
    #[serde(rename = "grey")]
    Grey,
    /// Black.
    #[serde(rename = "black")]
    Black,
    /// None.
    #[serde(rename = "none")]
    None,
}

/// Reduction record: what was done and seen. What the procedure does not have stays absent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReductionText {
    /// Solution clear before the reduction.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub solution_clear: Option<bool>,
    /// Temperature of the hot solution at the tin(II) addition, C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_at_stannous: Option<Decimal>,
    /// Colour at the end of the tin(II) addition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stannous_end: Option<StannousEndText>,
    /// Drops of tin(II) in excess.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stannous_excess_drops: Option<u32>,
    /// Temperature at the mercury(II) addition, C.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "20.5")]
    pub temperature_at_mercury: Option<Decimal>,
    /// Mercury(II) added in one rapid portion.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mercury_in_one_portion: Option<bool>,
    /// Precipitate seen.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub precipitate: Option<PrecipitateText>,
    /// Minutes from the reduction to the titration.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "3")]
    pub standing_minutes: Option<Decimal>,
    /// Phosphoric acid was added.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phosphoric_acid: Option<bool>,
    /// The checkpoint of a mercury-free procedure was seen.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub checkpoint_seen: Option<bool>,
    /// Free words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl ReductionText {
    /// As core takes it.
    pub(super) fn to_core(&self, procedure: &str) -> ReductionRecord {
        ReductionRecord {
            procedure: procedure.to_owned(),
            solution_clear: self.solution_clear,
            stannous_end: self.stannous_end.map(|end| match end {
                StannousEndText::Colourless => StannousEnd::Colourless,
                StannousEndText::PaleYellow => StannousEnd::PaleYellow,
                StannousEndText::Yellow => StannousEnd::Yellow,
            }),
            stannous_excess_drops: self.stannous_excess_drops,
            temperature_at_mercury: self.temperature_at_mercury.as_ref().map(Decimal::value),
            mercury_in_one_portion: self.mercury_in_one_portion,
            precipitate: self.precipitate.map(|seen| match seen {
                PrecipitateText::WhiteSlight => Precipitate::WhiteSlight,
                PrecipitateText::WhiteHeavy => Precipitate::WhiteHeavy,
                PrecipitateText::Grey => Precipitate::Grey,
                PrecipitateText::Black => Precipitate::Black,
                PrecipitateText::None => Precipitate::None,
            }),
            standing_minutes: self.standing_minutes.as_ref().map(Decimal::value),
            phosphoric_acid: self.phosphoric_acid,
            checkpoint_seen: self.checkpoint_seen,
            note: self.note.clone(),
        }
    }
}

/// A titration as entered. The titrant's factor is looked up, never given.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTitration {
    /// rough or accurate.
    #[schema(example = "accurate")]
    pub kind: String,
    /// Titrant lot.
    pub titrant: Uuid,
    /// Burette.
    pub burette: Uuid,
    /// Burette readings before each segment, mL, as entered; a refill begins a new segment.
    #[schema(example = json!(["0.00"]))]
    pub initial_readings: Vec<Decimal>,
    /// Burette readings after each segment, mL, as entered.
    #[schema(example = json!(["23.18"]))]
    pub final_readings: Vec<Decimal>,
    /// Temperature of the titrant, C.
    #[schema(example = "21.0")]
    pub solution_temperature: Option<Decimal>,
    /// Drops of indicator.
    #[schema(example = 6)]
    pub indicator_drops: Option<i32>,
    /// End point as seen, in words.
    #[schema(example = "green to violet, sharp")]
    pub end_point: String,
    /// Persistence, overrun, half-drops and anything else seen.
    pub end_point_note: Option<String>,
    /// Reduction record; required where the method reduces, absent otherwise.
    pub reduction: Option<ReductionText>,
    /// Back-titration: lot of the oxidant added in excess.
    pub oxidant_titrant: Option<Uuid>,
    /// Back-titration: pipette that delivered it.
    pub oxidant_pipette: Option<Uuid>,
    /// Waste stream the titrated solution went to.
    #[schema(example = "chromium acid")]
    pub waste_stream: String,
    /// Concession under which an expired or overdue item is used.
    pub concession: Option<ConcessionId>,
    /// Who supervised, for somebody who was not authorised for the method at that time; authorised, and countersigns before the
    /// determination is submitted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supervisor: Option<Uuid>,
    /// When it was finished, bench time.
    pub observed_at: DateTime<Utc>,
    /// Why it is recorded so much later than observed: needed after more than a day, or whatever the laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
    /// Readings of instruments that were accepted for readings of the burette.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub accepted: Vec<Accepted>,
    /// Number that this titration is meant to have; refused if another titration of that number was saved in the meantime.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 2, minimum = 1)]
    pub meant_as: Option<i32>,
}

/// A titration as recorded.
#[derive(Debug, Serialize, ToSchema)]
pub struct TitrationView {
    /// The titration itself, the same in all its versions.
    pub id: Uuid,
    /// This version; named in If-Match when it is corrected.
    pub version_id: Uuid,
    /// Number of the version.
    #[schema(example = 1)]
    pub version: i32,
    /// Order of recording.
    #[schema(example = 2)]
    pub position: i32,
    /// recorded, accepted, rejected or superseded.
    #[schema(example = "recorded")]
    pub state: String,
    /// Reason of the correction.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// What was recorded.
    #[serde(flatten)]
    pub facts: NewTitration,
    /// Factor in force at its time; where that was corrected before the result was signed, the corrected one is read in its place.
    pub factor: Uuid,
    /// Burette calibration in force at its time.
    pub calibration: Uuid,
    /// Saved more than the configured delay after it was observed.
    pub late: bool,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

/// A titration with all its versions.
#[derive(Debug, Serialize, ToSchema)]
pub struct TitrationHistory {
    /// Versions, oldest first.
    pub versions: Vec<TitrationView>,
    /// Moves between states, of all versions.
    pub moves: Vec<StateMove>,
}

/// A determination with everything it rests on and what it comes to.
#[derive(Debug, Serialize, ToSchema)]
pub struct DeterminationView {
    /// Identity.
    pub id: Uuid,
    /// Code.
    #[schema(example = "DET-000001")]
    pub code: String,
    /// Run.
    pub run: Uuid,
    /// Method version.
    pub method: MethodId,
    /// Code of the method.
    #[schema(example = "M1")]
    pub method_code: String,
    /// What is determined.
    #[schema(example = "iron(II)")]
    pub analyte: String,
    /// Sample.
    pub sample: Uuid,
    /// Test portion.
    pub portion: Uuid,
    /// sample or control.
    pub purpose: String,
    /// When it began.
    pub observed_at: DateTime<Utc>,
    /// Present state.
    #[schema(example = "in progress")]
    pub state: String,
    /// As what the method reports: Fe, FeO or Fe2O3.
    #[schema(example = "Fe")]
    pub expressed: &'static str,
    /// What it comes to.
    pub evaluation: EvaluationView,
    /// Every titration ever made for it, all versions, in order.
    pub titrations: Vec<TitrationView>,
    /// What was recorded long after it was observed, with the reason: of the run, the portion, the titrations.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub late: Vec<LateEntry>,
    /// What a reader should know: outside the validated range, holding time exceeded, late entries, concessions.
    pub flags: Vec<String>,
    /// What the specifications of its sample say of it, as of now.
    pub conformity: Vec<ConformityStatement>,
    /// What touched it since its author signed, and what it would be now; absent where nothing did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<SinceSignature>,
    /// Figures that stood until they were amended or returned.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub earlier: Vec<EarlierFigure>,
    /// SHA-256 of what would be signed now; of what was signed while a signature stands.
    pub content_digest: String,
    /// Whether somebody has decided that it may be reported although its titres disagree.
    pub discordance_decided: bool,
    /// Signatures.
    pub sign_offs: Vec<SignOff>,
    /// Moves between states.
    pub moves: Vec<StateMove>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
    /// What its sample and equipment were called, by identity, for pages.
    #[serde(skip)]
    pub names: HashMap<Uuid, String>,
}

impl Located for DeterminationView {
    fn location(&self) -> String {
        format!("/api/v1/determinations/{}", self.id)
    }
}

impl DeterminationView {
    /// Whether somebody opened it or recorded a titration in it, in whatever version.
    pub fn is_work_of(&self, person: AccountId) -> bool {
        self.recorded_by == person || self.titrations.iter().any(|titration| titration.recorded_by == person)
    }
}

/// Whose signatures.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SignOffListing {
    /// The signed thing.
    pub entity: Uuid,
}

/// An iron(III) result as entered.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewIronResult {
    /// Code.
    #[schema(example = "FE3-2026-0001")]
    pub code: String,
    /// Determination of total iron.
    pub total: Uuid,
    /// Determination of iron(II) in the same sample.
    pub iron2: Uuid,
    /// When.
    pub observed_at: DateTime<Utc>,
}
