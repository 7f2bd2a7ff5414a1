//! A determination as it is shown: with its titrations, flags and what touched it.

use ferrotitre_base::ids::{AccountId, FactorId, TitrationId};
use ferrotitre_core::determination::Evaluation;
use uuid::Uuid;

use super::Loaded;
use crate::determinations::evaluation::expressed;
use crate::determinations::store::TitrationRow;
use crate::determinations::wire::{DeterminationView, NewTitration, TitrationView};
use crate::determinations::{compared, discordance, signed};

/// A titration as shown.
pub(in crate::determinations) fn titration_view(
    row: TitrationRow,
    state: String,
    lots: &[(FactorId, Uuid)],
) -> TitrationView {
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
            supervisor: None,
            observed_at: row.observed_at,
            late_reason: None,
            accepted: Vec::new(),
            meant_as: None,
        },
    }
}

/// A titration as shown, with its supervisor.
fn supervised(mut view: TitrationView, supervisions: &[(TitrationId, AccountId)]) -> TitrationView {
    let found = supervisions.iter().find(|(titration, _)| titration.0 == view.version_id);
    view.facts.supervisor = found.map(|(_, supervisor)| supervisor.0);
    view
}

impl Loaded {
    fn flags(&self, evaluation: &Evaluation) -> Vec<String> {
        let mut flags = Vec::new();
        flags.extend(discordance::words(evaluation, &self.frame.sign_offs, &Self::digest(evaluation)));
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
        if let Some(last) = self.moves().last().filter(|step| step.to_state == "invalidated") {
            flags.push(format!("no result any longer: {}", last.reason.as_deref().unwrap_or_default()));
        }
        flags.extend(self.frame.conceded.iter().cloned());
        for row in counted() {
            if row.late {
                flags.push(format!("titration {} was saved late", row.position));
            }
            if row.concession_id.is_some() {
                flags.push(format!("titration {} was made under a concession", row.position));
            }
        }
        flags
    }

    /// As shown, with working and budget.
    pub(in crate::determinations) fn view(self, evaluation: Evaluation) -> DeterminationView {
        let digest = Self::digest(&evaluation);
        let amended_at = self.amended_at();
        let flags = self.flags(&evaluation);
        let discordance_decided = discordance::decision(&self.frame.sign_offs, &digest).is_some();
        let conformity = compared::statements_on(&self, &evaluation);
        let since = self.since.view(&self, &evaluation);
        let earlier = signed::earlier(&self.frame.sign_offs, self.moves());
        let moves = self.moves().to_vec();
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
                .map(|(row, state)| supervised(titration_view(row, state, &self.lots), &self.supervisions))
                .collect(),
            late: self.late,
            flags,
            conformity,
            since,
            earlier,
            discordance_decided,
            sign_offs: self.frame.sign_offs.into_iter().map(|sign| sign.view(&digest, amended_at, true)).collect(),
            content_digest: digest,
            moves,
            names: self.names,
            recorded_at: self.row.recorded_at,
            recorded_by: self.row.recorded_by,
        }
    }

    /// Every version of every titration, as shown.
    pub(in crate::determinations) fn titration_views(&self) -> Vec<TitrationView> {
        let view = |row: &TitrationRow, state: &String| titration_view(row.clone(), state.clone(), &self.lots);
        self.titrations.iter().map(|(row, state)| supervised(view(row, state), &self.supervisions)).collect()
    }
}
