//! Which calibration and which check corrects which; both stay.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use uuid::Uuid;

use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, CalibrationCorrectionId, CalibrationId, CheckCorrectionId, EquipmentCheckId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_schema::{calibration_corrections, check_corrections, equipment_calibrations, equipment_checks};

use crate::equipment::store::Check;

/// Which calibration or check corrects which.
#[derive(Debug, Clone)]
pub struct Corrected {
    /// The row as it should be.
    pub by: Uuid,
    /// The row that was wrong.
    pub corrects: Uuid,
    /// Why.
    pub reason: String,
}

fn corrected((by, corrects, reason): (Uuid, Uuid, String)) -> Corrected {
    Corrected { by, corrects, reason }
}

const CORRECTION_MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "calibration_corrections_once",
        code: Code::StaleVersion,
        field: "",
        detail: "this calibration was corrected already; correct the one that took its place",
    },
    ConstraintMeaning {
        constraint: "check_corrections_once",
        code: Code::StaleVersion,
        field: "",
        detail: "this check was corrected already; correct the one that took its place",
    },
];

/// Announces that a calibration, which is inserted next, corrects another.
pub async fn insert_calibration_correction(
    mut connection: &Connection,
    calibration: CalibrationId,
    (corrects, reason): (CalibrationId, &str),
    by: AccountId,
) -> Result<(), Refusal> {
    diesel::insert_into(calibration_corrections::table)
        .values((
            calibration_corrections::id.eq(CalibrationCorrectionId::new()),
            calibration_corrections::calibration_id.eq(calibration),
            calibration_corrections::corrects_id.eq(corrects),
            calibration_corrections::reason.eq(reason),
            calibration_corrections::recorded_by.eq(by),
        ))
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, CORRECTION_MEANINGS))?;
    Ok(())
}

/// Announces that a check, which is inserted next, corrects another.
pub async fn insert_check_correction(
    mut connection: &Connection,
    check: EquipmentCheckId,
    (corrects, reason): (EquipmentCheckId, &str),
    by: AccountId,
) -> Result<(), Refusal> {
    diesel::insert_into(check_corrections::table)
        .values((
            check_corrections::id.eq(CheckCorrectionId::new()),
            check_corrections::check_id.eq(check),
            check_corrections::corrects_id.eq(corrects),
            check_corrections::reason.eq(reason),
            check_corrections::recorded_by.eq(by),
        ))
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, CORRECTION_MEANINGS))?;
    Ok(())
}

/// Corrections of the calibrations of several pieces.
pub async fn calibration_corrections_of(
    mut connection: &Connection,
    pieces: &[Uuid],
) -> Result<Vec<Corrected>, Refusal> {
    let rows: Vec<(Uuid, Uuid, String)> = calibration_corrections::table
        .inner_join(
            equipment_calibrations::table.on(equipment_calibrations::id.eq(calibration_corrections::corrects_id)),
        )
        .filter(equipment_calibrations::equipment_id.eq_any(pieces))
        .select((
            calibration_corrections::calibration_id,
            calibration_corrections::corrects_id,
            calibration_corrections::reason,
        ))
        .load(&mut connection)
        .await?;
    Ok(rows.into_iter().map(corrected).collect())
}

/// Corrections of the checks of a piece.
pub async fn check_corrections_of(mut connection: &Connection, equipment: Uuid) -> Result<Vec<Corrected>, Refusal> {
    let rows: Vec<(Uuid, Uuid, String)> = check_corrections::table
        .inner_join(equipment_checks::table.on(equipment_checks::id.eq(check_corrections::corrects_id)))
        .filter(equipment_checks::equipment_id.eq(equipment))
        .select((check_corrections::check_id, check_corrections::corrects_id, check_corrections::reason))
        .load(&mut connection)
        .await?;
    Ok(rows.into_iter().map(corrected).collect())
}

/// The last check of a piece up to a moment and the first after it; such as were corrected do not count.
pub async fn checks_around(
    mut connection: &Connection,
    piece: Uuid,
    at: DateTime<Utc>,
) -> Result<[Option<Check>; 2], Refusal> {
    let counting = || {
        let corrected = "NOT EXISTS (SELECT FROM check_corrections k WHERE k.corrects_id = equipment_checks.id)";
        equipment_checks::table
            .filter(equipment_checks::equipment_id.eq(piece))
            .filter(diesel::dsl::sql::<diesel::sql_types::Bool>(corrected))
            .select(Check::as_select())
    };
    let before = counting()
        .filter(equipment_checks::observed_at.le(at))
        .order((equipment_checks::observed_at.desc(), equipment_checks::id.desc()))
        .first(&mut connection)
        .await
        .optional()?;
    let after = counting()
        .filter(equipment_checks::observed_at.gt(at))
        .order((equipment_checks::observed_at, equipment_checks::id))
        .first(&mut connection)
        .await
        .optional()?;
    Ok([before, after])
}
