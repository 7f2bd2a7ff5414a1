//! Queries over what belongs to what. Names of tables and columns are those of the catalogue that was compiled in, never an input.

use diesel::prelude::*;
use diesel::sql_types::{Array, Text};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

/// Rows of one table that a trail takes in at the most.
const MOST: usize = 5000;

/// A row of a table.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, QueryableByName)]
pub struct Tabled {
    #[diesel(sql_type = Text)]
    pub name: String,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub id: Uuid,
}

/// What a column must hold.
#[derive(Debug, Clone, Copy)]
pub enum Find<'a> {
    Text(&'a str),
    Ids(&'a [Uuid]),
}

/// Rows of tables whose column holds this.
pub async fn found(
    mut connection: &Connection,
    tables: &[String],
    column: &str,
    find: Find<'_>,
) -> Result<Vec<Tabled>, Refusal> {
    let one = |table: &String| {
        let holds = if matches!(find, Find::Text(_)) { "= $1" } else { "= ANY($1)" };
        format!("(SELECT '{table}' AS name, id FROM \"{table}\" WHERE \"{column}\" {holds} LIMIT {MOST})")
    };
    let sql = tables.iter().map(one).collect::<Vec<_>>().join(" UNION ALL ");
    if sql.is_empty() {
        return Ok(Vec::new());
    }
    let query = diesel::sql_query(sql);
    Ok(match find {
        Find::Text(text) => query.bind::<Text, _>(text).load(&mut connection).await?,
        Find::Ids(ids) => query.bind::<Array<diesel::sql_types::Uuid>, _>(ids).load(&mut connection).await?,
    })
}

/// Every version of the things whose versions these are.
pub async fn versions_of(mut connection: &Connection, table: &str, ids: &[Uuid]) -> Result<Vec<Tabled>, Refusal> {
    let sql = format!(
        "SELECT '{table}' AS name, id FROM \"{table}\" WHERE record_id IN (SELECT record_id FROM \"{table}\" WHERE id = ANY($1))"
    );
    Ok(diesel::sql_query(sql).bind::<Array<diesel::sql_types::Uuid>, _>(ids).load(&mut connection).await?)
}

/// The table of a row, by its events.
pub async fn events_tables(mut connection: &Connection, id: Uuid) -> Result<Vec<Tabled>, Refusal> {
    Ok(diesel::sql_query("SELECT DISTINCT entity_kind AS name, entity_id AS id FROM audit_events WHERE entity_id = $1")
        .bind::<diesel::sql_types::Uuid, _>(id)
        .load(&mut connection)
        .await?)
}

/// What is said of rows by others that name them without a foreign key: signatures, moves, late entries, impacts.
pub async fn said_of(mut connection: &Connection, ids: &[Uuid]) -> Result<Vec<Uuid>, Refusal> {
    let rows: Vec<Tabled> = diesel::sql_query(
        "WITH signs AS (SELECT id FROM sign_offs WHERE entity_id = ANY($1)) \
         SELECT 'sign_offs' AS name, id FROM signs \
         UNION SELECT 'pins', p.id FROM pins p JOIN signs s ON s.id = p.sign_off_id \
         UNION SELECT 'state_moves', id FROM state_moves WHERE entity_id = ANY($1) \
         UNION SELECT 'late_entries', id FROM late_entries WHERE entity_id = ANY($1) \
         UNION SELECT 'doubted_approvals', id FROM doubted_approvals WHERE result_id = ANY($1) \
         UNION SELECT 'impacts', id FROM impacts WHERE touched_id = ANY($1)",
    )
    .bind::<Array<diesel::sql_types::Uuid>, _>(ids)
    .load(&mut connection)
    .await?;
    Ok(rows.into_iter().map(|row| row.id).collect())
}
