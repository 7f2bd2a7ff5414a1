//! The rows that determinations rest on, read in a constant number of statements whatever their number, and the record that
//! core evaluates made from them: from the rows of the present, from those a signature stands over, or from those of a moment.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Utc};
use ferrotitre_core::determination::Record;
use uuid::Uuid;

use crate::determinations::measured::is_signed;
use crate::determinations::record::KIND;
use crate::determinations::sources::{Facts, Source};
use crate::determinations::store::{self, DeterminationRow, TitrationRow};
use crate::determinations::supposed::Hypothesis;
use crate::runs::blanks;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{DecisionRuleId, DeterminationId, FactorId, MethodId, RunId, TitrantId};
use ferrotitre_base::pins::{self, Sight, Standing, Used};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::{self, StateMove};
use ferrotitre_bench::equipment::shelf::Shelf;
use ferrotitre_bench::methods::store::versions as methods;
use ferrotitre_bench::samples::portions;
use ferrotitre_bench::specifications::conformity::{self, Assigned, RuleVersion};
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_bench::titrants::store::corrections::{self, Corrected, Corrections};

/// Rows as read, all versions of each.
pub(super) struct Material {
    frame: Frame,
    titrations: HashMap<DeterminationId, Vec<TitrationRow>>,
    judged: Vec<StateMove>,
    pub(super) shelf: Shelf,
    pub(super) factors: Vec<(titrants::FactorRow, titrants::TitrantRow)>,
    /// Which of them is read in the place of which.
    pub(super) corrections: Corrections,
    /// All factors of the lots; read where a method interpolates.
    of_lots: Vec<titrants::FactorRow>,
    /// Decision rules of the methods; read where a specification names none.
    rules: HashMap<DecisionRuleId, RuleVersion>,
}

/// What does not change when a titration is recorded.
pub(super) struct Frame {
    methods: HashMap<MethodId, methods::Row>,
    portions: HashMap<Uuid, Vec<portions::Version>>,
    blanks: HashMap<RunId, blanks::OfRun>,
    moves: HashMap<Uuid, Vec<StateMove>>,
    standing: HashMap<Uuid, Standing>,
    /// What the samples were ever given to be judged by.
    assigned: HashMap<Uuid, Vec<Assigned>>,
}

/// What a record was made from.
pub(super) struct Drawn<'m> {
    pub(super) record: Record,
    pub(super) titrations: Vec<(&'m TitrationRow, String)>,
    pub(super) portion: &'m portions::Row,
    /// Every row that was read.
    pub(super) used: Used,
}

/// Each once, in no order.
fn once<T: Eq + std::hash::Hash>(all: impl IntoIterator<Item = T>) -> Vec<T> {
    all.into_iter().collect::<HashSet<T>>().into_iter().collect()
}

fn lacks(what: &str) -> Refusal {
    Refusal::new(Code::Internal, format!("a determination lacks its {what}"))
}

fn by_thing(moves: Vec<StateMove>) -> HashMap<Uuid, Vec<StateMove>> {
    let mut of_each: HashMap<Uuid, Vec<StateMove>> = HashMap::new();
    for step in moves {
        of_each.entry(step.entity_id).or_default().push(step);
    }
    of_each
}

/// Whether the author's latest signature on something stands: it is signed, or no result any longer but read as it was signed.
pub(super) fn stands_signed(moves: &[StateMove]) -> bool {
    let [before @ .., last] = moves else { return false };
    match last.to_state.as_str() {
        "invalidated" => stands_signed(before),
        state => is_signed(state),
    }
}

async fn frame(connection: &Connection, rows: &[DeterminationRow]) -> Result<Frame, Refusal> {
    let plain: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let method_ids = once(rows.iter().map(|row| row.method_id));
    let runs = once(rows.iter().map(|row| row.run_id));
    let portion_ids = once(rows.iter().map(|row| row.portion_id));
    let samples = once(rows.iter().filter(|row| row.purpose == "sample").map(|row| row.sample_id));
    let (methods, portions, blanks, moves, standing, assigned) = futures_util::try_join!(
        methods::several(connection, &method_ids),
        portions::every(connection, &portion_ids),
        blanks::of_runs(connection, &runs),
        states::moves_of(connection, &plain),
        pins::standing(connection, &plain),
        conformity::of_samples(connection, &samples)
    )?;
    let methods = methods.into_iter().map(|method| (method.id, method)).collect();
    Ok(Frame { methods, portions, blanks, moves: by_thing(moves), standing, assigned })
}

/// Reads what these rest on.
pub(super) async fn gather(connection: &Connection, rows: &[DeterminationRow]) -> Result<Material, Refusal> {
    let ids: Vec<DeterminationId> = rows.iter().map(|row| row.id).collect();
    let (frame, titrations) = futures_util::try_join!(frame(connection, rows), store::titrations_of(connection, &ids))?;
    complete(connection, frame, titrations).await
}

async fn complete(connection: &Connection, frame: Frame, titrations: Vec<TitrationRow>) -> Result<Material, Refusal> {
    let vessels = once(vessels(&titrations, &frame));
    let of_titrations = titrations.iter().flat_map(|row| [Some(row.factor_id), row.oxidant_factor_id]).flatten();
    let of_blanks = frame.blanks.values().flat_map(|of_run| {
        let added = of_run.additions.iter().filter_map(|added| added.factor_id);
        of_run.all.iter().map(|blank| blank.factor_id).chain(added)
    });
    let factor_ids: Vec<FactorId> = once(of_titrations.chain(of_blanks));
    let titration_ids: Vec<Uuid> = titrations.iter().map(|row| row.id.0).collect();
    let named = once(frame.methods.values().filter_map(|method| method.facts.rules.0.decision_rule));
    let (judged, shelf, mut factors, corrected, rules) = futures_util::try_join!(
        states::moves_of(connection, &titration_ids),
        Shelf::load(connection, &vessels),
        titrants::factors_by_id(connection, &factor_ids),
        corrections::beside(connection, &factor_ids),
        conformity::rules_of_methods(connection, frame.assigned.values().flatten(), &named)
    )?;
    let corrections = Corrections::new(&corrected);
    for Corrected { by, .. } in corrected.into_iter().filter(|one| !factor_ids.contains(&one.by.id)) {
        let lot = factors.iter().find(|(_, lot)| lot.id == by.titrant_id).map(|(_, lot)| lot.clone());
        factors.extend(lot.map(|lot| (by, lot)));
    }
    let of_lots = if frame.methods.values().any(|method| method.facts.rules.0.interpolates()) {
        let lots: Vec<TitrantId> = once(factors.iter().map(|(_, lot)| lot.id));
        titrants::factors_of(connection, &lots).await?
    } else {
        Vec::new()
    };
    let mut of_each: HashMap<DeterminationId, Vec<TitrationRow>> = HashMap::new();
    for titration in titrations {
        of_each.entry(titration.determination_id).or_default().push(titration);
    }
    let rules = rules.into_iter().map(|rule| (rule.id, rule)).collect();
    Ok(Material { frame, titrations: of_each, judged, shelf, factors, corrections, of_lots, rules })
}

/// Equipment that any of them was made with.
fn vessels(titrations: &[TitrationRow], frame: &Frame) -> Vec<Uuid> {
    let mut all: Vec<Uuid> =
        titrations.iter().flat_map(|row| [Some(row.burette_id), row.oxidant_pipette_id]).flatten().collect();
    all.extend(frame.blanks.values().flat_map(|of_run| of_run.all.iter().map(|blank| blank.burette_id)));
    all.extend(frame.blanks.values().flat_map(|of_run| of_run.additions.iter().filter_map(|added| added.pipette_id)));
    for (portion, steps) in frame.portions.values().flatten() {
        all.extend([portion.balance_id, portion.pipette_id, portion.aliquot_pipette_id].into_iter().flatten());
        all.extend(steps.iter().flat_map(|step| [step.pipette_id, Some(step.flask_id)]).flatten());
    }
    all
}

impl Material {
    /// Reads the titrations of one determination again, after one was recorded in the same transaction: nothing else of it has
    /// changed.
    pub(super) async fn titrated(self, connection: &Connection, id: DeterminationId) -> Result<Self, Refusal> {
        let titrations = store::titrations_of(connection, &[id]).await?;
        complete(connection, self.frame, titrations).await
    }

    /// Moves of a determination, oldest first.
    pub(super) fn moves(&self, id: DeterminationId) -> &[StateMove] {
        self.frame.moves.get(&id.0).map_or(&[], Vec::as_slice)
    }

    /// Its present state.
    pub(super) fn state(&self, id: DeterminationId) -> &str {
        self.moves(id).last().map_or(KIND.first_state(), |step| step.to_state.as_str())
    }

    /// The author's latest signature on it, if it stands.
    pub(super) fn standing(&self, id: DeterminationId) -> Option<&Standing> {
        self.frame.standing.get(&id.0).filter(|_| stands_signed(self.moves(id)))
    }

    /// Which rows it is read from: those its author's signature stands over, until an amendment or return.
    pub(super) fn sight(&self, id: DeterminationId) -> Sight {
        self.standing(id).and_then(Standing::sight).unwrap_or(Sight::Present)
    }

    /// The method version it was made by.
    pub(super) fn method(&self, row: &DeterminationRow) -> Result<&methods::Row, Refusal> {
        self.frame.methods.get(&row.method_id).ok_or_else(|| lacks("method version"))
    }

    /// What its sample was ever given to be judged by; nothing for a control.
    pub(super) fn assigned(&self, row: &DeterminationRow) -> &[Assigned] {
        let of_sample = self.frame.assigned.get(&row.sample_id).filter(|_| row.purpose == "sample");
        of_sample.map_or(&[], Vec::as_slice)
    }

    /// The decision rule that a method version names; read only where a specification names none.
    pub(super) fn rule(&self, method: &methods::Row) -> Option<&RuleVersion> {
        method.facts.rules.0.decision_rule.and_then(|named| self.rules.get(&named))
    }

    /// Lots of the factors.
    pub(super) fn lots(&self) -> Vec<(FactorId, Uuid)> {
        self.factors.iter().map(|(factor, lot)| (factor.id, lot.id.0)).collect()
    }

    /// Sources of the records.
    pub(super) fn source(&self) -> Source<'_> {
        Source::new(&self.shelf, (&self.factors, &self.corrections), &self.judged)
    }

    /// What core evaluates, from the rows that are seen.
    pub(super) fn draw<'m>(
        &'m self,
        row: &DeterminationRow,
        sight: &Sight,
        source: &Source<'m>,
    ) -> Result<Drawn<'m>, Refusal> {
        let method = &self.method(row)?.facts;
        let versions = self.frame.portions.get(&row.portion_id).map_or(&[][..], Vec::as_slice);
        let seen = versions.iter().rfind(|(portion, _)| sight.sees(portion.id.0, portion.recorded_at));
        let (portion, steps) = seen.ok_or_else(|| lacks("test portion"))?;
        let steps: Vec<&portions::StepRow> =
            steps.iter().filter(|step| sight.sees(step.id.0, step.recorded_at)).collect();
        let of_run = self.frame.blanks.get(&row.run_id);
        let counted = of_run.map(|of_run| (of_run, of_run.counted(sight)));
        let blanks: Vec<_> = counted
            .into_iter()
            .flat_map(|(of_run, rows)| rows.into_iter().map(|row| (row, of_run.addition(row.id))))
            .collect();
        let all = self.titrations.get(&row.id).map_or(&[][..], Vec::as_slice);
        let titrations: Vec<&TitrationRow> =
            all.iter().filter(|titration| sight.sees(titration.id.0, titration.recorded_at)).collect();
        let of_lots: Option<Vec<&titrants::FactorRow>> =
            (source.hindsight || method.rules.0.interpolates()).then(|| {
                let seen = |one: &&titrants::FactorRow| {
                    sight.sees(one.id.0, one.recorded_at) && self.corrections.counts(one.id, sight)
                };
                source.lots_or(&self.of_lots).iter().filter(seen).collect()
            });
        let facts = Facts {
            id: row.id,
            method,
            portion,
            steps: &steps,
            blanks: &blanks,
            titrations: &titrations,
            of_lots: of_lots.as_deref(),
            sight,
        };
        let (record, states) = source.record(&facts)?;
        let titrations = titrations.into_iter().zip(states).collect();
        Ok(Drawn { record, titrations, portion, used: source.take_used() })
    }

    /// Everything read of one determination, with the time each row was recorded: table, row, time.
    pub(super) fn recorded(&self, row: &DeterminationRow) -> Vec<(&'static str, Uuid, DateTime<Utc>)> {
        let mut all: Vec<(&'static str, Uuid, DateTime<Utc>)> = self.shelf.recorded().collect();
        for (portion, steps) in self.frame.portions.get(&row.portion_id).into_iter().flatten() {
            all.push(("test_portions", portion.id.0, portion.recorded_at));
            all.extend(steps.iter().map(|step| ("dilution_steps", step.id.0, step.recorded_at)));
        }
        if let Some(of_run) = self.frame.blanks.get(&row.run_id) {
            all.extend(of_run.all.iter().map(|blank| ("blanks", blank.id.0, blank.recorded_at)));
            all.extend(of_run.additions.iter().map(|added| ("blank_additions", added.id.0, added.recorded_at)));
            all.extend(of_run.moves.iter().map(|step| ("state_moves", step.entity_id, step.recorded_at)));
        }
        let titrations = self.titrations.get(&row.id).into_iter().flatten();
        all.extend(titrations.map(|titration| ("titrations", titration.id.0, titration.recorded_at)));
        all.extend(self.judged.iter().map(|step| ("state_moves", step.entity_id, step.recorded_at)));
        let factors = self.factors.iter().map(|(factor, _)| factor).chain(&self.of_lots);
        all.extend(factors.map(|factor| ("titrant_factors", factor.id.0, factor.recorded_at)));
        all
    }

    /// Every version of every titration of a determination.
    pub(super) fn titration_ids(&self, id: DeterminationId) -> Vec<Uuid> {
        self.titrations.get(&id).into_iter().flatten().map(|titration| titration.id.0).collect()
    }

    /// Every version of its test portion.
    pub(super) fn portion_ids(&self, row: &DeterminationRow) -> impl Iterator<Item = Uuid> {
        self.frame.portions.get(&row.portion_id).into_iter().flatten().map(|(portion, _)| portion.id.0)
    }

    /// All factors with their lots, those that only interpolation reads included.
    pub(super) fn all_factors(&self) -> Vec<(titrants::FactorRow, titrants::TitrantRow)> {
        let lot_of = |id: TitrantId| self.factors.iter().find(|(_, lot)| lot.id == id).map(|(_, lot)| lot.clone());
        let others = self.of_lots.iter().filter(|one| !self.factors.iter().any(|(factor, _)| factor.id == one.id));
        let others = others.filter_map(|one| Some((one.clone(), lot_of(one.titrant_id)?)));
        self.factors.iter().cloned().chain(others).collect()
    }

    /// How many blanks count for a determination.
    pub(super) fn blanks_counted(&self, row: &DeterminationRow, sight: &Sight) -> usize {
        self.frame.blanks.get(&row.run_id).map_or(0, |of_run| of_run.counted(sight).len())
    }

    /// Factors that a determination rests on, each with its time: of its titrations, and of the blanks of its run.
    pub(super) fn factors_used(&self, row: &DeterminationRow) -> impl Iterator<Item = (FactorId, DateTime<Utc>)> {
        let titrations = self.titrations.get(&row.id).into_iter().flatten();
        let titrations = titrations.flat_map(|row| {
            [Some(row.factor_id), row.oxidant_factor_id].into_iter().flatten().map(|factor| (factor, row.observed_at))
        });
        let blanks = self.frame.blanks.get(&row.run_id).into_iter().flat_map(|of_run| {
            of_run.all.iter().flat_map(|blank| {
                let added = of_run.addition(blank.id).and_then(|added| added.factor_id);
                std::iter::once(blank.factor_id).chain(added).map(|factor| (factor, blank.observed_at))
            })
        });
        titrations.chain(blanks)
    }

    /// Why a determination cannot be evaluated with these factors: one that it or a blank of its run was titrated with has no
    /// value.
    pub(super) fn trouble(
        &self,
        row: &DeterminationRow,
        factors: &HashMap<FactorId, Result<titrants::FactorRow, String>>,
    ) -> Option<String> {
        if factors.values().all(Result::is_ok) {
            return None;
        }
        let sight = self.sight(row.id);
        let mut used = self.factors_used(row).map(|(factor, _)| self.corrections.read(factor, &sight));
        used.find_map(|factor| factors.get(&factor)?.as_ref().err().cloned())
    }

    /// Changes rows as a hypothesis has them. A titration is left out in all its versions, so that none comes back.
    pub(super) fn suppose(&mut self, hypothesis: &Hypothesis) {
        self.shelf.suppose(&hypothesis.supposed);
        let all = self.factors.iter_mut().map(|(factor, _)| factor).chain(&mut self.of_lots);
        for factor in all {
            if let Some(Ok(other)) = hypothesis.factors.get(&factor.id) {
                factor.clone_from(other);
            }
        }
        let Some(out) = &hypothesis.left_out else { return };
        for rows in self.titrations.values_mut() {
            let gone: HashSet<Uuid> = rows.iter().filter(|row| out.titration(row)).map(|row| row.record_id).collect();
            rows.retain(|row| !gone.contains(&row.record_id));
        }
        for of_run in self.frame.blanks.values_mut() {
            let gone: HashSet<Uuid> = of_run.all.iter().filter(|row| out.blank(row)).map(|row| row.record_id).collect();
            of_run.all.retain(|row| !gone.contains(&row.record_id));
        }
    }

    /// Moves that judged its titrations.
    pub(super) fn judged(&self) -> &[StateMove] {
        &self.judged
    }

    /// Who recorded a blank of its run, in whatever version.
    pub(super) fn blank_recorders(
        &self,
        row: &DeterminationRow,
    ) -> impl Iterator<Item = ferrotitre_base::ids::AccountId> {
        self.frame
            .blanks
            .get(&row.run_id)
            .into_iter()
            .flat_map(|of_run| of_run.all.iter().map(|blank| blank.recorded_by))
    }
}
