//! Signed results as they stand and as a hypothesis has them: the rows that were signed, a few of them changed before the same
//! evaluation.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Utc};
use ferrotitre_core::determination::{Brief, Detail, Evaluation, Progress, Reported, brief, iron3};
use uuid::Uuid;

use crate::determinations::bulk::judged;
use crate::determinations::evaluation::expressed;
use crate::determinations::iron_results;
use crate::determinations::material::{Drawn, Material, gather};
use crate::determinations::sources::Source;
use crate::determinations::store::{self, DeterminationRow, IronResultRow, TitrationRow};
use crate::determinations::{compared, signed};
use crate::runs::blanks;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, DeterminationId, FactorId};
use ferrotitre_base::pins::{self, Sight, Standing};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::{self, StateMove};
use ferrotitre_bench::specifications::conformity::{self, Judged};
use ferrotitre_bench::supposed::Supposed;
use ferrotitre_bench::titrants::store::{FactorRow, TitrantRow};

/// What is left out from a moment on, bench time.
#[derive(Debug, Clone)]
pub struct LeftOut {
    pub what: Left,
    pub from: DateTime<Utc>,
    pub until: DateTime<Utc>,
}

/// What is left out: titrations with a lot; titrations and blanks with a burette or by a person.
#[derive(Debug, Clone)]
pub enum Left {
    Titrant(Uuid),
    Burette(Uuid),
    /// All accounts of a person.
    Person(Vec<AccountId>),
}

impl LeftOut {
    fn holds(&self, (titrant, burette, by): (Uuid, Uuid, AccountId), at: DateTime<Utc>) -> bool {
        let meant = match &self.what {
            Left::Titrant(id) => *id == titrant,
            Left::Burette(id) => *id == burette,
            Left::Person(accounts) => accounts.contains(&by),
        };
        meant && at >= self.from && at < self.until
    }

    pub(super) fn titration(&self, row: &TitrationRow) -> bool {
        self.holds((row.titrant_id.0, row.burette_id, row.recorded_by), row.observed_at)
    }

    /// A blank goes with its burette or its person. One of a lot that is left out stays: it is brought to the titrant of what
    /// remains.
    pub(super) fn blank(&self, row: &blanks::Row) -> bool {
        if matches!(self.what, Left::Titrant(_)) {
            return false;
        }
        self.holds((row.titrant_id.0, row.burette_id, row.recorded_by), row.observed_at)
    }
}

/// A hypothesis with what follows from it for factors.
#[derive(Debug, Clone, Default)]
pub struct Hypothesis {
    pub supposed: Supposed,
    pub left_out: Option<LeftOut>,
    /// Factors that come out differently, or why they cannot be evaluated.
    pub factors: HashMap<FactorId, Result<FactorRow, String>>,
}

/// What a result comes to.
#[derive(Debug, Clone)]
pub struct Weighed {
    /// Unrounded result and its standard uncertainty.
    pub result: Option<(f64, f64)>,
    pub reported: Option<Reported>,
    /// Why there is none.
    pub waits: String,
    pub conformity: Vec<Judged>,
}

/// A result as it was signed, and as a hypothesis has it or why it cannot be evaluated under that.
#[derive(Debug, Clone)]
pub struct Compared {
    pub id: Uuid,
    pub code: String,
    pub outcome: Result<(Weighed, Weighed), String>,
}

/// Signed results of one kind with everything they rest on.
pub struct Pile {
    material: Material,
    determinations: Vec<DeterminationRow>,
    irons: Vec<Iron>,
}

/// An iron result with what its parts are read under.
struct Iron {
    row: IronResultRow,
    moves: Vec<StateMove>,
    sights: [Option<Sight>; 2],
    kept: Option<String>,
}

/// Reads determinations by their identities.
pub async fn pile(connection: &Connection, ids: &[Uuid]) -> Result<Pile, Refusal> {
    let determinations = store::determinations_by_id(connection, ids).await?;
    let material = gather(connection, &determinations).await?;
    Ok(Pile { material, determinations, irons: Vec::new() })
}

/// Reads iron results by their identities.
pub async fn pile_of_irons(connection: &Connection, ids: &[Uuid]) -> Result<Pile, Refusal> {
    let rows = store::iron_results_by_id(connection, ids).await?;
    let parts: HashSet<Uuid> = rows.iter().flat_map(|row| [row.total_id.0, row.iron2_id.0]).collect();
    let parts: Vec<Uuid> = parts.into_iter().collect();
    let (determinations, mut standing, moves) = futures_util::try_join!(
        store::determinations_by_id(connection, &parts),
        pins::standing(connection, ids),
        states::moves_of(connection, ids)
    )?;
    let pinned: Vec<Uuid> = standing.values().flat_map(|standing| standing.rows()).copied().collect();
    let (material, signed) =
        futures_util::try_join!(gather(connection, &determinations), pins::sights_by_signature(connection, &pinned))?;
    let irons = rows.into_iter().map(|row| {
        let own: Vec<StateMove> = moves.iter().filter(|step| step.entity_id == row.id.0).cloned().collect();
        let standing = standing.remove(&row.id.0);
        let sight_of = |part: DeterminationId| {
            let rows = standing.as_ref().map_or(&[][..], Standing::rows);
            let signed = rows.iter().filter_map(|id| signed.get(id)).find(|(of, _)| *of == part.0);
            signed.map(|(_, sight)| sight.clone()).or_else(|| standing.as_ref().and_then(Standing::sight))
        };
        let sights = [sight_of(row.total_id), sight_of(row.iron2_id)];
        Iron { moves: own, sights, kept: standing.and_then(|standing| standing.evaluation), row }
    });
    let irons = irons.collect();
    Ok(Pile { material, determinations, irons })
}

impl Pile {
    /// Factors that they were made with, with their lots.
    pub fn factors(&self) -> Vec<(FactorRow, TitrantRow)> {
        self.material.all_factors()
    }

    /// Evaluates all of them as they were signed, and as a hypothesis has them.
    ///
    /// # Errors
    /// A record that refers to nothing.
    pub fn compare(self, hypothesis: &Hypothesis) -> Result<Vec<Compared>, Refusal> {
        let Self { mut material, determinations, irons } = self;
        let rows: HashMap<DeterminationId, &DeterminationRow> =
            determinations.iter().map(|row| (row.id, row)).collect();
        let single: Vec<&DeterminationRow> =
            if irons.is_empty() { determinations.iter().collect() } else { Vec::new() };
        let weigh_all = |material: &Material, as_signed: bool| -> Vec<Result<Weighed, Refusal>> {
            let source = material.source();
            let one = |row: &&DeterminationRow| weigh(material, row, &source, as_signed);
            let mut all: Vec<_> = single.iter().map(one).collect();
            all.extend(irons.iter().map(|iron| weigh_iron(material, iron, &rows, &source, as_signed)));
            all
        };
        let blanks = |material: &Material| -> Vec<usize> {
            let parts = |iron: &Iron| [iron.row.total_id, iron.row.iron2_id].map(|id| rows.get(&id).copied());
            let of = |row: &DeterminationRow, sight: &Sight| material.blanks_counted(row, sight);
            let mut all: Vec<usize> = single.iter().map(|row| of(row, &material.sight(row.id))).collect();
            all.extend(irons.iter().map(|iron| {
                let each = parts(iron).into_iter().zip(&iron.sights);
                each.filter_map(|(row, sight)| Some(of(row?, sight.as_ref()?))).min().unwrap_or(0)
            }));
            all
        };
        let (before, blanks_before) = (weigh_all(&material, true), blanks(&material));
        let troubles: Vec<Option<String>> = single
            .iter()
            .map(|row| material.trouble(row, &hypothesis.factors))
            .chain(irons.iter().map(|iron| {
                let of = |id| material.trouble(rows.get(&id)?, &hypothesis.factors);
                of(iron.row.total_id).or_else(|| of(iron.row.iron2_id))
            }))
            .collect();
        material.suppose(hypothesis);
        let (after, blanks_after) = (weigh_all(&material, false), blanks(&material));
        let named = single
            .iter()
            .map(|row| (row.id.0, row.code.clone()))
            .chain(irons.iter().map(|iron| (iron.row.id.0, iron.row.code.clone())));
        let counts = blanks_before.into_iter().zip(blanks_after);
        let weighed = before.into_iter().zip(after).zip(counts.zip(troubles));
        let outcomes = named.zip(weighed).map(|((id, code), ((before, after), (counts, trouble)))| {
            let outcome = match (before, after, trouble) {
                (Err(refusal), ..) => Err(format!("as signed: {}", refusal.detail)),
                (_, _, Some(trouble)) => Err(trouble),
                (Ok(_), Ok(_), None) if counts.0 > 0 && counts.1 == 0 => {
                    Err("no blank would be left that could be subtracted".to_owned())
                }
                (Ok(_), Err(refusal), None) => Err(refusal.detail),
                (Ok(before), Ok(after), None) => Ok((before, after)),
            };
            Compared { id, code, outcome }
        });
        Ok(outcomes.collect())
    }
}

fn not_evaluated(error: ferrotitre_core::determination::EvaluationError) -> Refusal {
    Refusal::new(Code::NotEnoughData, error.to_string()).because(error)
}

fn waits(progress: &Progress) -> String {
    match progress {
        Progress::NeedsMore { why, .. } => why.clone(),
        Progress::Complete { how } => how.clone(),
    }
}

fn weigh(
    material: &Material,
    row: &DeterminationRow,
    source: &Source<'_>,
    as_signed: bool,
) -> Result<Weighed, Refusal> {
    let version = material.method(row)?;
    let Drawn { record, .. } = material.draw(row, &material.sight(row.id), source)?;
    let mut of = brief(&record).map_err(not_evaluated)?;
    let kept = material.standing(row.id).and_then(|standing| standing.evaluation.as_deref());
    if let Some(kept) = kept.filter(|_| as_signed) {
        signed::keep_brief(kept, &record.rules.reporting, &mut of)?;
    }
    let conformity = judged(material, row, (version, &record), (material.state(row.id), material.moves(row.id)), &of)?;
    let Brief { figure, reported, progress, .. } = of;
    Ok(Weighed { result: figure.map(|figure| (figure.value, figure.u)), reported, waits: waits(&progress), conformity })
}

/// The part of an iron result as it was signed over.
fn part<'m>(
    material: &'m Material,
    row: &DeterminationRow,
    sight: Option<&Sight>,
    source: &Source<'m>,
) -> Result<Drawn<'m>, Refusal> {
    let sight = sight.cloned().unwrap_or_else(|| material.sight(row.id));
    material.draw(row, &sight, source)
}

fn weigh_iron(
    material: &Material,
    iron: &Iron,
    rows: &HashMap<DeterminationId, &DeterminationRow>,
    source: &Source<'_>,
    as_signed: bool,
) -> Result<Weighed, Refusal> {
    let missing = || Refusal::new(Code::Internal, "an iron result lacks a determination");
    let total_row = rows.get(&iron.row.total_id).copied().ok_or_else(missing)?;
    let iron2_row = rows.get(&iron.row.iron2_id).copied().ok_or_else(missing)?;
    let total = part(material, total_row, iron.sights[0].as_ref(), source)?.record;
    let iron2 = part(material, iron2_row, iron.sights[1].as_ref(), source)?.record;
    let mut derived = iron3(&total, &iron2, Detail::Figures).map_err(not_evaluated)?;
    if let Some(kept) = iron.kept.as_deref().filter(|_| as_signed) {
        signed::keep_difference(kept, &total.rules.reporting, &mut derived)?;
    }
    let version = material.method(total_row)?;
    let state = iron.moves.last().map_or(iron_results::KIND.first_state(), |step| step.to_state.as_str());
    let standing = (state, compared::approved_at(state, &iron.moves));
    let as_what = expressed(total.rules.reporting.expressed);
    let compared = compared::of_difference((version, material.rule(version)), as_what, &derived, standing);
    let conformity = conformity::judged(material.assigned(total_row), &compared);
    let unfinished = [&derived.total, &derived.iron2].map(|part: &Evaluation| waits(&part.progress));
    Ok(Weighed {
        result: derived.value.zip(derived.u),
        waits: unfinished.join("; "),
        conformity,
        reported: derived.reported,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_out_begins_at_its_moment_and_ends_before_the_other() {
        let at = |day: u32| chrono::TimeZone::with_ymd_and_hms(&Utc, 2026, 11, day, 8, 0, 0).unwrap();
        let (lot, burette, person) = (Uuid::from_u128(1), Uuid::from_u128(2), AccountId(Uuid::from_u128(3)));
        let out = |what| LeftOut { what, from: at(10), until: at(20) };
        let row = (lot, burette, person);
        for what in [Left::Titrant(lot), Left::Burette(burette), Left::Person(vec![person])] {
            let out = out(what);
            assert_eq!([9, 10, 19, 20].map(|day| out.holds(row, at(day))), [false, true, true, false]);
        }
        assert!(!out(Left::Titrant(burette)).holds(row, at(12)));
    }
}
