//! Equipment as an evaluation takes it: versions and calibrations, read at once, whatever the state of a piece is now.
//!
//! Whether a piece may be used is asked when something is recorded with it. What was recorded stays readable.

use std::collections::HashMap;

use chrono::NaiveDate;
use uuid::Uuid;

use crate::equipment::store::corrections::{self, Corrected};
use crate::equipment::store::{self, Calibration, EquipmentFacts, versions};
use crate::supposed::Supposed;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{CalibrationId, EquipmentId};
use ferrotitre_base::pins::Sight;
use ferrotitre_base::refusal::{Code, Refusal};

/// Equipment with all its versions and calibrations.
#[derive(Debug, Default)]
pub struct Shelf {
    versions: HashMap<Uuid, Vec<versions::Row>>,
    calibrations: HashMap<Uuid, Vec<Calibration>>,
    /// The calibration that corrects another.
    corrected_by: HashMap<Uuid, Uuid>,
}

/// A piece as it is read: a version and a calibration.
#[derive(Debug, Clone, Copy)]
pub struct Found<'a> {
    pub version: EquipmentId,
    pub facts: &'a EquipmentFacts,
    pub calibration: &'a Calibration,
}

impl Shelf {
    /// Reads the named equipment in three queries, sent together.
    pub async fn load(connection: &Connection, ids: &[Uuid]) -> Result<Self, Refusal> {
        if ids.is_empty() {
            return Ok(Self::default());
        }
        let (rows, calibrations, corrected) = futures_util::try_join!(
            versions::every(connection, ids),
            store::calibrations_of(connection, ids),
            corrections::calibration_corrections_of(connection, ids)
        )?;
        let mut shelf = Self::default();
        for row in rows {
            shelf.versions.entry(row.record_id).or_default().push(row);
        }
        for row in calibrations {
            shelf.calibrations.entry(row.equipment_id).or_default().push(row);
        }
        shelf.corrected_by = corrected.into_iter().map(|Corrected { by, corrects, .. }| (corrects, by)).collect();
        Ok(shelf)
    }

    /// Puts calibrations as a hypothesis has them.
    pub fn suppose(&mut self, supposed: &Supposed) {
        for row in self.calibrations.values_mut().flatten() {
            supposed.in_calibration(row);
        }
    }

    fn version(&self, id: Uuid, sight: &Sight) -> Option<&versions::Row> {
        self.versions.get(&id)?.iter().rfind(|row| sight.sees(row.id.0, row.recorded_at))
    }

    fn all(&self, id: Uuid) -> &[Calibration] {
        self.calibrations.get(&id).map_or(&[], Vec::as_slice)
    }

    /// Whether a calibration is read: seen, and not corrected by one that is seen.
    fn counts(&self, row: &Calibration, sight: &Sight) -> bool {
        let correction = self.corrected_by.get(&row.id.0);
        let seen = |by: &&Uuid| {
            let found = self.all(row.equipment_id).iter().find(|other| other.id.0 == **by);
            found.is_some_and(|other| sight.sees(other.id.0, other.recorded_at))
        };
        sight.sees(row.id.0, row.recorded_at) && correction.filter(seen).is_none()
    }

    /// A piece with the calibration that was valid on a day.
    ///
    /// # Errors
    /// Unknown, or without a calibration on that day.
    pub fn on(&self, id: Uuid, day: NaiveDate, sight: &Sight) -> Result<Found<'_>, Refusal> {
        let missing = || {
            Refusal::new(Code::NotEnoughData, format!("not enough data: equipment {id} had no calibration on {day}"))
        };
        let version = self.version(id, sight).ok_or_else(missing)?;
        let begun = self.all(id).iter().filter(|row| row.calibrated_on <= day && self.counts(row, sight));
        let calibration = begun.max_by_key(|row| row.calibrated_on).ok_or_else(missing)?;
        Ok(Found { version: version.id, facts: &version.facts, calibration })
    }

    /// A piece with a calibration by its id, or with the one that corrects it.
    ///
    /// # Errors
    /// A record that refers to nothing.
    pub fn with(&self, id: Uuid, calibration: CalibrationId, sight: &Sight) -> Result<Found<'_>, Refusal> {
        let missing =
            || Refusal::new(Code::Internal, format!("calibration {calibration} of equipment {id} is missing"));
        let version = self.version(id, sight).ok_or_else(missing)?;
        let find = |wanted: Uuid| self.all(id).iter().find(|row| row.id.0 == wanted);
        let mut read = find(calibration.0).ok_or_else(missing)?;
        let mut next = self.corrected_by.get(&calibration.0).and_then(|by| find(*by));
        while let Some(correction) = next {
            if sight.sees(correction.id.0, correction.recorded_at) {
                read = correction;
            }
            next = self.corrected_by.get(&correction.id.0).and_then(|by| find(*by));
        }
        Ok(Found { version: version.id, facts: &version.facts, calibration: read })
    }

    /// A calibration by its id.
    pub fn calibration(&self, id: Uuid) -> Option<&Calibration> {
        self.calibrations.values().flatten().find(|row| row.id.0 == id)
    }

    /// Label of a piece.
    pub fn code(&self, id: Uuid, sight: &Sight) -> Option<String> {
        self.version(id, sight).map(|row| row.facts.code.clone())
    }

    /// Everything on the shelf with the time it was recorded: table, row, time.
    pub fn recorded(&self) -> impl Iterator<Item = (&'static str, Uuid, chrono::DateTime<chrono::Utc>)> {
        let versions = self.versions.values().flatten().map(|row| ("equipment", row.id.0, row.recorded_at));
        let calibrations = self.calibrations.values().flatten();
        versions.chain(calibrations.map(|row| ("equipment_calibrations", row.id.0, row.recorded_at)))
    }
}
