//! What a store holds of what a first result needs.

use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;

/// Whether each thing that a first result needs is there.
#[derive(Debug, Clone, Copy, QueryableByName)]
#[expect(clippy::struct_excessive_bools, reason = "a row of a list to be ticked off")]
pub(super) struct There {
    #[diesel(sql_type = diesel::sql_types::BigInt)]
    pub(super) analysts: i64,
    #[diesel(sql_type = diesel::sql_types::BigInt)]
    pub(super) managers: i64,
    #[diesel(sql_type = diesel::sql_types::BigInt)]
    pub(super) signers: i64,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) laboratory: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) balance: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) burette: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) vessel: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) standard: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) titrant: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) method: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) competence: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) chart: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) plan: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) sample: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) portion: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) run: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) submitted: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) released: bool,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) approved: bool,
}

pub(super) async fn there(mut connection: &Connection) -> Result<There, Refusal> {
    Ok(diesel::sql_query(include_str!("there.sql")).get_result(&mut connection).await?)
}

#[derive(QueryableByName)]
struct Approved {
    #[diesel(sql_type = diesel::sql_types::Bool)]
    approved: bool,
}

/// Whether a result was approved: then nobody needs the list.
pub(super) async fn approved(mut connection: &Connection) -> Result<bool, Refusal> {
    let row: Approved = diesel::sql_query(
        "SELECT EXISTS (SELECT FROM present_states WHERE entity_kind = 'determinations' AND state IN ('approved', 'reported')) \
         AS approved",
    )
    .get_result(&mut connection)
    .await?;
    Ok(row.approved)
}
