//! Equipment, with the newest calibration of each piece if the list has it, and calibrations by themselves, as rows.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use ferrotitre_base::db::{Act, Connection};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_html::form::{Field, Kind};
use ferrotitre_ledger::imports::tables::{Became, Column, Importable, Placed, Source, Wrong};
use serde::Deserialize;
use uuid::Uuid;

use super::{below, doubled};
use crate::equipment::pages::fields;
use crate::equipment::service;
use crate::equipment::stated::{EXPANDED, StatedUncertainty};
use crate::equipment::store::{self, CorrectionAt, EquipmentFacts, NewCalibration, versions};

/// Where a calibration is in a row's JSON.
const CALIBRATION: &str = "calibration";

/// Cells of a calibration, as far as they are filled in.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Cells {
    certificate: Option<String>,
    certificate_digest: Option<String>,
    calibrated_on: Option<NaiveDate>,
    due_on: Option<NaiveDate>,
    standard_uncertainty: Option<Decimal>,
    expanded_uncertainty: Option<Decimal>,
    coverage_factor: Option<Decimal>,
    degrees_of_freedom: Option<Decimal>,
    calibrated_value: Option<Decimal>,
    #[serde(default)]
    readings: Vec<Decimal>,
    #[serde(default)]
    corrections: Vec<Decimal>,
}

impl Cells {
    /// As it is entered by itself.
    fn entered(&self) -> Result<NewCalibration, Refusal> {
        let mut errors = FieldErrors::default();
        let mut needs = |there: bool, field: &str| {
            errors.require(there, field, "required", "must not be empty where there is a calibration", "");
        };
        needs(self.certificate.is_some(), "certificate");
        needs(self.calibrated_on.is_some(), "calibrated_on");
        needs(self.due_on.is_some(), "due_on");
        needs(self.standard_uncertainty.is_some() || self.expanded_uncertainty.is_some(), "standard_uncertainty");
        let (readings, corrections) = (self.readings.len(), self.corrections.len());
        let message = format!("needs as many as there are readings: {readings}");
        errors.require(readings == corrections, "corrections", "pairs", message, corrections);
        errors.check()?;
        let missing = || Refusal::new(Code::Internal, "a cell of a calibration got lost");
        let pairs = self.readings.iter().cloned().zip(self.corrections.iter().cloned());
        Ok(NewCalibration {
            certificate: self.certificate.clone().ok_or_else(missing)?,
            certificate_digest: self.certificate_digest.clone(),
            calibrated_on: self.calibrated_on.ok_or_else(missing)?,
            due_on: self.due_on.ok_or_else(missing)?,
            corrections: pairs.map(|(reading, correction)| CorrectionAt { reading, correction }).collect(),
            calibrated_value: self.calibrated_value.clone(),
            standard_uncertainty: self.standard_uncertainty.clone(),
            stated: self.expanded_uncertainty.is_some().then(|| StatedUncertainty {
                stated_as: EXPANDED.to_owned(),
                value: self.expanded_uncertainty.clone(),
                unit: None,
                coverage_factor: self.coverage_factor.clone(),
                accuracy_class: None,
                linearity: None,
            }),
            degrees_of_freedom: self.degrees_of_freedom.clone(),
        })
    }

    fn check(&self, equipment: &EquipmentFacts) -> Result<(), Refusal> {
        self.entered().and_then(|new| new.check(equipment)).map_err(|refusal| {
            // The rules name a pair of the corrections table; the list has the two in cells of their own.
            let mut refusal = refusal;
            for wrong in refusal.fields.iter_mut().filter(|wrong| wrong.field.starts_with("stated.")) {
                let column = if wrong.field == "stated.value" { "expanded_uncertainty" } else { "coverage_factor" };
                wrong.field = column.to_owned();
            }
            for wrong in refusal.fields.iter_mut().filter(|wrong| wrong.field.ends_with(".reading")) {
                wrong.field = wrong.field.replace("corrections[", "readings[");
            }
            below(CALIBRATION, refusal)
        })
    }
}

/// Columns of a calibration.
fn calibration_columns(required: bool) -> Vec<Column> {
    let needed = |field: Field| Field { required, ..field };
    let columns = [
        (needed(Field::new("certificate", "Calibration certificate", Kind::Text)), "CAL-2025-014"),
        (Field::new("certificate_digest", "SHA-256 of the certificate's file", Kind::Text).optional(), ""),
        (needed(Field::new("calibrated_on", "Day of calibration", Kind::Day)), "2025-01-20"),
        (needed(Field::new("due_on", "Last day of validity", Kind::Day)), "2027-01-20"),
        (
            Field::new("standard_uncertainty", "Standard uncertainty", Kind::Decimal)
                .optional()
                .help("In the unit of the equipment; or the expanded one with its coverage factor."),
            "0.015",
        ),
        (
            Field::new("expanded_uncertainty", "Expanded uncertainty", Kind::Decimal)
                .optional()
                .help("In the unit of the equipment, as the certificate states it."),
            "",
        ),
        (Field::new("coverage_factor", "Coverage factor k", Kind::Decimal).optional().help("Mostly 2."), ""),
        (
            Field::new("degrees_of_freedom", "Degrees of freedom", Kind::Decimal)
                .optional()
                .help("Left empty: unlimited."),
            "",
        ),
        (
            Field::new("calibrated_value", "Calibrated volume at 20 °C, mL", Kind::Decimal)
                .optional()
                .help("Of a pipette or flask."),
            "24.985",
        ),
        (
            Field::new("readings", "Corrections at readings, mL", Kind::Decimal)
                .optional()
                .help("Of a burette: at least 5 rising readings, or none."),
            "",
        ),
        (
            Field::new("corrections", "To be added, mL", Kind::Decimal)
                .optional()
                .help("Of a burette: one for every reading, in the same order."),
            "",
        ),
    ];
    let several = |column: Column| {
        if matches!(column.key.as_str(), "readings" | "corrections") { column.several() } else { column }
    };
    columns.map(|(field, example)| several(Column::of(field, example)).under(CALIBRATION)).to_vec()
}

/// A piece with its newest calibration.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Piece {
    facts: EquipmentFacts,
    calibration: Option<Cells>,
}

/// Equipment.
pub(super) struct Equipment;

impl Importable for Equipment {
    type Row = Piece;

    fn table(&self) -> &'static str {
        "equipment"
    }

    fn columns(&self) -> Vec<Column> {
        let examples = [
            "B-01",
            "burette",
            "50 mL burette with lateral stopcock",
            "AS",
            "4711",
            "bench 1",
            "0.00",
            "50.00",
            "0.02",
            "mL",
        ];
        let own = Column::all(fields(), &examples).into_iter().map(|column| column.under("facts"));
        own.chain(calibration_columns(false)).collect()
    }

    fn check(&self, row: &Piece) -> Result<(), Refusal> {
        let facts = row.facts.check().map_err(|refusal| below("facts", refusal));
        let calibration = row.calibration.as_ref().map_or(Ok(()), |cells| cells.check(&row.facts));
        match (facts, calibration) {
            (Err(mut one), Err(other)) => {
                one.fields.extend(other.fields);
                Err(one)
            }
            (facts, calibration) => facts.and(calibration),
        }
    }

    fn order(&self, _row: &Piece) -> DateTime<Utc> {
        DateTime::UNIX_EPOCH
    }

    async fn against(&self, connection: &Connection, rows: &[Placed<Piece>], wrong: &mut Wrong) -> Result<(), Refusal> {
        let codes: Vec<(u32, &str)> = rows.iter().map(|one| (one.number, one.row.facts.code.as_str())).collect();
        doubled(&codes, "facts.code", wrong, async |codes| versions::taken(connection, codes).await).await
    }

    async fn record(
        &self,
        connection: &Connection,
        act: &Act,
        rows: Vec<Placed<Piece>>,
        _source: &Source,
    ) -> Result<Vec<Became>, Refusal> {
        let facts = rows.iter().map(|one| one.row.facts.clone()).collect();
        let ids = versions::record_all(connection, act, facts).await?;
        let mut became = Vec::with_capacity(rows.len());
        for (Placed { number, row }, id) in rows.into_iter().zip(ids) {
            if let Some(cells) = row.calibration {
                service::record_calibration_in(connection, act, id, cells.entered()?).await?;
            }
            became.push(Became { row: number, id });
        }
        Ok(became)
    }
}

/// A calibration of a piece that is there.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct OfPiece {
    equipment: String,
    calibration: Cells,
}

/// Calibrations.
pub(super) struct Calibrations;

impl Calibrations {
    async fn pieces(
        connection: &Connection,
        rows: &[Placed<OfPiece>],
    ) -> Result<HashMap<String, (Uuid, EquipmentFacts)>, Refusal> {
        let codes: Vec<String> = rows.iter().map(|one| one.row.equipment.clone()).collect();
        store::by_codes(connection, &codes).await
    }
}

impl Importable for Calibrations {
    type Row = OfPiece;

    fn table(&self) -> &'static str {
        "calibrations"
    }

    fn columns(&self) -> Vec<Column> {
        let of =
            Field::new("equipment", "Equipment", Kind::Text).help("By the code on its label; it must be recorded.");
        std::iter::once(Column::of(of, "P-25")).chain(calibration_columns(true)).collect()
    }

    fn check(&self, _row: &OfPiece) -> Result<(), Refusal> {
        // What may stand there depends on the piece: see `against`.
        Ok(())
    }

    fn order(&self, row: &OfPiece) -> DateTime<Utc> {
        row.calibration.calibrated_on.map_or(DateTime::UNIX_EPOCH, |day| day.and_time(NaiveTime::MIN).and_utc())
    }

    async fn against(
        &self,
        connection: &Connection,
        rows: &[Placed<OfPiece>],
        wrong: &mut Wrong,
    ) -> Result<(), Refusal> {
        let pieces = Self::pieces(connection, rows).await?;
        let ids: Vec<Uuid> = pieces.values().map(|(id, _)| *id).collect();
        let there = store::calibrations_of(connection, &ids).await?;
        let there: HashSet<(Uuid, NaiveDate)> = there.iter().map(|row| (row.equipment_id, row.calibrated_on)).collect();
        let mut seen = HashMap::new();
        for Placed { number, row } in rows {
            let Some((id, facts)) = pieces.get(&row.equipment) else {
                wrong.field(*number, "equipment", "exists", "is the code of no equipment on record", &row.equipment);
                continue;
            };
            if let Err(refusal) = row.calibration.check(facts) {
                wrong.refusal(*number, &refusal);
            }
            let Some(day) = row.calibration.calibrated_on else { continue };
            if there.contains(&(*id, day)) {
                let message = format!("is taken: there is a calibration of {} of this day", row.equipment);
                wrong.taken(*number, "calibration.calibrated_on", &message, &day.to_string());
            } else if let Some(before) = seen.insert((*id, day), *number) {
                let message = format!("stands in row {before}, too: one calibration of a piece a day");
                wrong.field(*number, "calibration.calibrated_on", "doubled", &message, &day.to_string());
            }
        }
        Ok(())
    }

    async fn record(
        &self,
        connection: &Connection,
        act: &Act,
        rows: Vec<Placed<OfPiece>>,
        _source: &Source,
    ) -> Result<Vec<Became>, Refusal> {
        let pieces = Self::pieces(connection, &rows).await?;
        let mut became = Vec::with_capacity(rows.len());
        for Placed { number, row } in rows {
            let (id, _) = pieces.get(&row.equipment).ok_or_else(|| {
                Refusal::new(Code::StateConflict, format!("{} got another code meanwhile; try again", row.equipment))
            })?;
            let stored = service::record_calibration_in(connection, act, *id, row.calibration.entered()?).await?;
            became.push(Became { row: number, id: stored.id.0 });
        }
        Ok(became)
    }
}
