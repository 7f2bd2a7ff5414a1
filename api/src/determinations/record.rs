//! Loads a determination with everything it rests on and makes the record core evaluates.

use chrono::{DateTime, Utc};
use ferrotitre_core::determination::{
    Acceptance, Blank, Density, Detail, DilutionStep, Evaluation, Excess, Portion, PortionAmount, Record, Segment,
    Standing, Titration, TitrationKind, evaluate,
};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::working::Step;
use uuid::Uuid;

use crate::db::Connection;
use crate::determinations::compared;
use crate::determinations::evaluation::expressed;
use crate::determinations::measured;
use crate::determinations::store::{self, DeterminationRow, TitrationRow};
use crate::determinations::wire::{DeterminationView, NewTitration, TitrationView};
use crate::equipment::service::Shelf;
use crate::ids::{AccountId, FactorId, TitrantId, TitrationId};
use crate::methods;
use crate::refusal::{Code, Refusal};
use crate::runs::blanks;
use crate::samples::{portions, samples};
use crate::sign_offs;
use crate::specifications::conformity::{self, Assigned};
use crate::states::{self, StateMove};
use crate::titrants::factors::{core_factor, interpolated_factor};
use crate::titrants::service::vessel;
use crate::titrants::standardisations::burette;
use crate::titrants::store as titrants;
use crate::validation_studies::conclusions::{Scope, scope};
use crate::web::decimal::Decimal;

pub(crate) const KIND: EntityKind = EntityKind::Determination;
pub(super) const TITRATION: EntityKind = EntityKind::Titration;

/// A determination with everything it rests on.
pub(super) struct Loaded {
    pub(super) row: DeterminationRow,
    pub(super) frame: Frame,
    pub(super) record: Record,
    pub(super) state: String,
    titrations: Vec<(TitrationRow, String)>,
    /// Lots of the factors used.
    lots: Vec<(FactorId, Uuid)>,
    /// Everybody who had a hand in it.
    pub(super) authors: Vec<AccountId>,
}

/// What a determination rests on apart from its titrations.
pub(super) struct Frame {
    pub(super) method: methods::store::versions::Row,
    sample: samples::versions::Row,
    portion: portions::Row,
    steps: Vec<portions::StepRow>,
    blanks: Vec<blanks::Row>,
    counted_blanks: Vec<(blanks::Row, String)>,
    moves: Vec<StateMove>,
    sign_offs: Vec<sign_offs::Row>,
    /// What a validation study concluded of the method version.
    scope: Option<Scope>,
    /// What the sample was ever given to be judged by; none for a control.
    pub(super) assigned: Vec<Assigned>,
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

/// Loads a determination.
///
/// The queries that do not depend on each other are sent together.
pub(super) async fn load(connection: &Connection, row: DeterminationRow) -> Result<Loaded, Refusal> {
    let (frame, titrations) = futures_util::try_join!(frame(connection, &row), store::titrations(connection, row.id))?;
    assemble(connection, row, frame, titrations).await
}

/// Loads it again after one of its titrations was recorded, in the same transaction: nothing else has changed.
pub(super) async fn load_again(connection: &Connection, before: Loaded) -> Result<Loaded, Refusal> {
    let titrations = store::titrations(connection, before.row.id).await?;
    assemble(connection, before.row, before.frame, titrations).await
}

async fn frame(connection: &Connection, row: &DeterminationRow) -> Result<Frame, Refusal> {
    let given = async || match row.purpose.as_str() {
        "sample" => conformity::of_sample(connection, row.sample_id).await,
        _ => Ok(Vec::new()),
    };
    let (method, (portion, steps), sample, (blanks, counted_blanks), moves, sign_offs, scope, assigned) = futures_util::try_join!(
        methods::store::versions::exactly(connection, row.method_id),
        portions::current(connection, row.portion_id),
        samples::versions::current(connection, row.sample_id),
        blanks::of_run(connection, row.run_id),
        states::history(connection, row.id.0),
        sign_offs::of(connection, row.id.0),
        scope(connection, row.method_id),
        given()
    )?;
    Ok(Frame { method, sample, portion, steps, blanks, counted_blanks, moves, sign_offs, scope, assigned })
}

async fn assemble(
    connection: &Connection,
    row: DeterminationRow,
    frame: Frame,
    titrations: Vec<TitrationRow>,
) -> Result<Loaded, Refusal> {
    let Frame { method, portion, steps, counted_blanks, moves, .. } = &frame;
    let state = moves.last().map_or_else(|| KIND.first_state().to_owned(), |step| step.to_state.clone());
    let ids: Vec<Uuid> = titrations.iter().map(|titration| titration.id.0).collect();
    let mut vessels: Vec<Uuid> = titrations.iter().map(|titration| titration.burette_id).collect();
    vessels.extend(titrations.iter().filter_map(|titration| titration.oxidant_pipette_id));
    vessels.extend(counted_blanks.iter().map(|(blank, _)| blank.burette_id));
    vessels.extend([portion.balance_id, portion.pipette_id, portion.aliquot_pipette_id].into_iter().flatten());
    vessels.extend(steps.iter().flat_map(|step| [step.pipette_id, Some(step.flask_id)]).flatten());
    let mut factors: Vec<FactorId> = titrations.iter().map(|titration| titration.factor_id).collect();
    factors.extend(titrations.iter().filter_map(|titration| titration.oxidant_factor_id));
    let (judged, shelf, factors) = futures_util::try_join!(
        states::moves_of(connection, &ids),
        Shelf::load(connection, &vessels),
        titrants::factors_by_id(connection, &factors)
    )?;
    let replaced: Vec<TitrationId> = titrations.iter().filter_map(|titration| titration.supersedes).collect();
    let state_of = |titration: &TitrationRow| {
        if replaced.contains(&titration.id) {
            return "superseded".to_owned();
        }
        let last = judged.iter().rfind(|step| step.entity_id == titration.id.0);
        last.map_or_else(|| TITRATION.first_state().to_owned(), |step| step.to_state.clone())
    };
    let rules = method.facts.rules.0.to_core(&method.facts.chemistry, &method.facts.indicator);
    let of_lots = if rules.interpolate_factor {
        // What was signed stays what it was: a factor recorded after the signature does not change it.
        let signed = frame.sign_offs.iter().rfind(|sign| sign.meaning == "authored" && measured::is_signed(&state));
        let lots: Vec<TitrantId> = factors.iter().map(|(_, lot)| lot.id).collect();
        titrants::factors_of(connection, &lots, signed.map(|sign| sign.recorded_at)).await?
    } else {
        Vec::new()
    };
    let of_lots = rules.interpolate_factor.then_some(of_lots.as_slice());
    let source = Source { shelf: &shelf, factors: &factors, of_lots, judged: &judged };
    let mut core_titrations = Vec::with_capacity(titrations.len());
    for titration in &titrations {
        core_titrations.push(source.titration(titration, &state_of(titration), &method.facts.reduction)?);
    }
    let mut core_blanks = Vec::with_capacity(counted_blanks.len());
    for (blank, _) in counted_blanks {
        core_blanks.push(source.blank(blank)?);
    }
    let record = Record {
        id: row.id.to_string(),
        rules,
        portion: source.portion(portion, steps)?,
        titrations: core_titrations,
        blanks: core_blanks,
    };
    let mut authors = vec![row.recorded_by, portion.recorded_by];
    authors.extend(titrations.iter().map(|titration| titration.recorded_by));
    authors.extend(frame.blanks.iter().map(|blank| blank.recorded_by));
    authors.extend(judged.iter().filter_map(|step| step.recorded_by));
    authors.extend(frame.sign_offs.iter().filter(|sign| sign.meaning == "authored").map(|sign| sign.recorded_by));
    // Whoever amends an approved record has a hand in what comes of it.
    authors.extend(moves.iter().filter(|step| step.to_state == "amended").filter_map(|step| step.recorded_by));
    let titrations = titrations.iter().map(|titration| (titration.clone(), state_of(titration))).collect();
    let lots = factors.iter().map(|(factor, lot)| (factor.id, lot.id.0)).collect();
    Ok(Loaded { row, frame, record, state, lots, titrations, authors })
}

/// What records refer to, read at once.
struct Source<'a> {
    shelf: &'a Shelf,
    factors: &'a [(titrants::FactorRow, titrants::TitrantRow)],
    /// All factors of the lots, where the method interpolates.
    of_lots: Option<&'a [titrants::FactorRow]>,
    judged: &'a [StateMove],
}

impl Source<'_> {
    fn factor(&self, id: FactorId, at: DateTime<Utc>) -> Result<ferrotitre_core::determination::Factor, Refusal> {
        let found = self.factors.iter().find(|(factor, _)| factor.id == id);
        let (factor, lot) = found.ok_or_else(|| Refusal::new(Code::Internal, "a factor in a record is missing"))?;
        match self.of_lots {
            Some(of_lots) => interpolated_factor(factor, lot, at, of_lots),
            None => core_factor(factor, lot),
        }
    }

    fn titration(&self, row: &TitrationRow, state: &str, procedure: &str) -> Result<Titration, Refusal> {
        let rejection = self.judged.iter().rfind(|step| step.entity_id == row.id.0 && step.to_state == "rejected");
        let excess = match (row.oxidant_factor_id, row.oxidant_pipette_id) {
            (Some(factor), Some(pipette)) => {
                let pipette = self.shelf.on(pipette, row.observed_at.date_naive())?;
                Some(Excess { factor: self.factor(factor, row.observed_at)?, pipette: vessel(&pipette) })
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
            factor: self.factor(row.factor_id, row.observed_at)?,
            burette: burette(&self.shelf.with(row.burette_id, row.calibration_id)?)?,
            reduction: row.reduction.as_ref().map(|reduction| reduction.0.to_core(procedure)),
            excess,
        })
    }

    fn blank(&self, row: &blanks::Row) -> Result<Blank, Refusal> {
        Ok(Blank {
            id: row.id.to_string(),
            standing: Standing::Counted,
            segments: segments(&row.initial_readings, &row.final_readings),
            temperature: row.solution_temperature.as_ref().map(Decimal::value),
            burette: burette(&self.shelf.with(row.burette_id, row.calibration_id)?)?,
            iron_equivalent_ml: row.iron_equivalent_ml.as_ref().map(Decimal::value),
        })
    }

    fn portion(&self, row: &portions::Row, steps: &[portions::StepRow]) -> Result<Portion, Refusal> {
        let day = row.observed_at.date_naive();
        let vessel_of = |id: Uuid| self.shelf.on(id, day).map(|usable| vessel(&usable));
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

/// A titration as shown.
pub(super) fn titration_view(row: TitrationRow, state: String, lots: &[(FactorId, Uuid)]) -> TitrationView {
    TitrationView {
        id: row.record_id,
        version_id: row.id.0,
        version: row.version,
        position: row.position,
        state,
        reason: row.reason,
        factor: row.factor_id.0,
        calibration: row.calibration_id.0,
        late: row.late,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
        facts: NewTitration {
            kind: row.kind,
            titrant: row.titrant_id.0,
            burette: row.burette_id,
            initial_readings: row.initial_readings,
            final_readings: row.final_readings,
            solution_temperature: row.solution_temperature,
            indicator_drops: row.indicator_drops,
            end_point: row.end_point,
            end_point_note: row.end_point_note,
            reduction: row.reduction.map(|reduction| reduction.0),
            oxidant_titrant: lots
                .iter()
                .find(|(factor, _)| Some(*factor) == row.oxidant_factor_id)
                .map(|(_, lot)| *lot),
            oxidant_pipette: row.oxidant_pipette_id,
            waste_stream: row.waste_stream,
            concession: row.concession_id,
            observed_at: row.observed_at,
        },
    }
}

impl Loaded {
    /// What core makes of it.
    pub(super) fn evaluate(&self, detail: Detail) -> Result<Evaluation, Refusal> {
        evaluate(&self.record, detail)
            .map_err(|error| Refusal::new(Code::NotEnoughData, error.to_string()).because(error))
    }

    /// Range that the used titres may have by the method's rule, mL; none where a median stands for them.
    pub(super) fn allowed_ml(&self, evaluation: &Evaluation) -> Option<f64> {
        let net = evaluation.working.iter().flat_map(Step::steps).find(|step| step.name == "net titre")?;
        let rules = &self.record.rules;
        match rules.acceptance {
            _ if net.formula.starts_with("median") => None,
            Acceptance::Concordance => Some(rules.concordance_limit_ml),
            Acceptance::CriticalRange => evaluation.agreement.as_ref().and_then(|of| of.critical_range_ml),
        }
    }

    /// Digest of what a signature would cover now.
    pub(super) fn digest(evaluation: &Evaluation) -> String {
        hex::encode(evaluation.input_digest)
    }

    /// Moves between its states, oldest first.
    pub(super) fn moves(&self) -> &[StateMove] {
        &self.frame.moves
    }

    /// When it was last amended.
    pub(super) fn amended_at(&self) -> Option<DateTime<Utc>> {
        self.frame.moves.iter().rfind(|step| step.to_state == "amended").map(|step| step.recorded_at)
    }

    fn flags(&self, evaluation: &Evaluation) -> Vec<String> {
        let mut flags = Vec::new();
        let rules = &self.frame.method.facts.rules.0;
        if let Some(result) = &evaluation.result {
            let (low, high) = (&rules.validated_low, &rules.validated_high);
            if !(low.value()..=high.value()).contains(&result.value()) {
                flags.push(format!("outside the validated range {low} to {high} of {}", self.frame.method.facts.code));
            }
        }
        if self.frame.sample.facts.matrix != self.frame.method.facts.matrix {
            flags.push(format!(
                "the matrix {} is not the validated {}",
                self.frame.sample.facts.matrix, self.frame.method.facts.matrix
            ));
        }
        if let Some(scope) = &self.frame.scope {
            let in_unit = |unit: &str| {
                let found = evaluation.figures.iter().find(|figure| {
                    figure.unit.symbol() == unit && figure.expressed == self.record.rules.reporting.expressed
                });
                found.map(|figure| figure.value)
            };
            flags.extend(scope.flags(in_unit, &self.frame.sample.facts.matrix));
        }
        let counted = || self.titrations.iter().filter(|(_, state)| state != "superseded").map(|(row, _)| row);
        if let Some(deadline) =
            self.frame.sample.facts.iron2_deadline.filter(|_| self.frame.method.facts.analyte == "iron(II)")
            && counted().any(|row| row.observed_at > deadline)
        {
            flags.push(format!("titrated after the holding time of iron(II), which ended at {deadline}"));
        }
        for row in counted() {
            if row.late {
                flags.push(format!("titration {} was saved late", row.position));
            }
            if let Some(concession) = row.concession_id {
                flags.push(format!("titration {} was made under concession {concession}", row.position));
            }
        }
        flags
    }

    /// As shown, with working and budget.
    pub(super) fn view(self, evaluation: Evaluation) -> DeterminationView {
        let digest = Self::digest(&evaluation);
        let amended_at = self.amended_at();
        let flags = self.flags(&evaluation);
        let conformity = compared::statements_on(&self, &evaluation);
        DeterminationView {
            id: self.row.id.0,
            code: self.row.code,
            run: self.row.run_id.0,
            method: self.row.method_id,
            method_code: self.frame.method.facts.code,
            analyte: self.frame.method.facts.analyte,
            sample: self.row.sample_id,
            portion: self.row.portion_id,
            purpose: self.row.purpose,
            observed_at: self.row.observed_at,
            state: self.state,
            expressed: expressed(self.record.rules.reporting.expressed),
            evaluation: evaluation.into(),
            titrations: self
                .titrations
                .into_iter()
                .map(|(row, state)| titration_view(row, state, &self.lots))
                .collect(),
            flags,
            conformity,
            sign_offs: self.frame.sign_offs.into_iter().map(|sign| sign.view(&digest, amended_at, true)).collect(),
            content_digest: digest,
            moves: self.frame.moves,
            recorded_at: self.row.recorded_at,
            recorded_by: self.row.recorded_by,
        }
    }

    /// Every version of every titration, as shown.
    pub(super) fn titration_views(&self) -> Vec<TitrationView> {
        self.titrations.iter().map(|(row, state)| titration_view(row.clone(), state.clone(), &self.lots)).collect()
    }

    /// The present version of a titration with its state.
    pub(super) fn present(&self, titration: Uuid) -> Option<&(TitrationRow, String)> {
        self.titrations.iter().rfind(|(row, _)| row.record_id == titration)
    }

    /// The position after the last.
    pub(super) fn next_position(&self) -> i32 {
        self.titrations.iter().map(|(row, _)| row.position).max().unwrap_or(0) + 1
    }
}
