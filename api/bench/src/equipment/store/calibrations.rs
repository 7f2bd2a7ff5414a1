//! Calibrations: as entered, as stored, and which of them counts.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, CalibrationId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal, from_store};
use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::decimal::{Decimal, in_range, words};
use ferrotitre_schema::equipment_calibrations;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::equipment::stated::{CLASS, StatedUncertainty};
use crate::equipment::store::EquipmentFacts;

/// A line of a corrections table.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CorrectionAt {
    /// Reading, mL.
    #[schema(example = "10.00")]
    pub reading: Decimal,
    /// To be added to the reading, mL.
    #[schema(example = "-0.02")]
    pub correction: Decimal,
}

/// Decimals of a standard uncertainty that follows from what is stated: as many as a reading may have.
const DECIMALS: usize = 9;

/// A calibration as entered.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCalibration {
    /// Certificate number.
    #[schema(example = "CAL-2026-014")]
    pub certificate: String,
    /// SHA-256 of the certificate's file, hexadecimal.
    pub certificate_digest: Option<String>,
    /// Day of calibration.
    pub calibrated_on: NaiveDate,
    /// Last day of validity.
    pub due_on: NaiveDate,
    /// Corrections table of a burette: at least 5 rising readings, or none.
    #[serde(default)]
    pub corrections: Vec<CorrectionAt>,
    /// Calibrated volume of a pipette or flask at 20 C, mL.
    #[schema(example = "24.985")]
    pub calibrated_value: Option<Decimal>,
    /// Standard uncertainty of a volume or mass, in the unit of the equipment; this, or `stated`.
    #[schema(example = "0.015")]
    pub standard_uncertainty: Option<Decimal>,
    /// What the certificate or the mark states, from which the standard uncertainty follows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stated: Option<StatedUncertainty>,
    /// Degrees of freedom of that uncertainty; absent for unlimited.
    pub degrees_of_freedom: Option<Decimal>,
}

impl NewCalibration {
    /// Its volume; of a vessel that has only its class the nominal one.
    pub fn volume(&self, equipment: &EquipmentFacts) -> Option<Decimal> {
        let by_class = self.stated.as_ref().is_some_and(|stated| stated.stated_as == CLASS);
        let nominal = || (equipment.is_vessel() && by_class).then(|| equipment.range_high.clone());
        self.calibrated_value.clone().or_else(nominal)
    }

    /// Its standard uncertainty, given or from what is stated.
    ///
    /// # Errors
    /// Both or neither are given; what is stated cannot be.
    pub fn uncertainty(&self, equipment: &EquipmentFacts) -> Result<Decimal, Refusal> {
        match (&self.standard_uncertainty, &self.stated) {
            (Some(given), None) => Ok(given.clone()),
            (None, Some(stated)) => {
                let of = self.volume(equipment).unwrap_or_else(|| equipment.range_high.clone());
                let u = stated.standard_uncertainty(equipment, &of)?;
                let shown = format!("{u:.DECIMALS$}");
                if shown.bytes().all(|digit| matches!(digit, b'0' | b'.')) {
                    let message = format!("gives a standard uncertainty below 1e-{DECIMALS} {}", equipment.unit);
                    return Err(Refusal::invalid("stated.value", "too_small", message, u));
                }
                shown.trim_end_matches('0').trim_end_matches('.').parse().map_err(Refusal::internal)
            }
            (Some(given), Some(_)) => {
                let message = "either the standard uncertainty, or what is stated in its place";
                Err(Refusal::invalid("standard_uncertainty", "either", message, given))
            }
            (None, None) => {
                let message = "give the standard uncertainty, or what the certificate states in its place";
                Err(Refusal::invalid("standard_uncertainty", "required", message, ""))
            }
        }
    }

    pub fn check(&self, equipment: &EquipmentFacts) -> Result<(), Refusal> {
        let u = self.uncertainty(equipment)?;
        let mut errors = FieldErrors::default();
        words(&mut errors, "certificate", &self.certificate);
        errors.require(
            self.due_on > self.calibrated_on,
            "due_on",
            "order",
            "must be after the day of calibration",
            self.due_on,
        );
        let vessel = equipment.is_vessel();
        if vessel || equipment.is_burette() {
            // The widest tolerance of ISO 648 is 2 % of the volume (0.5 mL, class B).
            let nominal = equipment.range_high.value();
            let unit = "mL (within 5 % of the nominal volume)";
            in_range(&mut errors, "standard_uncertainty", &u, 0.0, 0.05 * nominal, unit);
        } else {
            in_range(&mut errors, "standard_uncertainty", &u, 0.0, 1000.0, &equipment.unit);
        }
        if let Some(dof) = &self.degrees_of_freedom {
            errors.require(dof.value() > 0.0, "degrees_of_freedom", "positive", "must be positive", dof);
        }
        match &self.volume(equipment) {
            Some(value) => {
                errors.require(vessel, "calibrated_value", "kind", "is for a pipette or flask only", value);
                let nominal = equipment.range_high.value();
                in_range(
                    &mut errors,
                    "calibrated_value",
                    value,
                    0.98 * nominal,
                    1.02 * nominal,
                    "mL (within 2 % of the nominal volume)",
                );
            }
            None => errors.require(
                !vessel,
                "calibrated_value",
                "required",
                format!("a {} needs its calibrated volume", equipment.kind),
                "",
            ),
        }
        self.check_corrections(&mut errors, equipment.is_burette());
        errors.check()
    }

    /// A table of corrections is of a burette, has points enough to lie on, and rises.
    fn check_corrections(&self, errors: &mut FieldErrors, burette: bool) {
        errors.require(
            burette || self.corrections.is_empty(),
            "corrections",
            "kind",
            "are for a burette only",
            self.corrections.len(),
        );
        let several = self.corrections.is_empty() || self.corrections.len() >= 5;
        errors.require(several, "corrections", "points", "needs at least 5 points, or none", self.corrections.len());
        for (index, pair) in self.corrections.windows(2).enumerate() {
            let rises = pair[1].reading.value() > pair[0].reading.value();
            let field = format!("corrections[{}].reading", index + 1);
            errors.require(rises, &field, "rising", "readings must rise", &pair[1].reading);
        }
        for (index, point) in self.corrections.iter().enumerate() {
            in_range(errors, &format!("corrections[{index}].correction"), &point.correction, -1.0, 1.0, "mL");
        }
    }
}

/// A calibration as stored.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = equipment_calibrations)]
pub struct Calibration {
    /// Identity.
    pub id: CalibrationId,
    /// Equipment.
    pub equipment_id: Uuid,
    /// Certificate number.
    pub certificate: String,
    /// SHA-256 of the certificate's file.
    pub certificate_digest: Option<String>,
    /// Day of calibration.
    pub calibrated_on: NaiveDate,
    /// Last day of validity.
    pub due_on: NaiveDate,
    /// Corrections table, as entered.
    #[schema(value_type = Vec<CorrectionAt>)]
    pub corrections: serde_json::Value,
    /// Calibrated volume at 20 C, mL.
    pub calibrated_value: Option<Decimal>,
    /// Standard uncertainty, in the unit of the equipment.
    pub standard_uncertainty: Decimal,
    /// Degrees of freedom; absent for unlimited.
    pub degrees_of_freedom: Option<Decimal>,
    /// Server time of recording.
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

impl Located for Calibration {
    fn location(&self) -> String {
        format!("/api/v1/equipment/{}/calibrations", self.equipment_id)
    }
}

impl Calibration {
    /// The corrections table as numbers.
    pub fn table(&self) -> Result<Vec<(f64, f64)>, Refusal> {
        let points: Vec<CorrectionAt> = serde_json::from_value(self.corrections.clone()).map_err(Refusal::internal)?;
        Ok(points.iter().map(|point| (point.reading.value(), point.correction.value())).collect())
    }
}

const CALIBRATION_MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "equipment_calibrations_day_once",
    code: Code::AlreadyExists,
    field: "calibrated_on",
    detail: "there is a calibration of that day",
}];

pub async fn insert_calibration(mut connection: &Connection, row: &Calibration) -> Result<Calibration, Refusal> {
    diesel::insert_into(equipment_calibrations::table)
        .values(row)
        .returning(Calibration::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, CALIBRATION_MEANINGS))
}

pub async fn calibration(mut connection: &Connection, id: Uuid) -> Result<Calibration, Refusal> {
    let row = equipment_calibrations::table
        .find(CalibrationId(id))
        .select(Calibration::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    row.ok_or_else(|| Refusal::not_found("calibration", id))
}

pub async fn calibrations(mut connection: &Connection, equipment: Uuid) -> Result<Vec<Calibration>, Refusal> {
    Ok(equipment_calibrations::table
        .filter(equipment_calibrations::equipment_id.eq(equipment))
        .order((equipment_calibrations::calibrated_on.desc(), equipment_calibrations::id.desc()))
        .select(Calibration::as_select())
        .load(&mut connection)
        .await?)
}

/// The newest calibration that had begun on a day; one that was corrected does not count.
pub async fn calibration_on(
    mut connection: &Connection,
    equipment: Uuid,
    day: NaiveDate,
) -> Result<Option<Calibration>, Refusal> {
    Ok(equipment_calibrations::table
        .filter(equipment_calibrations::equipment_id.eq(equipment))
        .filter(equipment_calibrations::calibrated_on.le(day))
        .filter(counts())
        .order(equipment_calibrations::calibrated_on.desc())
        .select(Calibration::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}

/// All calibrations of several pieces.
pub async fn calibrations_of(mut connection: &Connection, ids: &[Uuid]) -> Result<Vec<Calibration>, Refusal> {
    Ok(equipment_calibrations::table
        .filter(equipment_calibrations::equipment_id.eq_any(ids))
        .select(Calibration::as_select())
        .load(&mut connection)
        .await?)
}

/// Whether a calibration was not corrected.
fn counts() -> diesel::expression::SqlLiteral<diesel::sql_types::Bool> {
    diesel::dsl::sql(
        "NOT EXISTS (SELECT FROM calibration_corrections k WHERE k.corrects_id = equipment_calibrations.id)",
    )
}

/// The latest calibration of every piece, if it ends by a day.
pub(in crate::equipment) async fn calibrations_ending(
    mut connection: &Connection,
    until: NaiveDate,
) -> Result<Vec<(Uuid, NaiveDate)>, Refusal> {
    let latest: Vec<(Uuid, NaiveDate)> = equipment_calibrations::table
        .filter(counts())
        .order((equipment_calibrations::equipment_id, equipment_calibrations::calibrated_on.desc()))
        .distinct_on(equipment_calibrations::equipment_id)
        .select((equipment_calibrations::equipment_id, equipment_calibrations::due_on))
        .load(&mut connection)
        .await?;
    Ok(latest.into_iter().filter(|(_, due)| *due <= until).collect())
}
