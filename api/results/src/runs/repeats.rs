//! Which rejected run a run repeats. Both stay.

use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, RunId, RunRepeatId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::states;
use ferrotitre_schema::run_repeats;

use crate::runs::service::{self, KIND, Row};

/// A repetition as stored.
#[derive(Debug, Clone, Insertable)]
#[diesel(table_name = run_repeats)]
struct Repeat {
    id: RunRepeatId,
    run_id: RunId,
    repeats_id: RunId,
    recorded_by: AccountId,
}

/// Longest chain of repetitions that is followed.
const LONGEST_CHAIN: usize = 20;

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "run_repeats_run_once",
    code: Code::AlreadyExists,
    field: "repeats",
    detail: "the run repeats another already",
}];

/// Records that a run repeats a rejected one of the same method.
pub(super) async fn record(mut connection: &Connection, run: &Row, repeats: uuid::Uuid) -> Result<(), Refusal> {
    let first = service::find(connection, repeats).await.map_err(|refusal| match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at("repeats", "exists", repeats),
        _ => refusal,
    })?;
    let state = states::present(connection, KIND, first.id.0).await?.state;
    if state != "rejected" {
        let detail = format!("run {} is {state}; only a rejected run is repeated", first.code);
        return Err(Refusal::new(Code::StateConflict, detail).at("repeats", "rejected", repeats));
    }
    if first.method_id != run.method_id {
        let detail = format!("run {} went by another method version", first.code);
        return Err(Refusal::new(Code::RuleBroken, detail).at("repeats", "same_method", repeats));
    }
    let row = Repeat { id: RunRepeatId::new(), run_id: run.id, repeats_id: first.id, recorded_by: run.recorded_by };
    diesel::insert_into(run_repeats::table)
        .values(&row)
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))?;
    Ok(())
}

/// The run that a run repeats.
pub(super) async fn of(mut connection: &Connection, run: RunId) -> Result<Option<RunId>, Refusal> {
    Ok(run_repeats::table
        .filter(run_repeats::run_id.eq(run))
        .select(run_repeats::repeats_id)
        .first(&mut connection)
        .await
        .optional()?)
}

/// Runs that repeat a run.
pub(super) async fn repeated_by(mut connection: &Connection, run: RunId) -> Result<Vec<RunId>, Refusal> {
    Ok(run_repeats::table
        .filter(run_repeats::repeats_id.eq(run))
        .order(run_repeats::id)
        .select(run_repeats::run_id)
        .load(&mut connection)
        .await?)
}

/// The runs before in a chain of repetitions, the latest first.
pub(super) async fn chain(connection: &Connection, run: RunId) -> Result<Vec<Row>, Refusal> {
    let mut found = Vec::new();
    let mut at = run;
    while let Some(earlier) = of(connection, at).await? {
        if found.len() >= LONGEST_CHAIN {
            break;
        }
        found.push(service::find(connection, earlier.0).await?);
        at = earlier;
    }
    Ok(found)
}
