//! Every signed figure evaluated again from the rows its signature stands over, for whoever checks the store.

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::sync::Arc;

use ferrotitre_base::again::Again;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::SignOffId;
use ferrotitre_base::pins::Sight;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::determination::{Detail, FORMULA_SET, iron3};
use serde_json::Value;
use uuid::Uuid;

use crate::determinations::evaluation::expressed;
use crate::determinations::store::frozen::{self, Frozen};
use crate::determinations::{iron_results, record, store};

/// Signatures that are read at once.
const AT_ONCE: i64 = 200;

/// Unrounded figures, each by its unit and as what it is expressed, and the digest of the content.
struct Evaluated {
    code: String,
    digest: String,
    figures: Vec<(String, String, f64, f64)>,
}

impl Evaluated {
    /// Whether what a signature kept is this, to the last bit: the same program computes the same.
    fn is_kept(&self, kept: &Value) -> bool {
        match kept["figures"].as_array() {
            Some(figures) => {
                figures.len() == self.figures.len()
                    && figures.iter().zip(&self.figures).all(|(kept, (unit, expressed, value, u))| {
                        kept["unit"] == unit.as_str()
                            && kept["expressed"] == expressed.as_str()
                            && kept["value"].as_f64() == Some(*value)
                            && kept["u"].as_f64() == Some(*u)
                    })
            }
            None => match self.figures.as_slice() {
                [(.., value, u)] => kept["value"].as_f64() == Some(*value) && kept["u"].as_f64() == Some(*u),
                _ => kept["value"].is_null(),
            },
        }
    }
}

async fn determination(connection: &Connection, id: Uuid, rows: &[Uuid]) -> Result<Evaluated, Refusal> {
    let row = store::determination(connection, id).await?;
    let code = row.code.clone();
    let sight = Sight::Pinned(Arc::new(rows.iter().copied().collect()));
    let loaded = record::load_under(connection, row, &sight).await?;
    let evaluation = record::evaluated(&loaded.record, Detail::Figures)?;
    let figure = |figure: &ferrotitre_core::determination::Figure| {
        (figure.unit.symbol().to_owned(), expressed(figure.expressed).to_owned(), figure.value, figure.u)
    };
    Ok(Evaluated { code, digest: loaded.content_digest(), figures: evaluation.figures.iter().map(figure).collect() })
}

async fn iron_result(connection: &Connection, id: Uuid) -> Result<Evaluated, Refusal> {
    let row = store::iron_result(connection, id).await?;
    let code = row.code.clone();
    let loaded = iron_results::load(connection, row).await?;
    let derived = iron3(&loaded.total.record, &loaded.iron2.record, Detail::Figures).map_err(Refusal::internal)?;
    let figures = derived.value.zip(derived.u).map(|(value, u)| (String::new(), String::new(), value, u));
    Ok(Evaluated { code, digest: iron_results::LoadedResult::digest(&derived), figures: figures.into_iter().collect() })
}

/// What a signature says against what its rows give; none where they agree.
fn differs(frozen: &Frozen, outcome: &Result<Evaluated, Refusal>) -> Option<String> {
    let who = format!("the signature {} ({}) on", frozen.id, frozen.meaning);
    let evaluated = match outcome {
        Ok(evaluated) => evaluated,
        Err(refusal) => return Some(format!("{who} {} cannot be followed: {}", frozen.entity_id, refusal.detail)),
    };
    if evaluated.digest != frozen.content_digest {
        return Some(format!("{who} {} stands over rows of another digest than the one signed", evaluated.code));
    }
    let kept: Value = serde_json::from_str(&frozen.evaluation).unwrap_or_default();
    (frozen.formula_set == FORMULA_SET && !evaluated.is_kept(&kept))
        .then(|| format!("{who} {} is over another figure than its rows give", evaluated.code))
}

/// Evaluates the figure of every signature again. Iron(III) is checked under the signature it stands under now; earlier ones of an
/// amended difference stand over signatures of its determinations, which are checked one by one.
///
/// # Errors
/// A store that cannot be read.
pub async fn again(connection: &Connection, tell: impl Fn(usize)) -> Result<Again, Refusal> {
    let mut again = Again::default();
    let mut below: Option<SignOffId> = None;
    let mut seen = 0;
    loop {
        let page = frozen::after(connection, below, AT_ONCE).await?;
        let Some(last) = page.last() else { return Ok(again) };
        below = Some(last.id);
        // Author, reviewer and approver sign the same rows.
        let mut known: HashMap<(Uuid, &[Uuid]), Result<Evaluated, Refusal>> = HashMap::new();
        for one in &page {
            seen += 1;
            let Some(rows) = &one.rows else {
                again.unpinned += 1;
                continue;
            };
            let outcome = match known.entry((one.entity_id, rows.as_slice())) {
                Entry::Occupied(kept) => kept.into_mut(),
                Entry::Vacant(free) => free.insert(match one.entity_kind.as_str() {
                    "determinations" => determination(connection, one.entity_id, rows).await,
                    _ => iron_result(connection, one.entity_id).await,
                }),
            };
            match differs(one, outcome) {
                Some(finding) => again.findings.push(finding),
                None if one.formula_set == FORMULA_SET => again.agree += 1,
                None => again.of_other_formulae += 1,
            }
        }
        tell(seen);
    }
}
