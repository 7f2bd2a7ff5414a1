//! What is supposed in place of what is on record: another certificate of a standard, another calibration, another concentration.
//!
//! A hypothesis changes rows after they were read and before anything is computed from them; the calculation is the same.

use ferrotitre_base::ids::{CalibrationId, FactorId};
use ferrotitre_base::pins::Used;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use uuid::Uuid;

use crate::equipment::store::{Calibration, CorrectionAt};
use crate::standards::primary;
use crate::titrants::store::{FactorRow, TitrantRow};

/// A hypothesis about what results rest on; the default supposes nothing.
#[derive(Debug, Clone, Default)]
pub struct Supposed {
    pub standard: Option<SupposedStandard>,
    pub calibration: Option<SupposedCalibration>,
    pub factor: Option<SupposedFactor>,
}

/// A primary standard, in every version, with another certificate.
#[derive(Debug, Clone)]
pub struct SupposedStandard {
    /// The standard.
    pub record: Uuid,
    pub mass_fraction: Decimal,
    /// As on record where it is not given.
    pub expanded_uncertainty: Option<Decimal>,
}

/// A calibration with other figures; those not given are as on record.
#[derive(Debug, Clone)]
pub struct SupposedCalibration {
    pub id: CalibrationId,
    pub calibrated_value: Option<Decimal>,
    pub standard_uncertainty: Option<Decimal>,
    /// A table of corrections, as it is kept.
    pub corrections: Option<serde_json::Value>,
}

/// A factor with another concentration.
#[derive(Debug, Clone)]
pub struct SupposedFactor {
    pub id: FactorId,
    /// mol/L.
    pub concentration: Decimal,
    /// mol/L; as on record where it is not given.
    pub standard_uncertainty: Option<Decimal>,
}

/// A table of corrections from text: pairs of reading and correction in mL, the two separated by a colon, pairs by spaces,
/// commas or semicolons.
pub fn corrections(text: &str) -> Option<Vec<CorrectionAt>> {
    let pairs = text.split(|c: char| c.is_whitespace() || matches!(c, ',' | ';')).filter(|pair| !pair.is_empty());
    let point = |pair: &str| {
        let (reading, correction) = pair.split_once(':')?;
        Some(CorrectionAt { reading: reading.parse().ok()?, correction: correction.parse().ok()? })
    };
    pairs.map(point).collect()
}

impl Supposed {
    /// Changes a version of a standard; whether it was concerned.
    pub(crate) fn in_standard(&self, row: &mut primary::versions::Row) -> bool {
        let Some(of) = self.standard.as_ref().filter(|of| of.record == row.record_id) else { return false };
        row.facts.mass_fraction = of.mass_fraction.clone();
        if let Some(expanded) = &of.expanded_uncertainty {
            row.facts.expanded_uncertainty = expanded.clone();
        }
        true
    }

    /// Changes a calibration.
    pub(crate) fn in_calibration(&self, row: &mut Calibration) {
        let Some(of) = self.calibration.as_ref().filter(|of| of.id == row.id) else { return };
        if let Some(value) = &of.calibrated_value {
            row.calibrated_value = Some(value.clone());
        }
        if let Some(u) = &of.standard_uncertainty {
            row.standard_uncertainty = u.clone();
        }
        if let Some(corrections) = &of.corrections {
            row.corrections = corrections.clone();
        }
    }

    /// Changes a factor; whether it was concerned itself.
    pub(crate) fn in_factor(&self, row: &mut FactorRow, lot: &TitrantRow) -> Result<bool, Refusal> {
        let Some(of) = self.factor.as_ref().filter(|of| of.id == row.id) else { return Ok(false) };
        row.concentration = of.concentration.clone();
        if let Some(u) = &of.standard_uncertainty {
            row.standard_uncertainty = u.clone();
        }
        let factor = Decimal::of(of.concentration.value() / lot.nominal_mol_per_l.value());
        row.factor = factor.ok_or_else(|| Refusal::new(Code::Internal, "a factor is not a number"))?;
        Ok(true)
    }

    /// Whether an evaluation read the calibration that is supposed to be another.
    pub(crate) fn concerns(&self, used: &Used) -> bool {
        self.calibration.as_ref().is_some_and(|of| used.of("equipment_calibrations").contains(&of.id.0))
    }

    /// Whether factors may come out differently.
    pub fn reaches_factors(&self) -> bool {
        self.standard.is_some() || self.calibration.is_some() || self.factor.is_some()
    }
}
