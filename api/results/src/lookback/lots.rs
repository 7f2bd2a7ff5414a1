//! Lots and standardisations under a hypothesis: what their factors come to.

use std::collections::HashMap;

use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{FactorId, TitrantId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::impacts::store::reach::Use;
use ferrotitre_bench::titrants::store::{self, FactorRow};
use ferrotitre_core::lifecycle::EntityKind;

use crate::lookback::wire::SupposedFigure;

/// Figures of a factor, mol/L.
fn figure(row: &FactorRow) -> SupposedFigure {
    SupposedFigure {
        text: format!("{:.6}", row.concentration.value()),
        expanded_uncertainty: format!("{:.6}", 2.0 * row.standard_uncertainty.value()),
        value: row.concentration.value(),
        u: row.standard_uncertainty.value(),
    }
}

/// The factor that the signature on a lot or standardisation put into force.
pub(super) async fn factor_of(connection: &Connection, one: &Use) -> Result<Option<FactorRow>, Refusal> {
    let by_lot = one.entity_kind == EntityKind::Titrant.table();
    let lot = if by_lot {
        TitrantId(one.entity_id)
    } else {
        store::standardisation(connection, one.entity_id).await?.titrant_id
    };
    let all = store::factors_of(connection, &[lot]).await?.into_iter();
    let mut own: Vec<FactorRow> = all
        .filter(|row| match row.standardisation_id {
            Some(standardisation) => standardisation.0 == one.entity_id,
            None => by_lot,
        })
        .collect();
    own.sort_by_key(|row| row.recorded_at);
    // A release puts its factor into force itself; a standardisation is signed first and approved afterwards.
    Ok(if by_lot {
        own.into_iter().rfind(|row| row.recorded_at <= one.signed_at)
    } else {
        own.into_iter().find(|row| row.recorded_at >= one.signed_at)
    })
}

/// As it was signed and as the hypothesis has it, or why not.
pub(super) fn compared(
    factor: Option<FactorRow>,
    changed: &HashMap<FactorId, Result<FactorRow, String>>,
) -> Result<(SupposedFigure, SupposedFigure), String> {
    let Some(factor) = factor else { return Err("no factor of it is in force".to_owned()) };
    match changed.get(&factor.id) {
        Some(Ok(other)) => Ok((figure(&factor), figure(other))),
        Some(Err(why)) => Err(why.clone()),
        None => Ok((figure(&factor), figure(&factor))),
    }
}
