//! What a determination refers to, and the record core evaluates made from it; the same for one and for many.

use std::cell::RefCell;
use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use ferrotitre_base::ids::{CalibrationId, DeterminationId, FactorId, TitrationId};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_bench::equipment::service::Shelf;
use ferrotitre_bench::methods::store::MethodFacts;
use ferrotitre_bench::samples::portions;
use ferrotitre_bench::titrants::factors::{core_factor, interpolated_factor};
use ferrotitre_bench::titrants::service::vessel;
use ferrotitre_bench::titrants::standardisations::burette;
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_core::determination::{
    Blank, Burette, Density, DilutionStep, Excess, Factor, Portion, PortionAmount, Record, Segment, Standing,
    Titration, TitrationKind, Vessel,
};
use uuid::Uuid;

use crate::determinations::record::TITRATION;
use crate::determinations::store::TitrationRow;
use crate::runs::blanks;

/// Rows of one determination.
pub(super) struct Facts<'a> {
    pub(super) id: DeterminationId,
    pub(super) method: &'a MethodFacts,
    pub(super) portion: &'a portions::Row,
    pub(super) steps: &'a [portions::StepRow],
    /// Blanks of the run that count.
    pub(super) blanks: &'a [(blanks::Row, String)],
    pub(super) titrations: &'a [TitrationRow],
    /// All factors of the lots, where the method interpolates.
    pub(super) of_lots: Option<&'a [titrants::FactorRow]>,
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
    /// Moves of every titration, oldest first.
    judged: HashMap<Uuid, &'a [StateMove]>,
    burettes: RefCell<HashMap<(Uuid, CalibrationId), Burette>>,
    vessels: RefCell<HashMap<(Uuid, NaiveDate), Vessel>>,
}

impl<'a> Source<'a> {
    /// From equipment, factors with their lots, and the moves of titrations, those of one together.
    pub(super) fn new(
        shelf: &'a Shelf,
        factors: &'a [(titrants::FactorRow, titrants::TitrantRow)],
        judged: &'a [StateMove],
    ) -> Self {
        let of_one = judged.chunk_by(|a, b| a.entity_id == b.entity_id);
        Self {
            shelf,
            factors: factors.iter().map(|pair| (pair.0.id, pair)).collect(),
            judged: of_one.filter_map(|moves| Some((moves.first()?.entity_id, moves))).collect(),
            burettes: RefCell::default(),
            vessels: RefCell::default(),
        }
    }

    /// The record of a determination, and the state of each of its titrations.
    pub(super) fn record(&self, facts: &Facts<'_>) -> Result<(Record, Vec<String>), Refusal> {
        let method = facts.method;
        let states: Vec<String> =
            facts.titrations.iter().map(|titration| self.state_of(titration, facts.titrations).to_owned()).collect();
        let mut titrations = Vec::with_capacity(facts.titrations.len());
        for (titration, state) in facts.titrations.iter().zip(&states) {
            titrations.push(self.titration(titration, state, facts)?);
        }
        let record = Record {
            id: facts.id.to_string(),
            rules: method.rules.0.to_core(&method.chemistry, &method.indicator),
            portion: self.portion(facts.portion, facts.steps)?,
            titrations,
            blanks: facts.blanks.iter().map(|(blank, _)| self.blank(blank)).collect::<Result<_, _>>()?,
        };
        Ok((record, states))
    }

    fn state_of(&self, titration: &TitrationRow, siblings: &[TitrationRow]) -> &str {
        if siblings.iter().any(|other| other.supersedes == Some(titration.id)) {
            return "superseded";
        }
        self.moves(titration.id).last().map_or(TITRATION.first_state(), |step| step.to_state.as_str())
    }

    fn moves(&self, titration: TitrationId) -> &'a [StateMove] {
        self.judged.get(&titration.0).copied().unwrap_or_default()
    }

    fn burette(&self, id: Uuid, calibration: CalibrationId) -> Result<Burette, Refusal> {
        if let Some(known) = self.burettes.borrow().get(&(id, calibration)) {
            return Ok(known.clone());
        }
        let made = burette(&self.shelf.with(id, calibration)?)?;
        self.burettes.borrow_mut().insert((id, calibration), made.clone());
        Ok(made)
    }

    fn vessel(&self, id: Uuid, day: NaiveDate) -> Result<Vessel, Refusal> {
        if let Some(known) = self.vessels.borrow().get(&(id, day)) {
            return Ok(known.clone());
        }
        let made = vessel(&self.shelf.on(id, day)?);
        self.vessels.borrow_mut().insert((id, day), made.clone());
        Ok(made)
    }

    fn factor(&self, id: FactorId, at: DateTime<Utc>, facts: &Facts<'_>) -> Result<Factor, Refusal> {
        let found = self.factors.get(&id);
        let (factor, lot) = found.ok_or_else(|| Refusal::new(Code::Internal, "a factor in a record is missing"))?;
        match facts.of_lots {
            Some(of_lots) => interpolated_factor(factor, lot, at, of_lots),
            None => core_factor(factor, lot),
        }
    }

    fn titration(&self, row: &TitrationRow, state: &str, facts: &Facts<'_>) -> Result<Titration, Refusal> {
        let rejection = self.moves(row.id).iter().rfind(|step| step.to_state == "rejected");
        let excess = match (row.oxidant_factor_id, row.oxidant_pipette_id) {
            (Some(factor), Some(pipette)) => {
                let pipette = self.vessel(pipette, row.observed_at.date_naive())?;
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
            burette: self.burette(row.burette_id, row.calibration_id)?,
            reduction: row.reduction.as_ref().map(|reduction| reduction.0.to_core(&facts.method.reduction)),
            excess,
        })
    }

    fn blank(&self, row: &blanks::Row) -> Result<Blank, Refusal> {
        Ok(Blank {
            id: row.id.to_string(),
            standing: Standing::Counted,
            segments: segments(&row.initial_readings, &row.final_readings),
            temperature: row.solution_temperature.as_ref().map(Decimal::value),
            burette: self.burette(row.burette_id, row.calibration_id)?,
            iron_equivalent_ml: row.iron_equivalent_ml.as_ref().map(Decimal::value),
        })
    }

    fn portion(&self, row: &portions::Row, steps: &[portions::StepRow]) -> Result<Portion, Refusal> {
        let day = row.observed_at.date_naive();
        let vessel_of = |id: Uuid| self.vessel(id, day);
        let incomplete = || Refusal::new(Code::Internal, "a test portion lacks what its constraint demands");
        let amount = match (&row.mass_g, row.balance_id, row.pipette_id) {
            (Some(mass), Some(balance), _) => {
                let balance = self.shelf.on(balance, day)?;
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
