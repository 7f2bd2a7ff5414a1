//! Factors as an evaluation takes them.

use chrono::{DateTime, Utc};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::determination::{Factor, Following};

use crate::titrants::service::electrons;
use crate::titrants::store::{FactorRow, TitrantRow};

/// A factor for core.
pub fn core_factor(factor: &FactorRow, lot: &TitrantRow) -> Result<Factor, Refusal> {
    Ok(Factor {
        id: factor.id.to_string(),
        lot: lot.code.clone(),
        electrons: electrons(lot)?,
        concentration: factor.concentration.value(),
        u: factor.standard_uncertainty.value(),
        dof: factor.degrees_of_freedom.as_ref().map(Decimal::value),
        following: None,
    })
}

/// The same factor for a titration at a moment, with the one that followed it.
///
/// A factor that follows begins after the one in force; none is taken that began before the titration, since that one would
/// have been in force.
pub fn interpolated_factor(
    factor: &FactorRow,
    lot: &TitrantRow,
    at: DateTime<Utc>,
    of_lot: &[&FactorRow],
) -> Result<Factor, Refusal> {
    let next = of_lot.iter().find(|next| next.titrant_id == lot.id && next.valid_from > factor.valid_from);
    let following = next.filter(|next| next.valid_from > at).map(|next| {
        let whole = (next.valid_from - factor.valid_from).as_seconds_f64();
        Following {
            id: next.id.to_string(),
            concentration: next.concentration.value(),
            u: next.standard_uncertainty.value(),
            dof: next.degrees_of_freedom.as_ref().map(Decimal::value),
            passed: (at - factor.valid_from).as_seconds_f64() / whole,
        }
    });
    Ok(Factor { following, ..core_factor(factor, lot)? })
}
