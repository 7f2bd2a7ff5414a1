//! Turns that transactions take, so that what one checks another does not change meanwhile.
//!
//! A lock is of a thing, by its identity, and ends with the transaction. Whoever rests on things shares them; whoever supersedes,
//! moves or competes with one holds it, which the store's own triggers see to. The order is: the runs, the iron results, the
//! determinations one at a time by identity, then everything else at once, in the order of its keys.

use diesel_async::RunQueryDsl;
use uuid::Uuid;

use crate::db::Connection;
use crate::refusal::Refusal;

type Uuids = diesel::sql_types::Array<diesel::sql_types::Uuid>;

/// Holds a determination, and shares the run it belongs to: titrations, moves and signatures of one determination take turns.
///
/// # Errors
/// A store that cannot be reached.
pub async fn determination(mut connection: &Connection, id: Uuid) -> Result<(), Refusal> {
    diesel::sql_query("SELECT share(ARRAY[run_id]), hold(ARRAY[id]) FROM determinations WHERE id = $1")
        .bind::<diesel::sql_types::Uuid, _>(id)
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Holds things: nobody else rests on them or changes them until the transaction ends.
///
/// # Errors
/// A store that cannot be reached.
pub async fn hold(mut connection: &Connection, things: &[Uuid]) -> Result<(), Refusal> {
    diesel::sql_query("SELECT hold($1)").bind::<Uuids, _>(things).execute(&mut connection).await?;
    Ok(())
}

/// Shares things: they stay as they are until the transaction ends.
///
/// # Errors
/// A store that cannot be reached.
pub async fn share(mut connection: &Connection, things: &[Uuid]) -> Result<(), Refusal> {
    diesel::sql_query("SELECT share($1)").bind::<Uuids, _>(things).execute(&mut connection).await?;
    Ok(())
}
