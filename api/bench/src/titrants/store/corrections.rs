//! Which factor takes the place of which; both stay.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::among::among;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, FactorCorrectionId, FactorId, TitrantId};
use ferrotitre_base::pins::Sight;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_schema::{factor_corrections, titrant_factors};

use super::{FactorRow, TitrantRow};

/// A factor in the place of another.
#[derive(Debug, Clone)]
pub struct Corrected {
    /// The factor that was wrong.
    pub corrects: FactorId,
    /// The factor as it should be.
    pub by: FactorRow,
    /// Why.
    pub reason: String,
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "factor_corrections_once",
    code: Code::StaleVersion,
    field: "",
    detail: "this factor was corrected already; read it again",
}];

/// Announces that a factor, which is inserted next, takes the place of another.
pub(in crate::titrants) async fn announce(
    mut connection: &Connection,
    factor: FactorId,
    (corrects, reason): (FactorId, &str),
    by: AccountId,
) -> Result<(), Refusal> {
    diesel::insert_into(factor_corrections::table)
        .values((
            factor_corrections::id.eq(FactorCorrectionId::new()),
            factor_corrections::factor_id.eq(factor),
            factor_corrections::corrects_id.eq(corrects),
            factor_corrections::reason.eq(reason),
            factor_corrections::recorded_by.eq(by),
        ))
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))?;
    Ok(())
}

fn corrected((corrects, reason, by): (FactorId, String, FactorRow)) -> Corrected {
    Corrected { corrects, by, reason }
}

/// Corrections of the factors of lots.
pub async fn of_lots(mut connection: &Connection, lots: &[TitrantId]) -> Result<Vec<Corrected>, Refusal> {
    let rows: Vec<(FactorId, String, FactorRow)> = factor_corrections::table
        .inner_join(titrant_factors::table.on(titrant_factors::id.eq(factor_corrections::factor_id)))
        .filter(titrant_factors::titrant_id.eq_any(lots))
        .select((factor_corrections::corrects_id, factor_corrections::reason, FactorRow::as_select()))
        .load(&mut connection)
        .await?;
    Ok(rows.into_iter().map(corrected).collect())
}

/// Corrections of the factors of the lots that some factors are of.
pub async fn beside(mut connection: &Connection, factors: &[FactorId]) -> Result<Vec<Corrected>, Refusal> {
    if factors.is_empty() {
        return Ok(Vec::new());
    }
    let named = diesel::alias!(titrant_factors as named);
    let lots =
        named.filter(among(named.field(titrant_factors::id), factors)).select(named.field(titrant_factors::titrant_id));
    let rows: Vec<(FactorId, String, FactorRow)> = factor_corrections::table
        .inner_join(titrant_factors::table.on(titrant_factors::id.eq(factor_corrections::factor_id)))
        .filter(titrant_factors::titrant_id.eq_any(lots))
        .select((factor_corrections::corrects_id, factor_corrections::reason, FactorRow::as_select()))
        .load(&mut connection)
        .await?;
    Ok(rows.into_iter().map(corrected).collect())
}

/// Which factor is read in the place of which.
#[derive(Debug, Clone, Default)]
pub struct Corrections(HashMap<FactorId, (FactorId, DateTime<Utc>)>);

impl Corrections {
    /// From the corrections of some lots.
    pub fn new(all: &[Corrected]) -> Self {
        Self(all.iter().map(|one| (one.corrects, (one.by.id, one.by.recorded_at))).collect())
    }

    /// The factor read in the place of one: the last of those that correct it that is seen.
    pub fn read(&self, factor: FactorId, sight: &Sight) -> FactorId {
        let (mut read, mut next) = (factor, self.0.get(&factor));
        while let Some((by, recorded_at)) = next {
            if sight.sees(by.0, *recorded_at) {
                read = *by;
            }
            next = self.0.get(by);
        }
        read
    }

    /// Whether a factor counts: no factor that is seen takes its place.
    pub fn counts(&self, factor: FactorId, sight: &Sight) -> bool {
        self.read(factor, sight) == factor
    }
}

/// A factor with its lot, or the one that is read in its place.
pub(in crate::titrants) async fn read(
    connection: &Connection,
    factor: FactorId,
    sight: &Sight,
) -> Result<Option<(FactorRow, TitrantRow)>, Refusal> {
    let read = Corrections::new(&beside(connection, &[factor]).await?).read(factor, sight);
    Ok(super::factors_by_id(connection, &[read]).await?.into_iter().next())
}
