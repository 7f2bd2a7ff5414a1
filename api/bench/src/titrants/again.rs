//! Every signed standardisation and preparation evaluated again from the rows its signature stands over, and the factor that came
//! of it held against that, for whoever checks the store.

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::sync::Arc;

use chrono::{DateTime, Duration, Utc};
use ferrotitre_base::again::Again;
use ferrotitre_base::db::Connection;
use ferrotitre_base::evaluations::finite;
use ferrotitre_base::ids::{FactorId, SignOffId};
use ferrotitre_base::pins::Sight;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::determination::{FORMULA_SET, PreparedTitrant};
use serde_json::Value;
use uuid::Uuid;

use crate::titrants::store::signed::{self, Signed};
use crate::titrants::store::{self, FactorRow};
use crate::titrants::{preparations, standardisations};

/// Signatures that are read at once.
const AT_ONCE: i64 = 200;

/// What the rows under a signature give.
pub(super) struct Evaluated {
    /// What was signed, by name.
    pub(super) code: String,
    pub(super) digest: String,
    /// The concentration; none where the rows give none.
    pub(super) made: Option<PreparedTitrant>,
    /// From when to when its factor counts.
    pub(super) term: (DateTime<Utc>, DateTime<Utc>),
}

/// But for the order of sums.
fn same(one: f64, other: f64) -> bool {
    (one - other).abs() <= 1e-9 * other.abs()
}

/// A concentration as numbers: c, u, factor, degrees of freedom.
type Numbers = (f64, f64, f64, Option<f64>);

fn agree(one: Numbers, other: Numbers) -> bool {
    let freedom = match (one.3, other.3) {
        (Some(one), Some(other)) => same(one, other),
        (one, other) => one == other,
    };
    same(one.0, other.0) && same(one.1, other.1) && same(one.2, other.2) && freedom
}

fn of_evaluation(text: &str) -> Option<Numbers> {
    let kept: Value = serde_json::from_str(text).ok()?;
    let number = |name: &str| kept[name].as_f64();
    Some((number("concentration")?, number("u")?, number("factor")?, number("degrees_of_freedom")))
}

fn of_factor(row: &FactorRow) -> Numbers {
    let freedom = row.degrees_of_freedom.as_ref().map(Decimal::value);
    (row.concentration.value(), row.standard_uncertainty.value(), row.factor.value(), freedom)
}

fn of_made(made: &PreparedTitrant) -> Numbers {
    (made.concentration, made.u, made.factor, finite(made.degrees_of_freedom))
}

/// The row of a factor against the signature that put it into force.
fn factor_differs(factor: &FactorRow, signed: &Signed, evaluated: &Evaluated) -> Option<&'static str> {
    let Some(kept) = signed.evaluation.as_deref() else { return Some("is signed by nobody") };
    if factor.evaluation != kept || of_evaluation(kept).is_none_or(|numbers| !agree(of_factor(factor), numbers)) {
        return Some("has other numbers than were signed");
    }
    let rows = signed.rows.as_deref().unwrap_or_default();
    if factor.preparation_id.is_some_and(|preparation| !rows.contains(&preparation.0)) {
        return Some("is of another preparation than was signed");
    }
    if factor.formula_set != signed.formula_set {
        return Some("is of other formulae than were signed");
    }
    if (factor.valid_from, factor.valid_to) != evaluated.term {
        return Some("counts from or until another moment than its standardisation or preparation gives");
    }
    None
}

/// What a signature says against what its rows give; none where they agree.
fn differs(signed: &Signed, outcome: &Result<Evaluated, Refusal>, factors: &[FactorRow]) -> Option<String> {
    let who = format!("the signature {} ({}) on", signed.id, signed.meaning);
    let evaluated = match outcome {
        Ok(evaluated) => evaluated,
        Err(refusal) => return Some(format!("{who} {} cannot be followed: {}", signed.entity_id, refusal.detail)),
    };
    let code = &evaluated.code;
    if evaluated.digest != signed.content_digest {
        return Some(format!("{who} {code} stands over rows of another digest than the one signed"));
    }
    if signed.meaning != "approved" {
        return None;
    }
    let [factor] = factors else {
        return Some(format!("{who} {code} put {} factors into force, not one", factors.len()));
    };
    if let Some(how) = factor_differs(factor, signed, evaluated) {
        return Some(format!("{who} {code}: the factor {} {how}", factor.id));
    }
    let follows = evaluated.made.as_ref().is_some_and(|made| agree(of_factor(factor), of_made(made)));
    (signed.formula_set == FORMULA_SET && !follows)
        .then(|| format!("{who} {code} is over another factor than its rows give"))
}

async fn evaluated(connection: &Connection, signed: &Signed, rows: &[Uuid]) -> Result<Evaluated, Refusal> {
    let sight = Sight::Pinned(Arc::new(rows.iter().copied().collect()));
    if signed.entity_kind == "standardisations" {
        return standardisations::again(connection, signed.entity_id, &sight).await;
    }
    let titrant = store::titrant(connection, signed.entity_id).await?;
    let every = store::preparations(connection, signed.entity_id).await?;
    let none = || Refusal::new(Code::NotFound, format!("{}: the preparation that was signed is missing", titrant.code));
    let row = every.into_iter().find(|row| rows.contains(&row.id.0)).ok_or_else(none)?;
    let (digest, made) = preparations::again(connection, &titrant, &row, &sight).await?;
    let term = (row.facts.observed_at, titrant.expires_at);
    Ok(Evaluated { code: format!("the preparation of {}", titrant.code), digest, made: Some(made), term })
}

/// From when to when the factor of a standardisation counts.
pub(super) fn term_of(row: &store::StandardisationRow, expires: DateTime<Utc>) -> (DateTime<Utc>, DateTime<Utc>) {
    (row.observed_at, (row.observed_at + Duration::days(i64::from(row.valid_days))).min(expires))
}

/// Evaluates every signed standardisation and preparation again, and compares the factor that came of it. A later correction is
/// none of its business: what was signed is read from the rows it was signed over.
///
/// # Errors
/// A store that cannot be read.
pub async fn again(connection: &Connection, tell: impl Fn(usize)) -> Result<Again, Refusal> {
    let mut again = Again::default();
    let mut below: Option<SignOffId> = None;
    let mut seen = 0;
    loop {
        let page = signed::after(connection, below, AT_ONCE).await?;
        let Some(last) = page.last() else { break };
        below = Some(last.id);
        let ids: Vec<FactorId> = page.iter().flat_map(|one| &one.factors).copied().map(FactorId).collect();
        let factors = store::factors_by_id(connection, &ids).await?;
        // Author, decider and approver sign the same rows.
        let mut known: HashMap<(Uuid, &[Uuid]), Result<Evaluated, Refusal>> = HashMap::new();
        for one in &page {
            seen += 1;
            let Some(rows) = &one.rows else {
                if one.marked {
                    again.unpinned += 1;
                } else {
                    let of = format!("the signature {} ({}) on {}", one.id, one.meaning, one.entity_id);
                    again.findings.push(format!("{of} stands over no rows, and nothing on record says why"));
                }
                continue;
            };
            let outcome = match known.entry((one.entity_id, rows.as_slice())) {
                Entry::Occupied(kept) => kept.into_mut(),
                Entry::Vacant(free) => free.insert(evaluated(connection, one, rows).await),
            };
            let of = factors.iter().filter(|(factor, _)| one.factors.contains(&factor.id.0));
            let of: Vec<FactorRow> = of.map(|(factor, _)| factor.clone()).collect();
            match differs(one, outcome, &of) {
                Some(finding) => again.findings.push(finding),
                None if one.formula_set == FORMULA_SET => again.agree += 1,
                None => again.of_other_formulae += 1,
            }
        }
        tell(seen);
    }
    for factor in signed::unsigned(connection).await? {
        again.findings.push(format!("the factor {} of {} was put into force by no signature", factor.id, factor.lot));
    }
    for factor in signed::misplaced(connection).await? {
        again.findings.push(format!("the factor {} of {} takes the place of one it cannot", factor.id, factor.lot));
    }
    Ok(again)
}
