//! What rows are called: the code, the page and the noun of anything on record, by its table and identity. One statement for all
//! that a page shows.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use diesel::prelude::*;
use diesel::sql_types::{Array, Nullable, Text};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

use crate::audit::kinds::{self, Kind};

/// A row by its table and identity.
pub type Row = (String, Uuid);

/// What a row is called.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// What kind of thing it is.
    pub noun: &'static str,
    /// Its code, or what it belongs to.
    pub label: String,
    /// Its page; none where it has none.
    pub place: Option<String>,
}

#[derive(QueryableByName)]
struct Found {
    #[diesel(sql_type = Text)]
    name: String,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: Uuid,
    #[diesel(sql_type = Nullable<Text>)]
    label: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    place: Option<String>,
}

/// What these rows are called; rows of tables that have no names are left out.
pub async fn named(mut connection: &Connection, rows: &BTreeSet<Row>) -> Result<HashMap<Row, Named>, Refusal> {
    let mut tables: BTreeMap<&str, &Kind> = BTreeMap::new();
    for (table, _) in rows {
        if let Some(kind) = kinds::of(table).filter(|kind| !kind.label.is_empty()) {
            tables.insert(table, kind);
        }
    }
    if tables.is_empty() {
        return Ok(HashMap::new());
    }
    // Names and expressions are those of our own list, never an input.
    let one = |(table, kind): (&&str, &&Kind)| {
        let place = if kind.place.is_empty() { "NULL::text" } else { kind.place };
        format!(
            "(SELECT '{table}' AS name, t.id, ({}) AS label, {place} AS place FROM {table} t {} WHERE t.id = ANY($1))",
            kind.label, kind.joins
        )
    };
    let sql = tables.iter().map(one).collect::<Vec<_>>().join(" UNION ALL ");
    let ids: Vec<Uuid> = rows.iter().map(|(_, id)| *id).collect();
    let found: Vec<Found> =
        diesel::sql_query(sql).bind::<Array<diesel::sql_types::Uuid>, _>(ids).load(&mut connection).await?;
    let named = found.into_iter().filter_map(|row| {
        let noun = tables.get(row.name.as_str())?.noun;
        Some(((row.name, row.id), Named { noun, label: row.label.unwrap_or_default(), place: row.place }))
    });
    Ok(named.collect())
}

#[derive(QueryableByName)]
struct Account {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: Uuid,
}

/// Accounts with a sign-in name or printed name, whatever the case of its letters.
pub async fn accounts_called(mut connection: &Connection, name: &str) -> Result<Vec<Uuid>, Refusal> {
    let found: Vec<Account> = diesel::sql_query(
        "SELECT id FROM accounts WHERE code = lower($1) OR lower(display_name) = lower($1) ORDER BY id LIMIT 50",
    )
    .bind::<Text, _>(name)
    .load(&mut connection)
    .await?;
    Ok(found.into_iter().map(|account| account.id).collect())
}
