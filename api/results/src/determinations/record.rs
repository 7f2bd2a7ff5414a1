//! Loads a determination with everything it rests on and makes the record core evaluates.

use chrono::{DateTime, Utc};
use ferrotitre_base::bench_times::{self, LateEntry};
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, DecisionRuleId, FactorId, TitrantId, TitrationId};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs;
use ferrotitre_base::states::{self, StateMove};
use ferrotitre_bench::equipment::service::Shelf;
use ferrotitre_bench::methods::scope::{Scope, scope};
use ferrotitre_bench::samples::{portions, samples};
use ferrotitre_bench::specifications::conformity::{self, Assigned, RuleVersion};
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_bench::{concessions, methods};
use ferrotitre_core::determination::{Acceptance, Central, Detail, Evaluation, Record, evaluate};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::determinations::evaluation::expressed;
use crate::determinations::sources::{Facts, Source};
use crate::determinations::store::{self, DeterminationRow, TitrationRow};
use crate::determinations::wire::{DeterminationView, NewTitration, TitrationView};
use crate::determinations::{compared, measured};
use crate::runs::blanks;

pub const KIND: EntityKind = EntityKind::Determination;
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
    /// Supervisors of titrations, by version.
    supervisions: Vec<(TitrationId, AccountId)>,
    /// What was recorded late, and why.
    late: Vec<LateEntry>,
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
    /// The decision rule that the method version names; read only where one of these names none.
    pub(super) rule: Option<RuleVersion>,
    /// Concessions under which its result may stand although its run has not decided, in words.
    pub(super) conceded: Vec<String>,
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
    let (method, (portion, steps), sample, (blanks, counted_blanks), moves, sign_offs, scope, assigned, conceded) = futures_util::try_join!(
        methods::store::versions::exactly(connection, row.method_id),
        portions::current(connection, row.portion_id),
        samples::versions::current(connection, row.sample_id),
        blanks::of_run(connection, row.run_id),
        states::history(connection, row.id.0),
        sign_offs::of(connection, row.id.0),
        scope(connection, row.method_id),
        given(),
        concessions::of_result(connection, row.id.0)
    )?;
    let named: Vec<DecisionRuleId> = method.facts.rules.0.decision_rule.into_iter().collect();
    let rule = conformity::rules_of_methods(connection, &assigned, &named).await?.pop();
    Ok(Frame {
        method,
        sample,
        portion,
        steps,
        blanks,
        counted_blanks,
        moves,
        sign_offs,
        scope,
        assigned,
        rule,
        conceded,
    })
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
    let mut of_all = ids.clone();
    of_all.extend([row.id.0, row.run_id.0, portion.id.0]);
    let (judged, late, supervisions, shelf, factors) = futures_util::try_join!(
        states::moves_of(connection, &ids),
        bench_times::of(connection, &of_all),
        store::supervisions(connection, &ids),
        Shelf::load(connection, &vessels),
        titrants::factors_by_id(connection, &factors)
    )?;
    let of_lots = if method.facts.rules.0.interpolates() {
        // What was signed stays what it was: a factor recorded after the signature does not change it.
        let signed = frame.sign_offs.iter().rfind(|sign| sign.meaning == "authored" && measured::is_signed(&state));
        let lots: Vec<TitrantId> = factors.iter().map(|(_, lot)| lot.id).collect();
        Some(titrants::factors_of(connection, &lots, signed.map(|sign| sign.recorded_at)).await?)
    } else {
        None
    };
    let facts = Facts {
        id: row.id,
        method: &method.facts,
        portion,
        steps,
        blanks: counted_blanks,
        titrations: &titrations,
        of_lots: of_lots.as_deref(),
    };
    let (record, states) = Source::new(&shelf, &factors, &judged).record(&facts)?;
    let mut authors = vec![row.recorded_by, portion.recorded_by];
    authors.extend(titrations.iter().map(|titration| titration.recorded_by));
    // Whoever supervised a titration answers for it with the one who made it.
    authors.extend(supervisions.iter().map(|(_, supervisor)| *supervisor));
    authors.extend(frame.blanks.iter().map(|blank| blank.recorded_by));
    authors.extend(judged.iter().filter_map(|step| step.recorded_by));
    authors.extend(frame.sign_offs.iter().filter(|sign| sign.meaning == "authored").map(|sign| sign.recorded_by));
    // Whoever amends an approved record has a hand in what comes of it.
    authors.extend(moves.iter().filter(|step| step.to_state == "amended").filter_map(|step| step.recorded_by));
    let titrations = titrations.into_iter().zip(states).collect();
    let lots = factors.iter().map(|(factor, lot)| (factor.id, lot.id.0)).collect();
    Ok(Loaded { row, frame, record, state, lots, supervisions, late, titrations, authors })
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
            supervisor: None,
            observed_at: row.observed_at,
            late_reason: None,
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
    /// What core makes of it.
    pub(super) fn evaluate(&self, detail: Detail) -> Result<Evaluation, Refusal> {
        evaluate(&self.record, detail)
            .map_err(|error| Refusal::new(Code::NotEnoughData, error.to_string()).because(error))
    }

    /// Range that the used titres may have by the method's rule, mL; none where a median stands for them.
    pub(super) fn allowed_ml(&self, evaluation: &Evaluation) -> Option<f64> {
        let rules = &self.record.rules;
        evaluation.titre_ml?;
        match (evaluation.central, rules.acceptance) {
            (Central::Median, _) => None,
            (Central::Mean, Acceptance::Concordance) => Some(rules.concordance_limit_ml),
            (Central::Mean, Acceptance::CriticalRange) => {
                evaluation.agreement.as_ref().and_then(|of| of.critical_range_ml)
            }
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
        if let Some(last) = self.frame.moves.last().filter(|step| step.to_state == "invalidated") {
            flags.push(format!("no result any longer: {}", last.reason.as_deref().unwrap_or_default()));
        }
        flags.extend(self.frame.conceded.iter().cloned());
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
                .map(|(row, state)| supervised(titration_view(row, state, &self.lots), &self.supervisions))
                .collect(),
            late: self.late,
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
        let view = |row: &TitrationRow, state: &String| titration_view(row.clone(), state.clone(), &self.lots);
        self.titrations.iter().map(|(row, state)| supervised(view(row, state), &self.supervisions)).collect()
    }

    /// The present version of a titration with its state.
    pub(super) fn present(&self, titration: Uuid) -> Option<&(TitrationRow, String)> {
        self.titrations.iter().rfind(|(row, _)| row.record_id == titration)
    }

    /// Titrations that count.
    fn counted(&self) -> impl Iterator<Item = &TitrationRow> {
        let out = |state: &str| matches!(state, "superseded" | "rejected");
        self.titrations.iter().filter(move |(_, state)| !out(state)).map(|(row, _)| row)
    }

    /// Who made the titrations that count.
    pub(super) fn observers(&self) -> Vec<AccountId> {
        self.counted().filter_map(|row| self.first_of(row.record_id)).collect()
    }

    /// Who made a titration: who recorded its first version.
    pub(super) fn first_of(&self, titration: Uuid) -> Option<AccountId> {
        let first = self.titrations.iter().find(|(row, _)| row.record_id == titration && row.version == 1);
        first.map(|(row, _)| row.recorded_by)
    }

    /// Who corrected one of them, or the portion.
    pub(super) fn correctors(&self) -> Vec<AccountId> {
        let corrected = self.counted().filter(|row| row.version > 1).map(|row| row.recorded_by);
        let portion = Some(&self.frame.portion).filter(|portion| portion.version > 1);
        corrected.chain(portion.map(|portion| portion.recorded_by)).collect()
    }

    /// When its portion was taken.
    pub(super) fn portion_taken_at(&self) -> DateTime<Utc> {
        self.frame.portion.observed_at
    }

    /// Supervisors of titrations in their present versions, also of such as were rejected.
    pub(super) fn supervisors(&self) -> Vec<AccountId> {
        let present =
            |id: TitrationId| self.titrations.iter().any(|(row, state)| row.id == id && state != "superseded");
        self.supervisions.iter().filter(|(id, _)| present(*id)).map(|(_, supervisor)| *supervisor).collect()
    }

    /// The supervisor of a titration in its present version.
    pub(super) fn supervisor_of(&self, titration: TitrationId) -> Option<AccountId> {
        self.supervisions.iter().find(|(id, _)| *id == titration).map(|(_, supervisor)| *supervisor)
    }

    /// Supervisors who have not signed for the content as it now is.
    pub(super) fn not_countersigned(&self, digest: &str) -> Vec<AccountId> {
        let signed = |who: AccountId| {
            self.frame
                .sign_offs
                .iter()
                .any(|sign| sign.meaning == "witnessed" && sign.recorded_by == who && sign.content_digest == digest)
        };
        self.supervisors().into_iter().filter(|who| !signed(*who)).collect()
    }

    /// The position after the last.
    pub(super) fn next_position(&self) -> i32 {
        self.titrations.iter().map(|(row, _)| row.position).max().unwrap_or(0) + 1
    }
}
