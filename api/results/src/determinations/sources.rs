//! What a determination refers to, and the record core evaluates made from it; the same for one and for many.

use std::cell::RefCell;
use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::{CalibrationId, DeterminationId, EquipmentId, FactorId, TitrationId};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_bench::methods::store::MethodFacts;
use ferrotitre_bench::samples::portions;
use ferrotitre_bench::titrants::factors::{core_factor, interpolated_factor};
use ferrotitre_bench::titrants::service::vessel;
use ferrotitre_bench::titrants::standardisations::burette;
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_bench::titrants::store::corrections::Corrections;
use ferrotitre_core::determination::{
    Blank, BlankKind, Burette, Density, DilutionStep, Excess, Factor, Portion, PortionAmount, Record, Segment,
    Standing, Titration, TitrationKind, Vessel,
};
use uuid::Uuid;

use crate::determinations::record::TITRATION;
use crate::determinations::store::TitrationRow;
use crate::runs::blanks;
use ferrotitre_base::pins::{Sight, Used};
use ferrotitre_bench::equipment::shelf::{Found, Shelf};

/// Rows of one determination that are seen.
pub(super) struct Facts<'a> {
    pub(super) id: DeterminationId,
    pub(super) method: &'a MethodFacts,
    pub(super) portion: &'a portions::Row,
    pub(super) steps: &'a [&'a portions::StepRow],
    /// Blanks of the run that count, with what was added to them.
    pub(super) blanks: &'a [(&'a blanks::Row, Option<&'a blanks::AdditionRow>)],
    pub(super) titrations: &'a [&'a TitrationRow],
    /// Factors of the lots, where the method interpolates.
    pub(super) of_lots: Option<&'a [&'a titrants::FactorRow]>,
    pub(super) sight: &'a Sight,
}

fn segments(initial: &[Decimal], last: &[Decimal]) -> Vec<Segment> {
    initial
        .iter()
        .zip(last)
        .map(|(initial, last)| Segment { initial: initial.reading().clone(), last: last.reading().clone() })
        .collect()
}

fn standing(state: &str, cause: Option<&StateMove>) -> Standing {
    match state {
        "superseded" => Standing::Superseded,
        "rejected" => Standing::Rejected {
            cause: cause.and_then(|step| step.cause.clone()).unwrap_or_default(),
            reason: cause.and_then(|step| step.reason.clone()).unwrap_or_default(),
        },
        _ => Standing::Counted,
    }
}

/// What records refer to, read at once. What was made of a row is kept for the next record that refers to it.
pub(super) struct Source<'a> {
    shelf: &'a Shelf,
    factors: HashMap<FactorId, &'a (titrants::FactorRow, titrants::TitrantRow)>,
    corrections: &'a Corrections,
    /// Moves of every titration, oldest first.
    judged: HashMap<Uuid, &'a [StateMove]>,
    /// By version and calibration of a piece.
    burettes: RefCell<HashMap<(EquipmentId, CalibrationId), Burette>>,
    vessels: RefCell<HashMap<(EquipmentId, CalibrationId), Vessel>>,
    /// Rows read so far; none where nobody asks.
    used: Option<RefCell<Used>>,
    /// Whether calibrations and factors are those that would have been taken had everything been on record then that is now.
    pub(super) hindsight: bool,
    /// Factors of the lots in place of those on record.
    lots: Option<&'a [titrants::FactorRow]>,
}

impl<'a> Source<'a> {
    /// From equipment, factors with their lots and which is read in the place of which, and the moves of titrations, those of one
    /// together.
    pub(super) fn new(
        shelf: &'a Shelf,
        (factors, corrections): (&'a [(titrants::FactorRow, titrants::TitrantRow)], &'a Corrections),
        judged: &'a [StateMove],
    ) -> Self {
        let of_one = judged.chunk_by(|a, b| a.entity_id == b.entity_id);
        Self {
            shelf,
            factors: factors.iter().map(|pair| (pair.0.id, pair)).collect(),
            corrections,
            judged: of_one.filter_map(|moves| Some((moves.first()?.entity_id, moves))).collect(),
            burettes: RefCell::default(),
            vessels: RefCell::default(),
            used: None,
            hindsight: false,
            lots: None,
        }
    }

    /// The same, which notes every row it reads.
    pub(super) fn noting(self) -> Self {
        Self { used: Some(RefCell::default()), ..self }
    }

    /// The same with hindsight, and with these factors of the lots.
    pub(super) fn in_hindsight(self, lots: &'a [titrants::FactorRow]) -> Self {
        Self { hindsight: true, lots: Some(lots), ..self }
    }

    /// Factors of the lots: its own, or else those on record.
    pub(super) fn lots_or<'b>(&self, on_record: &'b [titrants::FactorRow]) -> &'b [titrants::FactorRow]
    where
        'a: 'b,
    {
        self.lots.unwrap_or(on_record)
    }

    /// The rows read since this was last asked.
    pub(super) fn take_used(&self) -> Used {
        self.used.as_ref().map(RefCell::take).unwrap_or_default()
    }

    fn note(&self, kind: &str, row: Uuid, at: DateTime<Utc>) {
        if let Some(used) = &self.used {
            used.borrow_mut().add(kind, row, at);
        }
    }

    fn note_found(&self, found: Found<'_>, at: DateTime<Utc>) {
        self.note("equipment", found.version.0, at);
        self.note("equipment_calibrations", found.calibration.id.0, at);
    }

    /// The record of a determination, and the state of each of its titrations.
    pub(super) fn record(&self, facts: &Facts<'_>) -> Result<(Record, Vec<String>), Refusal> {
        let method = facts.method;
        let states: Vec<String> =
            facts.titrations.iter().map(|titration| self.state_of(titration, facts).to_owned()).collect();
        let mut titrations = Vec::with_capacity(facts.titrations.len());
        for (titration, state) in facts.titrations.iter().zip(&states) {
            titrations.push(self.titration(titration, state, facts)?);
        }
        let record = Record {
            id: facts.id.to_string(),
            rules: method.rules.0.to_core(&method.chemistry, &method.indicator),
            portion: self.portion(facts)?,
            titrations,
            blanks: facts.blanks.iter().map(|blank| self.blank(*blank, facts)).collect::<Result<_, _>>()?,
        };
        Ok((record, states))
    }

    fn state_of(&self, titration: &TitrationRow, facts: &Facts<'_>) -> &str {
        if facts.titrations.iter().any(|other| other.supersedes == Some(titration.id)) {
            return "superseded";
        }
        let last = self.moves(titration.id, facts.sight).last();
        last.map_or(TITRATION.first_state(), |step| step.to_state.as_str())
    }

    fn moves(&self, titration: TitrationId, sight: &Sight) -> impl Iterator<Item = &'a StateMove> {
        let all = self.judged.get(&titration.0).copied().unwrap_or_default();
        all.iter().filter(|step| sight.sees(step.id.0, step.recorded_at))
    }

    fn burette(
        &self,
        (id, calibration): (Uuid, CalibrationId),
        at: DateTime<Utc>,
        sight: &Sight,
    ) -> Result<Burette, Refusal> {
        let found = if self.hindsight {
            self.shelf.on(id, at.date_naive(), sight)?
        } else {
            self.shelf.with(id, calibration, sight)?
        };
        self.note_found(found, at);
        let key = (found.version, found.calibration.id);
        if let Some(known) = self.burettes.borrow().get(&key) {
            return Ok(known.clone());
        }
        let made = burette(found)?;
        self.burettes.borrow_mut().insert(key, made.clone());
        Ok(made)
    }

    fn vessel(&self, id: Uuid, at: DateTime<Utc>, sight: &Sight) -> Result<Vessel, Refusal> {
        let found = self.shelf.on(id, at.date_naive(), sight)?;
        self.note_found(found, at);
        let key = (found.version, found.calibration.id);
        if let Some(known) = self.vessels.borrow().get(&key) {
            return Ok(known.clone());
        }
        let made = vessel(found);
        self.vessels.borrow_mut().insert(key, made.clone());
        Ok(made)
    }

    fn factor(&self, id: FactorId, at: DateTime<Utc>, facts: &Facts<'_>) -> Result<Factor, Refusal> {
        let found = self.factors.get(&self.corrections.read(id, facts.sight));
        let (recorded, lot) = found.ok_or_else(|| Refusal::new(Code::Internal, "a factor in a record is missing"))?;
        let mut factor = recorded;
        if let Some(of_lots) = facts.of_lots.filter(|_| self.hindsight) {
            let begun = of_lots.iter().filter(|one| one.titrant_id == lot.id && one.valid_from <= at);
            factor = begun.max_by_key(|one| one.valid_from).copied().unwrap_or(recorded);
        }
        self.note("titrant_factors", factor.id.0, at);
        self.note("titrants", lot.id.0, at);
        match facts.of_lots.filter(|_| facts.method.rules.0.interpolates()) {
            Some(of_lots) => {
                let made = interpolated_factor(factor, lot, at, of_lots)?;
                if let Some(next) = made.following.as_ref().and_then(|next| next.id.parse().ok()) {
                    self.note("titrant_factors", next, at);
                }
                Ok(made)
            }
            None => core_factor(factor, lot),
        }
    }

    fn titration(&self, row: &TitrationRow, state: &str, facts: &Facts<'_>) -> Result<Titration, Refusal> {
        self.note("titrations", row.id.0, row.observed_at);
        for step in self.moves(row.id, facts.sight) {
            self.note("state_moves", step.id.0, row.observed_at);
        }
        let rejection = self.moves(row.id, facts.sight).filter(|step| step.to_state == "rejected").last();
        let excess = match (row.oxidant_factor_id, row.oxidant_pipette_id) {
            (Some(factor), Some(pipette)) => {
                let pipette = self.vessel(pipette, row.observed_at, facts.sight)?;
                Some(Excess { factor: self.factor(factor, row.observed_at, facts)?, pipette })
            }
            _ => None,
        };
        Ok(Titration {
            id: row.id.to_string(),
            position: u32::try_from(row.position).unwrap_or(0),
            kind: if row.kind == "rough" { TitrationKind::Rough } else { TitrationKind::Accurate },
            standing: standing(state, rejection),
            segments: segments(&row.initial_readings, &row.final_readings),
            temperature: row.solution_temperature.as_ref().map(Decimal::value),
            factor: self.factor(row.factor_id, row.observed_at, facts)?,
            burette: self.burette((row.burette_id, row.calibration_id), row.observed_at, facts.sight)?,
            reduction: row.reduction.as_ref().map(|reduction| reduction.0.to_core(&facts.method.reduction)),
            excess,
        })
    }

    fn blank(
        &self,
        (row, added): (&blanks::Row, Option<&blanks::AdditionRow>),
        facts: &Facts<'_>,
    ) -> Result<Blank, Refusal> {
        let (at, sight) = (row.observed_at, facts.sight);
        self.note("blanks", row.id.0, at);
        let mut solution = None;
        if let Some(added) = added {
            self.note("blank_additions", added.id.0, at);
            if let (Some(factor), Some(pipette)) = (added.factor_id, added.pipette_id) {
                let pipette = self.vessel(pipette, at, sight)?;
                solution = Some(Excess { factor: self.factor(factor, at, facts)?, pipette });
            }
        }
        Ok(Blank {
            id: row.id.to_string(),
            standing: Standing::Counted,
            segments: segments(&row.initial_readings, &row.final_readings),
            temperature: row.solution_temperature.as_ref().map(Decimal::value),
            burette: self.burette((row.burette_id, row.calibration_id), row.observed_at, sight)?,
            iron_equivalent_ml: row.iron_equivalent_ml.as_ref().map(Decimal::value),
            iron_equivalent_u_ml: added.and_then(|added| added.equivalent_u_ml.as_ref()).map(Decimal::value),
            kind: if row.kind == "indicator" { BlankKind::Indicator } else { BlankKind::Reagent },
            factor: Some(self.factor(row.factor_id, at, facts)?),
            corrected: self.corrections.read(row.factor_id, sight) != row.factor_id,
            added: solution,
        })
    }

    fn portion(&self, facts: &Facts<'_>) -> Result<Portion, Refusal> {
        let (row, steps, at) = (facts.portion, facts.steps, facts.portion.observed_at);
        self.note("test_portions", row.id.0, at);
        let vessel_of = |id: Uuid| self.vessel(id, at, facts.sight);
        let incomplete = || Refusal::new(Code::Internal, "a test portion lacks what its constraint demands");
        let amount = match (&row.mass_g, row.balance_id, row.pipette_id) {
            (Some(mass), Some(balance), _) => {
                let balance = self.shelf.on(balance, at.date_naive(), facts.sight)?;
                self.note_found(balance, at);
                PortionAmount::Mass {
                    id: format!("mass:{}", row.id),
                    grams: mass.value(),
                    u: balance.calibration.standard_uncertainty.value(),
                    dof: balance.calibration.degrees_of_freedom.as_ref().map(Decimal::value),
                }
            }
            (_, _, Some(pipette)) => PortionAmount::Volume(vessel_of(pipette)?),
            _ => return Err(incomplete()),
        };
        let mut dilution = Vec::with_capacity(steps.len());
        for step in steps {
            self.note("dilution_steps", step.id.0, at);
            let pipette = step.pipette_id.map(vessel_of).transpose()?;
            dilution.push(DilutionStep { pipette, flask: vessel_of(step.flask_id)? });
        }
        let density = match (&row.density, &row.density_u) {
            (Some(value), Some(u)) => {
                Some(Density { id: format!("density:{}", row.id), value: value.value(), u: u.value() })
            }
            _ => None,
        };
        Ok(Portion {
            id: row.id.to_string(),
            amount,
            dilution,
            aliquot: row.aliquot_pipette_id.map(vessel_of).transpose()?,
            density,
        })
    }
}
