//! What every record needs: who records it, when it was observed, the next number of its series.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;

use crate::db::{Act, Connection};
use crate::ids::AccountId;
use crate::refusal::{Code, Refusal};

/// Account that acts, for the columns that need one.
pub fn author(act: &Act) -> Result<AccountId, Refusal> {
    act.actor.ok_or_else(|| Refusal::new(Code::NotSignedIn, "a record needs somebody who records it"))
}

/// Bench times may not lie ahead; a minute forgives clocks that differ.
pub fn not_in_the_future(field: &str, time: DateTime<Utc>) -> Result<(), Refusal> {
    if time <= Utc::now() + chrono::Duration::minutes(1) {
        return Ok(());
    }
    Err(Refusal::invalid(field, "not_in_the_future", "must not lie in the future", time.to_rfc3339()))
}

#[derive(QueryableByName)]
struct Number {
    #[diesel(sql_type = diesel::sql_types::BigInt)]
    number: i64,
}

/// The next number of a series of codes.
pub async fn next_number(mut connection: &Connection, sequence: &str) -> Result<i64, Refusal> {
    let row: Number = diesel::sql_query("SELECT nextval($1::regclass) AS number")
        .bind::<diesel::sql_types::Text, _>(sequence)
        .get_result(&mut connection)
        .await?;
    Ok(row.number)
}
