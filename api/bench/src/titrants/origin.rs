//! Where factors come from: what their own signatures stand over, and what they would be had everything been on record then that
//! is now.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::impacts::store::{self as impacts, Touch};
use crate::supposed::Supposed;
use crate::titrants::preparations;
use crate::titrants::service::number;
use crate::titrants::standardisations::{self, Read};
use crate::titrants::store::{self, FactorRow, StandardisationRow, TitrantRow, behind, corrections, versions};
use ferrotitre_base::db::Connection;
use ferrotitre_base::evaluations::finite;
use ferrotitre_base::ids::{FactorId, SignOffId};
use ferrotitre_base::pins::Used;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_core::determination::{FORMULA_SET, PreparedTitrant};
use ferrotitre_core::lifecycle::EntityKind;

/// What the signatures on preparations and standardisations stand over, from which these factors come.
pub async fn of_factors(connection: &Connection, factors: &[Uuid]) -> Result<Used, Refusal> {
    let mut used = Used::default();
    for behind in behind::of_factors(connection, factors).await? {
        behind.add_to(&mut used);
    }
    Ok(used)
}

/// What happened to what the signatures behind factors stand over, since they were made, where that could change a figure.
pub async fn touched(connection: &Connection, factors: &[FactorRow]) -> Result<Vec<Touch>, Refusal> {
    let ids: Vec<Uuid> = factors.iter().map(|factor| factor.id.0).collect();
    let signed: Vec<SignOffId> =
        behind::of_factors(connection, &ids).await?.iter().map(|behind| behind.sign_off).collect();
    let mut touches = impacts::touching(connection, &signed).await?;
    touches.retain(|touch| touch.figures);
    Ok(touches)
}

/// Refuses to sign over factors that would come out differently now, because something they rest on was corrected.
///
/// # Errors
/// [`Code::RuleBroken`] with what was corrected, and what can be done.
pub async fn still_hold(connection: &Connection, factors: &[Uuid]) -> Result<(), Refusal> {
    let ids: Vec<FactorId> = factors.iter().copied().map(FactorId).collect();
    let mut rows = store::factors_by_id(connection, &ids).await?;
    // One that another took the place of is only what an earlier signature stands over.
    let corrected = corrections::beside(connection, &ids).await?;
    rows.retain(|(factor, _)| corrected.iter().all(|one| one.corrects != factor.id));
    rows.sort_by_key(|(factor, _)| factor.id);
    for (factor, lot) in rows {
        let touches = touched(connection, std::slice::from_ref(&factor)).await?;
        let amended = match factor.standardisation_id {
            Some(id) => states::present(connection, EntityKind::Standardisation, id.0).await?.state != "approved",
            None => false,
        };
        // What other formulae made of the same rows is no correction.
        if touches.is_empty() && factor.formula_set != FORMULA_SET && !amended {
            continue;
        }
        let mut now = factor.clone();
        if !one(connection, &mut now, &lot).await? {
            let detail = format!(
                "the factor of {} can no longer be evaluated: too few replicates of its standardisation are left. Reject the run \
                 and titrate again with another lot",
                lot.code
            );
            return Err(Refusal::new(Code::RuleBroken, detail).with_facts(serde_json::json!({ "factor": factor.id })));
        }
        if !same(&factor, &now) {
            return Err(outdated(connection, (&factor, &now, &lot), &touches).await?);
        }
    }
    Ok(())
}

/// Whether two evaluations of a factor agree but for the order of their sums.
fn same(one: &FactorRow, other: &FactorRow) -> bool {
    let close = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b.abs();
    let u = |of: &FactorRow| of.standard_uncertainty.value();
    close(one.concentration.value(), other.concentration.value()) && close(u(one), u(other))
}

/// Says what was corrected, and how the factor is.
async fn outdated(
    connection: &Connection,
    (factor, now, lot): (&FactorRow, &FactorRow, &TitrantRow),
    touches: &[Touch],
) -> Result<Refusal, Refusal> {
    let what = match touches {
        [] => "its certificate or a calibration".to_owned(),
        all => all.iter().map(|touch| touch.what.as_str()).collect::<Vec<_>>().join("; "),
    };
    let (way, page) = match factor.standardisation_id {
        Some(id) => {
            let code = store::standardisation(connection, id.0).await?.code;
            (format!("amend the standardisation {code}"), format!("/standardisations/{id}"))
        }
        None => (format!("amend the preparation of {}", lot.code), format!("/titrants/{}", lot.id)),
    };
    let detail = format!(
        "the factor of {} rests on what was corrected since ({what}): it would now be {:.5} in place of {:.5}. A manager may {way}; \
         approved by another, the corrected factor counts from the same moment. Or reject the run and titrate again with another lot",
        lot.code,
        now.factor.value(),
        factor.factor.value(),
    );
    Ok(Refusal::new(Code::RuleBroken, detail).with_facts(serde_json::json!({ "factor": factor.id, "where": page })))
}

/// What a standardisation would come to now.
pub(super) async fn standardised_now(
    connection: &Connection,
    row: StandardisationRow,
) -> Result<Option<PreparedTitrant>, Refusal> {
    let mut reference = standardisations::reference_of(connection, &row, &Read::present()).await?;
    if let Some((reference, lot)) = &mut reference
        && !one(connection, reference, lot).await?
    {
        return Ok(None);
    }
    standardisations::known_now(connection, row, reference).await
}

/// Factors with the concentrations they would have now: certificates, calibrations and readings in their present versions.
pub async fn known_now(connection: &Connection, factors: Vec<FactorRow>) -> Result<Vec<FactorRow>, Refusal> {
    let ids: Vec<FactorId> = factors.iter().map(|factor| factor.id).collect();
    let lots: HashMap<FactorId, TitrantRow> =
        store::factors_by_id(connection, &ids).await?.into_iter().map(|(factor, lot)| (factor.id, lot)).collect();
    let mut known = Vec::with_capacity(factors.len());
    for mut factor in factors {
        if let Some(lot) = lots.get(&factor.id) {
            // One that cannot be evaluated any more stays as it was.
            one(connection, &mut factor, lot).await?;
        }
        known.push(factor);
    }
    Ok(known)
}

/// Puts a factor as it would come out now; whether it still can be evaluated. One against another titrant asks for that one's factor
/// in turn.
fn one<'a>(
    connection: &'a Connection,
    factor: &'a mut FactorRow,
    lot: &'a TitrantRow,
) -> futures_util::future::LocalBoxFuture<'a, Result<bool, Refusal>> {
    Box::pin(async move {
        let prepared = match (factor.preparation_id, factor.standardisation_id) {
            (Some(preparation), _) => {
                let version = versions::exactly(connection, preparation).await?;
                let present = versions::current(connection, version.record_id).await?;
                Some(preparations::known_now(connection, lot, &present).await?)
            }
            (_, Some(standardisation)) => {
                let row = store::standardisation(connection, standardisation.0).await?;
                standardised_now(connection, row).await?
            }
            (None, None) => return Ok(true),
        };
        if let Some(prepared) = &prepared {
            put(factor, prepared)?;
        }
        Ok(prepared.is_some())
    })
}

/// Puts a concentration in the place of that of a factor.
fn put(factor: &mut FactorRow, prepared: &PreparedTitrant) -> Result<(), Refusal> {
    factor.concentration = number(prepared.concentration)?;
    factor.standard_uncertainty = number(prepared.u)?;
    factor.factor = number(prepared.factor)?;
    factor.degrees_of_freedom = finite(prepared.degrees_of_freedom).map(number).transpose()?;
    Ok(())
}

/// Factors as a hypothesis has them, each from the rows it was signed over; those that it does not concern are left out. One
/// that cannot be evaluated under it comes with the reason.
pub async fn supposed(
    connection: &Connection,
    factors: Vec<(FactorRow, TitrantRow)>,
    supposed: &Supposed,
) -> Result<HashMap<FactorId, Result<FactorRow, String>>, Refusal> {
    let mut changed = HashMap::new();
    for (mut factor, lot) in factors {
        let id = factor.id;
        match under(connection, &mut factor, &lot, supposed).await {
            Ok(true) => {
                changed.insert(id, Ok(factor));
            }
            Ok(false) => {}
            Err(refusal) if refusal.code == Code::NotEnoughData => {
                changed.insert(id, Err(format!("the factor of {}: {}", lot.code, refusal.detail)));
            }
            Err(refusal) => return Err(refusal),
        }
    }
    Ok(changed)
}

/// Puts a factor as a hypothesis has it; whether that concerns it.
fn under<'a>(
    connection: &'a Connection,
    factor: &'a mut FactorRow,
    lot: &'a TitrantRow,
    supposed: &'a Supposed,
) -> futures_util::future::LocalBoxFuture<'a, Result<bool, Refusal>> {
    Box::pin(async move {
        if supposed.in_factor(factor, lot)? {
            return Ok(true);
        }
        let prepared = match (factor.preparation_id, factor.standardisation_id) {
            (Some(preparation), _) => {
                let version = versions::exactly(connection, preparation).await?;
                preparations::supposed(connection, lot, &version, supposed).await?
            }
            (_, Some(standardisation)) => {
                let row = store::standardisation(connection, standardisation.0).await?;
                let behind = behind::of_factors(connection, &[factor.id.0]).await?.into_iter().next();
                let read = Read::signed(behind.map(|behind| behind.sight()));
                let mut reference = standardisations::reference_of(connection, &row, &read).await?;
                let concerned = match &mut reference {
                    Some((reference, lot)) => under(connection, reference, lot, supposed).await?,
                    None => false,
                };
                standardisations::supposed(connection, row, (reference, concerned), (&read, supposed)).await?
            }
            (None, None) => None,
        };
        if let Some(prepared) = &prepared {
            put(factor, prepared)?;
        }
        Ok(prepared.is_some())
    })
}

/// Times at which a row was used, kept as one.
pub(super) fn noted(used: &mut Used, rows: &[(&str, Uuid)], at: DateTime<Utc>) {
    for (kind, row) in rows {
        used.add(kind, *row, at);
    }
}
