//! Differences that follow from what is titrated: total iron and iron(II) of one sample that are part of no iron(III) yet.

use std::collections::hash_map::Entry;
use std::collections::{HashMap, HashSet};

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{DeterminationId, MethodId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states;
use ferrotitre_bench::methods::store::versions as methods;
use ferrotitre_core::determination::{Detail, iron3};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::determinations::evaluation::ReportedView;
use crate::determinations::record::{KIND, load};
use crate::determinations::store::{self, DeterminationRow};

/// Codes that are tried for a difference: that of the sample, then with a number behind it.
const TRIED: usize = 20;

/// A determination of a difference, as it stands now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartOf {
    pub id: Uuid,
    pub code: String,
    /// Digest of what a signature on it would cover now.
    pub digest: String,
}

/// Iron(III) as it would be recorded.
pub struct Pair {
    /// Made of the sample's, and free.
    pub code: String,
    pub sample: Uuid,
    pub total: PartOf,
    pub iron2: PartOf,
    /// incomplete, concordant, discordant or below zero.
    pub outcome: &'static str,
    pub reported: ReportedView,
}

/// Determinations that can be part of a difference: they stand, in a run that stands, and are part of none.
async fn free(connection: &Connection, samples: &[Uuid]) -> Result<Vec<DeterminationRow>, Refusal> {
    let rows = store::of_samples(connection, samples).await?;
    let ids: Vec<DeterminationId> = rows.iter().map(|row| row.id).collect();
    let taken = store::iron_results_from(connection, &ids).await?;
    let taken: HashSet<Uuid> = taken.iter().flat_map(|row| [row.total_id.0, row.iron2_id.0]).collect();
    let own = states::present_many(connection, KIND, &ids.iter().map(|id| id.0).collect::<Vec<_>>()).await?;
    let runs: Vec<Uuid> = rows.iter().map(|row| row.run_id.0).collect();
    let runs = states::present_many(connection, EntityKind::Run, &runs).await?;
    let is = |known: &HashMap<Uuid, String>, id: Uuid, state: &str| known.get(&id).is_some_and(|one| one == state);
    let stands = |row: &DeterminationRow| {
        !is(&own, row.id.0, "invalidated") && !is(&runs, row.run_id.0, "rejected") && !taken.contains(&row.id.0)
    };
    Ok(rows.into_iter().filter(stands).collect())
}

/// A code made of the sample's that no difference has.
async fn code(connection: &Connection, sample: &str) -> Result<Option<String>, Refusal> {
    let plain = format!("FE3-{sample}");
    let mut tried = vec![plain.clone()];
    tried.extend((2..TRIED).map(|number| format!("{plain}-{number}")));
    let taken = store::iron_result_codes(connection, &tried).await?;
    Ok(tried.into_iter().find(|code| !taken.contains(code)))
}

/// The difference of two determinations, if both are complete.
async fn pair(
    connection: &Connection,
    total: DeterminationRow,
    iron2: DeterminationRow,
) -> Result<Option<Pair>, Refusal> {
    let sample = total.sample_id;
    let (total, iron2) = (load(connection, total).await?, load(connection, iron2).await?);
    let Ok(derived) = iron3(&total.record, &iron2.record, Detail::Figures) else { return Ok(None) };
    let Some(reported) = derived.reported else { return Ok(None) };
    let code_of_sample = total.names.get(&sample).cloned().unwrap_or_default();
    let Some(code) = code(connection, &code_of_sample).await? else { return Ok(None) };
    let part = |loaded: &crate::determinations::record::Loaded, digest: [u8; 32]| PartOf {
        id: loaded.row.id.0,
        code: loaded.row.code.clone(),
        digest: hex::encode(digest),
    };
    Ok(Some(Pair {
        code,
        sample,
        total: part(&total, derived.total.input_digest),
        iron2: part(&iron2, derived.iron2.input_digest),
        outcome: derived.outcome.word(),
        reported: ReportedView::from(reported),
    }))
}

/// The newest of each analyte that make a difference, for each of these samples in turn.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of_samples(db: &Db, samples: &[Uuid]) -> Result<Vec<Pair>, Refusal> {
    db.snapshot(async |connection| {
        let rows = free(connection, samples).await?;
        let mut analytes: HashMap<MethodId, String> = HashMap::new();
        for row in &rows {
            if let Entry::Vacant(entry) = analytes.entry(row.method_id) {
                entry.insert(methods::exactly(connection, row.method_id).await?.facts.analyte);
            }
        }
        let mut found = Vec::new();
        for sample in samples {
            let newest = |analyte: &str| {
                let of = |row: &&DeterminationRow| {
                    row.sample_id == *sample && analytes.get(&row.method_id).is_some_and(|one| one == analyte)
                };
                rows.iter().find(of).cloned()
            };
            if let (Some(total), Some(iron2)) = (newest("total iron"), newest("iron(II)")) {
                found.extend(pair(connection, total, iron2).await?);
            }
        }
        Ok(found)
    })
    .await
}
