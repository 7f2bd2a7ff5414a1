//! Where factors come from: what their own signatures stand over, and what they would be had everything been on record then that
//! is now.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::supposed::Supposed;
use crate::titrants::preparations;
use crate::titrants::service::number;
use crate::titrants::standardisations;
use crate::titrants::store::{self, FactorRow, TitrantRow, versions};
use ferrotitre_base::db::Connection;
use ferrotitre_base::evaluations::finite;
use ferrotitre_base::ids::FactorId;
use ferrotitre_base::pins::{self, Used};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_core::determination::PreparedTitrant;

/// What the signatures on preparations and standardisations stand over, from which these factors come.
pub async fn of_factors(connection: &Connection, factors: &[Uuid]) -> Result<Used, Refusal> {
    let ids: Vec<FactorId> = factors.iter().copied().map(FactorId).collect();
    let rows = store::factors_by_id(connection, &ids).await?;
    let signed: Vec<Uuid> = rows
        .iter()
        .map(|(factor, lot)| factor.standardisation_id.map_or(lot.id.0, |standardisation| standardisation.0))
        .collect();
    pins::together(connection, &signed).await
}

/// Factors with the concentrations they would have now: certificates, calibrations and readings in their present versions.
pub async fn known_now(connection: &Connection, factors: Vec<FactorRow>) -> Result<Vec<FactorRow>, Refusal> {
    let ids: Vec<FactorId> = factors.iter().map(|factor| factor.id).collect();
    let lots: HashMap<FactorId, TitrantRow> =
        store::factors_by_id(connection, &ids).await?.into_iter().map(|(factor, lot)| (factor.id, lot)).collect();
    let mut known = Vec::with_capacity(factors.len());
    for mut factor in factors {
        if let Some(lot) = lots.get(&factor.id) {
            one(connection, &mut factor, lot).await?;
        }
        known.push(factor);
    }
    Ok(known)
}

/// A factor against another titrant asks for that one's factor in turn.
fn one<'a>(
    connection: &'a Connection,
    factor: &'a mut FactorRow,
    lot: &'a TitrantRow,
) -> futures_util::future::LocalBoxFuture<'a, Result<(), Refusal>> {
    Box::pin(async move {
        let prepared = match (factor.preparation_id, factor.standardisation_id) {
            (Some(preparation), _) => {
                let version = versions::exactly(connection, preparation).await?;
                let present = versions::current(connection, version.record_id).await?;
                Some(preparations::known_now(connection, lot, &present).await?)
            }
            (_, Some(standardisation)) => {
                let row = store::standardisation(connection, standardisation.0).await?;
                let reference = match row.reference_factor_id {
                    Some(reference) => {
                        let found = store::factors_by_id(connection, &[reference]).await?;
                        let mut found = found.into_iter().next();
                        if let Some((reference, lot)) = &mut found {
                            one(connection, reference, lot).await?;
                        }
                        found
                    }
                    None => None,
                };
                standardisations::known_now(connection, row, reference).await?
            }
            (None, None) => None,
        };
        // One that cannot be evaluated any more stays as it was.
        if let Some(prepared) = prepared {
            put(factor, &prepared)?;
        }
        Ok(())
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
                let mut reference = match row.reference_factor_id {
                    Some(reference) => store::factors_by_id(connection, &[reference]).await?.into_iter().next(),
                    None => None,
                };
                let concerned = match &mut reference {
                    Some((reference, lot)) => under(connection, reference, lot, supposed).await?,
                    None => false,
                };
                standardisations::supposed(connection, row, (reference, concerned), supposed).await?
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
