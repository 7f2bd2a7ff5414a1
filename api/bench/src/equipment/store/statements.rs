//! What certificates state, beside the calibrations recorded from it.

use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use uuid::Uuid;

use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, CalibrationId, CalibrationStatementId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_schema::{calibration_statements, equipment_calibrations};

use crate::equipment::stated::StatedUncertainty;

#[derive(Queryable, Selectable)]
#[diesel(table_name = calibration_statements)]
struct Row {
    calibration_id: Uuid,
    stated_as: String,
    value: Option<Decimal>,
    unit: Option<String>,
    coverage_factor: Option<Decimal>,
    accuracy_class: Option<String>,
    linearity: Option<Decimal>,
}

/// Records what was stated.
pub async fn insert(
    mut connection: &Connection,
    calibration: CalibrationId,
    stated: &StatedUncertainty,
    by: AccountId,
) -> Result<(), Refusal> {
    diesel::insert_into(calibration_statements::table)
        .values((
            calibration_statements::id.eq(CalibrationStatementId::new()),
            calibration_statements::calibration_id.eq(calibration),
            calibration_statements::stated_as.eq(&stated.stated_as),
            calibration_statements::value.eq(&stated.value),
            calibration_statements::unit.eq(&stated.unit),
            calibration_statements::coverage_factor.eq(&stated.coverage_factor),
            calibration_statements::accuracy_class.eq(&stated.accuracy_class),
            calibration_statements::linearity.eq(&stated.linearity),
            calibration_statements::recorded_by.eq(by),
        ))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// What was stated for the calibrations of a piece of equipment.
pub async fn of(mut connection: &Connection, equipment: Uuid) -> Result<Vec<(Uuid, StatedUncertainty)>, Refusal> {
    let rows: Vec<Row> = calibration_statements::table
        .inner_join(
            equipment_calibrations::table.on(equipment_calibrations::id.eq(calibration_statements::calibration_id)),
        )
        .filter(equipment_calibrations::equipment_id.eq(equipment))
        .select(Row::as_select())
        .load(&mut connection)
        .await?;
    let stated = |row: Row| {
        let stated = StatedUncertainty {
            stated_as: row.stated_as,
            value: row.value,
            unit: row.unit,
            coverage_factor: row.coverage_factor,
            accuracy_class: row.accuracy_class,
            linearity: row.linearity,
        };
        (row.calibration_id, stated)
    };
    Ok(rows.into_iter().map(stated).collect())
}
