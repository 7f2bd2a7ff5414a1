//! Where factors come from: what their own signatures stand over, and what they would be had everything been on record then that
//! is now.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::titrants::service::{self, number};
use crate::titrants::standardisations;
use crate::titrants::store::{self, FactorRow, TitrantRow, versions};
use ferrotitre_base::db::Connection;
use ferrotitre_base::evaluations::finite;
use ferrotitre_base::ids::FactorId;
use ferrotitre_base::pins::{self, Used};
use ferrotitre_base::refusal::Refusal;

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
                Some(service::known_now(connection, lot, &present).await?)
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
            factor.concentration = number(prepared.concentration)?;
            factor.standard_uncertainty = number(prepared.u)?;
            factor.factor = number(prepared.factor)?;
            factor.degrees_of_freedom = finite(prepared.degrees_of_freedom).map(number).transpose()?;
        }
        Ok(())
    })
}

/// Times at which a row was used, kept as one.
pub(super) fn noted(used: &mut Used, rows: &[(&str, Uuid)], at: DateTime<Utc>) {
    for (kind, row) in rows {
        used.add(kind, *row, at);
    }
}
