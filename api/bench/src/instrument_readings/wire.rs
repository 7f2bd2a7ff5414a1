//! Readings of instruments on the wire.

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::{AccountId, InstrumentReadingId, ReadingUseId};
use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// A reading as an instrument sends it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewReading {
    /// Made once by who sends it; sent again with the same content, it is the same reading.
    pub id: Uuid,
    /// Code on the label of the balance or piston burette, or its identity.
    #[schema(example = "BAL-1")]
    pub equipment: String,
    /// Value with the digits that were printed.
    #[schema(example = "0.4903")]
    pub value: Decimal,
    /// Unit that was printed: that of the equipment.
    #[schema(example = "g")]
    pub unit: String,
    /// The line as it was printed.
    #[schema(example = "OK NET +   0.4903 g")]
    pub raw_line: String,
    /// When it came.
    pub observed_at: DateTime<Utc>,
}

/// A reading as recorded.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReadingView {
    /// Identity.
    pub id: InstrumentReadingId,
    /// Identity it was sent with.
    pub sent_as: Uuid,
    /// Balance or piston burette.
    pub equipment: Uuid,
    /// Its code now.
    #[schema(example = "BAL-1")]
    pub equipment_code: String,
    /// mass or volume.
    #[schema(example = "mass")]
    pub quantity: String,
    /// Value with the digits that were printed.
    pub value: Decimal,
    /// g or mL.
    #[schema(example = "g")]
    pub unit: String,
    /// The line as it was printed; bytes that are no text as \x and two hexadecimal digits.
    pub raw_line: String,
    /// When it came, by the clock of the connector.
    pub observed_at: DateTime<Utc>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account of the instrument that sent it.
    pub recorded_by: AccountId,
    /// What it was accepted for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accepted_for: Option<AcceptedFor>,
}

impl Located for ReadingView {
    fn location(&self) -> String {
        format!("/api/v1/instrument-readings/{}", self.id)
    }
}

/// What a reading was accepted for.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AcceptedFor {
    /// Identity.
    pub id: ReadingUseId,
    /// Kind of record, by the name of its table.
    #[schema(example = "titrations")]
    pub entity_kind: String,
    /// The record; of a thing with versions, this version.
    pub entity_id: Uuid,
    /// The thing in all its versions.
    pub record_id: Uuid,
    /// Name of the value.
    #[schema(example = "final_readings[0]")]
    pub field: String,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Who accepted it.
    pub recorded_by: AccountId,
}

/// A reading of an instrument that was accepted for a value.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Accepted {
    /// Name of the value.
    #[schema(example = "final_readings[0]")]
    pub field: String,
    /// The reading; kept with the record if the value is the one that was read.
    pub reading: Uuid,
}

/// Which readings.
#[derive(Debug, Default, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ReadingListing {
    /// How many at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// Cursor from `next` of the page before.
    pub after: Option<Uuid>,
    /// Only recorded at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only recorded before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only of this balance or piston burette.
    pub equipment: Option<Uuid>,
    /// Only those accepted for this record, in any of its versions.
    pub record: Option<Uuid>,
}
