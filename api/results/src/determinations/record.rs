//! Loads a determination with everything it rests on and makes the record core evaluates.

mod people;
mod shown;

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Utc};
use ferrotitre_base::bench_times::{self, LateEntry};
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, FactorId, TitrationId};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs;
use ferrotitre_base::states::StateMove;
use ferrotitre_bench::methods::scope::{Scope, scopes};
use ferrotitre_bench::samples::{portions, samples};
use ferrotitre_bench::specifications::conformity::{Assigned, RuleVersion};
use ferrotitre_bench::{concessions, methods, titrants};
use ferrotitre_core::determination::{
    Acceptance, Central, Detail, Evaluation, Record, Reported, ResultOutcome, content_digest, evaluate,
};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::determinations::material::{self, Drawn, Material};
use crate::determinations::signed;
use crate::determinations::since::Since;
use crate::determinations::steps::broken;
use crate::determinations::store::{self, DeterminationRow, TitrationRow};
use ferrotitre_base::pins::{Sight, Standing, Used};

pub(super) use shown::titration_view;

pub const KIND: EntityKind = EntityKind::Determination;
pub(super) const TITRATION: EntityKind = EntityKind::Titration;
/// Rows that are looked back through to say what changed.
const MOST_CHANGES: usize = 40;

/// What core makes of a record.
pub(super) fn evaluated(record: &Record, detail: Detail) -> Result<Evaluation, Refusal> {
    evaluate(record, detail).map_err(|error| Refusal::new(Code::NotEnoughData, error.to_string()).because(error))
}

/// A determination with everything it rests on.
pub(super) struct Loaded {
    pub(super) row: DeterminationRow,
    pub(super) frame: Frame,
    pub(super) record: Record,
    pub(super) state: String,
    titrations: Vec<(TitrationRow, String)>,
    /// Supervisors of titrations, by version.
    supervisions: Vec<(TitrationId, AccountId)>,
    /// What was recorded late, and why.
    late: Vec<LateEntry>,
    /// Lots of the factors used.
    lots: Vec<(FactorId, Uuid)>,
    /// Everybody who had a hand in it.
    pub(super) authors: Vec<AccountId>,
    /// Every row it was read from.
    pub(super) used: Used,
    /// The author's signature it stands under.
    pub(super) standing: Option<Standing>,
    /// What touched it since then.
    pub(super) since: Since,
    /// What it and what it was made with are called, by identity.
    pub(super) names: HashMap<Uuid, String>,
    material: Material,
}

/// What a determination rests on apart from its titrations.
pub(super) struct Frame {
    pub(super) method: methods::store::versions::Row,
    pub(super) sample: samples::versions::Row,
    portion: portions::Row,
    pub(super) sign_offs: Vec<sign_offs::Row>,
    /// Concessions under which its result may stand although its run has not decided, in words.
    pub(super) conceded: Vec<String>,
    /// What a validation study concluded of the method version.
    scope: Option<Scope>,
    /// What the sample was ever given to be judged by; none for a control.
    pub(super) assigned: Vec<Assigned>,
    /// The decision rule that the method version names; read only where one of these names none.
    pub(super) rule: Option<RuleVersion>,
}

/// Rows beside those of the material.
struct Beside {
    samples: Vec<samples::versions::Row>,
    sign_offs: Vec<sign_offs::Row>,
    /// What validation studies concluded of the method version, newest first.
    scopes: Vec<(Uuid, Scope)>,
    conceded: Vec<String>,
}

/// What is noted of titrations and of what they belong to.
struct Noted {
    supervisions: Vec<(TitrationId, AccountId)>,
    late: Vec<LateEntry>,
}

async fn noted(connection: &Connection, row: &DeterminationRow, material: &Material) -> Result<Noted, Refusal> {
    let titrations = material.titration_ids(row.id);
    let mut all = titrations.clone();
    all.extend([row.id.0, row.run_id.0]);
    all.extend(material.portion_ids(row));
    let (supervisions, late) =
        futures_util::try_join!(store::supervisions(connection, &titrations), bench_times::of(connection, &all))?;
    Ok(Noted { supervisions, late })
}

/// Loads a determination: from the rows its author's signature stands over, or else from those of the present.
///
/// The queries that do not depend on each other are sent together.
pub(super) async fn load(connection: &Connection, row: DeterminationRow) -> Result<Loaded, Refusal> {
    let rows = std::slice::from_ref(&row);
    let (material, beside) = futures_util::try_join!(material::gather(connection, rows), beside(connection, &row))?;
    let sight = material.sight(row.id);
    let standing = material.standing(row.id).cloned();
    let (since, noted) = futures_util::try_join!(
        Since::of(connection, &row, &material, standing.as_ref()),
        noted(connection, &row, &material)
    )?;
    assemble((row, material, beside, noted), &sight, (standing, since))
}

/// Loads it from the rows that some signature stands over, whatever has become of the determination since.
pub(super) async fn load_under(
    connection: &Connection,
    row: DeterminationRow,
    sight: &Sight,
) -> Result<Loaded, Refusal> {
    let rows = std::slice::from_ref(&row);
    let (material, beside) = futures_util::try_join!(material::gather(connection, rows), beside(connection, &row))?;
    let noted = noted(connection, &row, &material).await?;
    assemble((row, material, beside, noted), sight, (None, Since::default()))
}

/// Loads it again after one of its titrations was recorded, in the same transaction: nothing else has changed.
pub(super) async fn load_again(connection: &Connection, before: Loaded) -> Result<Loaded, Refusal> {
    let material = before.material.titrated(connection, before.row.id).await?;
    let noted = noted(connection, &before.row, &material).await?;
    let Frame { sample, sign_offs, scope, conceded, .. } = before.frame;
    let scopes = scope.into_iter().map(|scope| (Uuid::nil(), scope)).collect();
    let beside = Beside { samples: vec![sample], sign_offs, scopes, conceded };
    assemble((before.row, material, beside, noted), &Sight::Present, (None, Since::default()))
}

async fn beside(connection: &Connection, row: &DeterminationRow) -> Result<Beside, Refusal> {
    let sample = [row.sample_id];
    let (samples, sign_offs, scopes, conceded) = futures_util::try_join!(
        samples::versions::every(connection, &sample),
        sign_offs::of(connection, row.id.0),
        scopes(connection, row.method_id),
        concessions::of_result(connection, row.id.0)
    )?;
    Ok(Beside { samples, sign_offs, scopes, conceded })
}

fn assemble(
    (row, material, beside, noted): (DeterminationRow, Material, Beside, Noted),
    sight: &Sight,
    (standing, since): (Option<Standing>, Since),
) -> Result<Loaded, Refusal> {
    let source = material.source().noting();
    let Drawn { record, titrations, portion, mut used } = material.draw(&row, sight, &source)?;
    let Beside { samples, sign_offs, scopes, conceded } = beside;
    let seen = samples.into_iter().rfind(|sample| sight.sees(sample.id.0, sample.recorded_at));
    let sample = seen.ok_or_else(|| Refusal::new(Code::Internal, "a determination lacks its sample"))?;
    // What was concluded after the signature says nothing of what was signed.
    let scope = scopes.into_iter().find(|(id, _)| !matches!(sight, Sight::Pinned(rows) if !rows.contains(id)));
    let at = row.observed_at;
    let own = [("determinations", row.id.0), ("runs", row.run_id.0), ("methods", row.method_id.0)];
    for (table, id) in own.into_iter().chain([("samples", sample.id.0)]) {
        used.add(table, id, at);
    }
    if let Some((conclusion, _)) = &scope {
        used.add("validation_conclusions", *conclusion, at);
    }
    let method = material.method(&row)?.clone();
    let assigned = material.assigned(&row).to_vec();
    let rule = material.rule(&method).cloned();
    for one in assigned.iter().filter(|one| one.removal.is_none()) {
        used.add("sample_specifications", one.assignment.id.0, at);
        used.add("specifications", one.specification.id.0, at);
        if let Some(rule) = one.rule.as_ref().or(rule.as_ref()) {
            used.add("decision_rules", rule.id.0, at);
        }
    }
    let seen: HashSet<Uuid> = titrations.iter().map(|(titration, _)| titration.id.0).collect();
    let Noted { mut supervisions, mut late } = noted;
    supervisions.retain(|(titration, _)| seen.contains(&titration.0));
    let here = [row.id.0, row.run_id.0, portion.id.0];
    late.retain(|entry| seen.contains(&entry.entity_id) || here.contains(&entry.entity_id));
    let state = material.state(row.id).to_owned();
    let mut authors = vec![row.recorded_by, portion.recorded_by];
    authors.extend(titrations.iter().map(|(titration, _)| titration.recorded_by));
    authors.extend(others_with_a_hand(&row, &material, &supervisions, &sign_offs));
    let titrations: Vec<(TitrationRow, String)> =
        titrations.into_iter().map(|(titration, state)| (titration.clone(), state)).collect();
    let pieces = titrations.iter().flat_map(|(row, _)| [Some(row.burette_id), row.oxidant_pipette_id]).flatten();
    let mut names: HashMap<Uuid, String> =
        pieces.filter_map(|id| Some((id, material.shelf.code(id, sight)?))).collect();
    names.insert(row.sample_id, sample.facts.code.clone());
    let lots = material.lots();
    let portion = portion.clone();
    let scope = scope.map(|(_, scope)| scope);
    let frame = Frame { method, sample, portion, sign_offs, conceded, scope, assigned, rule };
    Ok(Loaded {
        row,
        frame,
        record,
        state,
        titrations,
        supervisions,
        late,
        lots,
        authors,
        used,
        standing,
        since,
        names,
        material,
    })
}

/// Who has a hand in a determination besides those who recorded it, its portion and its titrations.
fn others_with_a_hand(
    row: &DeterminationRow,
    material: &Material,
    supervisions: &[(TitrationId, AccountId)],
    sign_offs: &[sign_offs::Row],
) -> Vec<AccountId> {
    // Whoever supervised a titration answers for it with the one who made it.
    let mut found: Vec<_> = supervisions.iter().map(|(_, supervisor)| *supervisor).collect();
    found.extend(material.blank_recorders(row));
    found.extend(material.judged().iter().filter_map(|step| step.recorded_by));
    found.extend(sign_offs.iter().filter(|sign| sign.meaning == "authored").map(|sign| sign.recorded_by));
    // Whoever amends an approved record has a hand in what comes of it.
    let amended = material.moves(row.id).iter().filter(|step| step.to_state == "amended");
    found.extend(amended.filter_map(|step| step.recorded_by));
    found
}

impl Loaded {
    /// What core makes of it; what was signed under other formulae keeps the figures that were signed.
    pub(super) fn evaluate(&self, detail: Detail) -> Result<Evaluation, Refusal> {
        let mut evaluation = evaluated(&self.record, detail)?;
        self.keep_signed(&mut evaluation)?;
        Ok(evaluation)
    }

    /// Puts the figures that were signed in place of those of later formulae, where they differ in a reported digit; returns the
    /// later ones then.
    fn keep_signed(&self, evaluation: &mut Evaluation) -> Result<Option<Reported>, Refusal> {
        let kept = self.standing.as_ref().and_then(|standing| standing.evaluation.as_deref());
        let Some(text) = kept else { return Ok(None) };
        signed::keep(text, &self.record.rules.reporting, evaluation)
    }

    /// What later formulae make of the rows that were signed, where that differs in a reported digit.
    pub(super) fn later_formulae(&self) -> Option<Reported> {
        self.standing.as_ref()?.evaluation.as_ref()?;
        let mut evaluation = evaluated(&self.record, Detail::Figures).ok()?;
        self.keep_signed(&mut evaluation).ok()?
    }

    /// Unrounded result with its standard uncertainty, in the unit and as what it is reported.
    pub(super) fn result_of(&self, evaluation: &Evaluation) -> Option<(f64, f64)> {
        let rule = &self.record.rules.reporting;
        let mut figures = evaluation.figures.iter();
        let found = figures.find(|figure| (figure.unit, figure.expressed) == (rule.unit, rule.expressed))?;
        Some((found.value, found.u))
    }

    /// What the author's signature stands over, with what the titrants' concentrations rest on.
    pub(super) async fn pins(&self, connection: &Connection) -> Result<Used, Refusal> {
        let mut used = self.used.clone();
        let factors = used.of("titrant_factors");
        used.extend(&titrants::origin::of_factors(connection, &factors).await?);
        Ok(used)
    }

    /// Digest of the content as it was at a moment; none before there was any.
    fn digest_as_of(&self, moment: DateTime<Utc>) -> Option<String> {
        let drawn = self.material.draw(&self.row, &Sight::AsOf(moment), &self.material.source()).ok()?;
        Some(hex::encode(content_digest(&drawn.record)))
    }

    /// Rows recorded since the content had a digest, newest first; none where it never had it.
    pub(super) fn changed_since(&self, digest: &str) -> Vec<(&'static str, Uuid, DateTime<Utc>)> {
        let mut all = self.material.recorded(&self.row);
        all.sort_unstable_by_key(|(.., at)| std::cmp::Reverse(*at));
        let fits = |count: &usize| {
            let before = all[*count].2 - chrono::Duration::microseconds(1);
            self.digest_as_of(before).is_some_and(|earlier| earlier == digest)
        };
        let changed = (0..all.len().min(MOST_CHANGES)).find(fits);
        changed.map(|count| all[..=count].to_vec()).unwrap_or_default()
    }

    /// Range that the used titres may have by the method's rule, mL; none where a median stands for them or they disagree.
    pub(super) fn allowed_ml(&self, evaluation: &Evaluation) -> Option<f64> {
        let rules = &self.record.rules;
        evaluation.titre_ml?;
        if evaluation.outcome == ResultOutcome::Discordant {
            return None;
        }
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

    /// Digest of the content as it is read.
    pub(super) fn content_digest(&self) -> String {
        hex::encode(content_digest(&self.record))
    }

    /// The latest signature of its author by a moment.
    pub(super) fn signed_by(&self, moment: DateTime<Utc>) -> Option<Uuid> {
        let mut authored = self.frame.sign_offs.iter().filter(|sign| sign.meaning == "authored");
        authored.rfind(|sign| sign.recorded_at <= moment).map(|sign| sign.id.0)
    }

    /// Which earlier signature no longer holds.
    pub(super) fn broken(&self) -> Option<String> {
        let unpinned = self.standing.as_ref().and_then(|standing| standing.unpinned.clone());
        unpinned.or_else(|| broken(&self.frame.sign_offs, &self.content_digest()))
    }

    /// Moves between its states, oldest first.
    pub(super) fn moves(&self) -> &[StateMove] {
        self.material.moves(self.row.id)
    }

    /// When it was last amended.
    pub(super) fn amended_at(&self) -> Option<DateTime<Utc>> {
        self.moves().iter().rfind(|step| step.to_state == "amended").map(|step| step.recorded_at)
    }

    /// The present version of a titration with its state.
    pub(super) fn present(&self, titration: Uuid) -> Option<&(TitrationRow, String)> {
        self.titrations.iter().rfind(|(row, _)| row.record_id == titration)
    }

    /// The position after the last.
    pub(super) fn next_position(&self) -> i32 {
        self.titrations.iter().map(|(row, _)| row.position).max().unwrap_or(0) + 1
    }

    /// The newest version of the titration of that number.
    pub(super) fn newest_at(&self, position: i32) -> Option<&TitrationRow> {
        let of = self.titrations.iter().map(|(row, _)| row).filter(|row| row.position == position);
        of.max_by_key(|row| row.version)
    }
}
