//! Tables of equipment, calibrations and checks.

mod calibrations;
pub mod corrections;
pub mod statements;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::bench_times;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, EquipmentCheckId, EquipmentId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::{Decimal, code, words};
use ferrotitre_base::web::versions::versioned;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_schema::{equipment, equipment_calibrations, equipment_checks};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

pub(super) use calibrations::calibrations_ending;
pub use calibrations::{
    Calibration, CorrectionAt, NewCalibration, calibration, calibration_on, calibrations, calibrations_of,
    insert_calibration,
};

/// A piece of measuring equipment.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = equipment)]
#[serde(deny_unknown_fields)]
pub struct EquipmentFacts {
    /// Code on the label.
    #[schema(example = "B-01")]
    pub code: String,
    /// balance, burette, piston burette, pipette, flask or thermometer.
    #[schema(example = "burette")]
    pub kind: String,
    /// What it is, in words.
    #[schema(example = "50 mL burette with lateral stopcock")]
    pub description: String,
    /// Accuracy class as marked.
    #[schema(example = "AS")]
    pub accuracy_class: Option<String>,
    /// Serial number.
    pub serial_number: Option<String>,
    /// Where it stands.
    pub location: Option<String>,
    /// Lowest usable reading.
    #[schema(example = "0.00")]
    pub range_low: Decimal,
    /// Highest usable reading; of a pipette or flask the nominal volume.
    #[schema(example = "50.00")]
    pub range_high: Decimal,
    /// Smallest step that is read; absent for a pipette or flask.
    #[schema(example = "0.02")]
    pub resolution: Option<Decimal>,
    /// Unit: mL, g or C.
    #[schema(example = "mL")]
    pub unit: String,
}

pub(super) const KINDS: [&str; 6] = ["balance", "burette", "piston burette", "pipette", "flask", "thermometer"];

impl EquipmentFacts {
    /// Whether it delivers titrant.
    pub fn is_burette(&self) -> bool {
        self.kind.ends_with("burette")
    }

    /// Whether it is calibrated for one volume.
    pub fn is_vessel(&self) -> bool {
        matches!(self.kind.as_str(), "pipette" | "flask")
    }

    pub(crate) fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        code(&mut errors, "code", &self.code);
        words(&mut errors, "description", &self.description);
        errors.require(
            KINDS.contains(&self.kind.as_str()),
            "kind",
            "one_of",
            format!("must be one of {}", KINDS.join(", ")),
            &self.kind,
        );
        let unit = match self.kind.as_str() {
            "balance" => "g",
            "thermometer" => "C",
            _ => "mL",
        };
        errors.require(self.unit == unit, "unit", "unit", format!("must be {unit} for a {}", self.kind), &self.unit);
        let ordered = self.range_high.value() > self.range_low.value();
        errors.require(ordered, "range_high", "order", "must be above the lower end of the range", &self.range_high);
        let reads = !self.is_vessel();
        match &self.resolution {
            Some(step) => errors.require(step.value() > 0.0, "resolution", "positive", "must be positive", step),
            None => errors.require(
                !reads,
                "resolution",
                "required",
                format!("a {} is read: give its reading step", self.kind),
                "",
            ),
        }
        errors.check()
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "equipment_code_once",
        code: Code::AlreadyExists,
        field: "code",
        detail: "there is equipment with this code",
    },
    ConstraintMeaning {
        constraint: "equipment_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
];

versioned! {
    table: equipment,
    id: EquipmentId,
    facts: EquipmentFacts,
    kind: ferrotitre_core::lifecycle::EntityKind::Equipment,
    path: "/api/v1/equipment",
    meanings: super::MEANINGS,
    also: [every, record, record_all, correct, advance, read, list],
}

/// Present facts of several pieces.
pub async fn present_facts(mut connection: &Connection, ids: &[Uuid]) -> Result<Vec<(Uuid, EquipmentFacts)>, Refusal> {
    Ok(equipment::table
        .filter(equipment::record_id.eq_any(ids))
        .order((equipment::record_id, equipment::version.desc()))
        .distinct_on(equipment::record_id)
        .select((equipment::record_id, EquipmentFacts::as_select()))
        .load(&mut connection)
        .await?)
}

/// A piece by its identity or by the code on its label now.
pub async fn by_code_or_id(connection: &Connection, named: &str) -> Result<Option<(Uuid, EquipmentFacts)>, Refusal> {
    if let Ok(id) = named.parse::<Uuid>() {
        return Ok(present_facts(connection, &[id]).await?.pop());
    }
    // A code that a correction took away is not its own any more.
    Ok(by_codes(connection, &[named.to_owned()]).await?.remove(named))
}

/// Pieces by the codes that they have at present.
pub async fn by_codes(
    mut connection: &Connection,
    codes: &[String],
) -> Result<std::collections::HashMap<String, (Uuid, EquipmentFacts)>, Refusal> {
    let ids: Vec<Uuid> = equipment::table
        .filter(equipment::code.eq_any(codes))
        .select(equipment::record_id)
        .distinct()
        .load(&mut connection)
        .await?;
    let present = present_facts(connection, &ids).await?;
    Ok(present.into_iter().map(|(id, facts)| (facts.code.clone(), (id, facts))).collect())
}

/// A check as entered.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCheck {
    /// passed or failed.
    #[schema(example = "passed")]
    pub outcome: String,
    /// Reading of the check.
    #[schema(example = "100.0001")]
    pub reading: Option<Decimal>,
    /// Reference value.
    #[schema(example = "100.0000")]
    pub reference: Option<Decimal>,
    /// What was seen.
    pub note: Option<String>,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// Why it is recorded so much later than observed: needed after more than a day, or whatever the laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
}

/// A check as stored.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = equipment_checks)]
pub struct Check {
    /// Identity.
    pub id: EquipmentCheckId,
    /// Equipment.
    pub equipment_id: Uuid,
    /// passed or failed.
    pub outcome: String,
    /// Reading of the check.
    pub reading: Option<Decimal>,
    /// Reference value.
    pub reference: Option<Decimal>,
    /// What was seen.
    pub note: Option<String>,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// Server time of recording.
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

impl ferrotitre_base::web::answer::Located for Check {
    fn location(&self) -> String {
        format!("/api/v1/equipment/{}/checks", self.equipment_id)
    }
}

pub async fn insert_check(mut connection: &Connection, row: &Check) -> Result<Check, Refusal> {
    Ok(diesel::insert_into(equipment_checks::table)
        .values(row)
        .returning(Check::as_returning())
        .get_result(&mut connection)
        .await?)
}

pub async fn check(mut connection: &Connection, id: Uuid) -> Result<Check, Refusal> {
    let row = equipment_checks::table
        .find(EquipmentCheckId(id))
        .select(Check::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    row.ok_or_else(|| Refusal::not_found("check", id))
}

/// Since when a piece has been here: since its first calibration, or else since it was recorded.
pub async fn there_since(mut connection: &Connection, piece: Uuid) -> Result<DateTime<Utc>, Refusal> {
    let calibrated: Option<NaiveDate> = equipment_calibrations::table
        .filter(equipment_calibrations::equipment_id.eq(piece))
        .select(diesel::dsl::min(equipment_calibrations::calibrated_on))
        .first(&mut connection)
        .await?;
    let recorded: DateTime<Utc> =
        equipment::table.find(EquipmentId(piece)).select(equipment::recorded_at).first(&mut connection).await?;
    Ok(bench_times::declared(recorded, calibrated))
}

pub async fn checks(mut connection: &Connection, equipment: Uuid) -> Result<Vec<Check>, Refusal> {
    Ok(equipment_checks::table
        .filter(equipment_checks::equipment_id.eq(equipment))
        .order(equipment_checks::id.desc())
        .limit(200)
        .select(Check::as_select())
        .load(&mut connection)
        .await?)
}

/// The kind whose states equipment has.
pub const KIND: EntityKind = EntityKind::Equipment;
