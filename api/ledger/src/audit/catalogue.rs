//! What the store should be made of, compiled in: tables, columns, constraints, triggers, functions, grants.
//!
//! A check that asked the database which tables to look at would miss the one whose trigger somebody renamed.

use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;

use crate::audit::store::{self, AuditedTable};

/// As the migrations leave it; a test compares it with a fresh store. Printed by `ferrotitre verify --print-catalogue`.
const EXPECTED: &str = include_str!("catalogue.txt");

/// The catalogue of a store as text, a line each.
///
/// # Errors
/// A store that cannot be read.
pub async fn print(connection: &Connection) -> Result<String, Refusal> {
    Ok(store::catalogue(connection).await?.join("\n") + "\n")
}

/// The catalogue that was compiled in.
#[must_use]
pub fn expected() -> &'static str {
    EXPECTED
}

/// What differs between the store and what this program was made for, in words.
pub(super) async fn differences(connection: &Connection) -> Result<Vec<String>, Refusal> {
    let found = store::catalogue(connection).await?;
    let found: std::collections::BTreeSet<&str> = found.iter().map(String::as_str).collect();
    let expected: std::collections::BTreeSet<&str> = EXPECTED.lines().collect();
    let missing = expected.difference(&found).map(|line| format!("the store lacks: {line}"));
    let added = found.difference(&expected).map(|line| format!("the store has what no migration made: {line}"));
    Ok(missing.chain(added).collect())
}

/// Table and name of every column of a table with identities.
pub(super) fn columns() -> Vec<(String, String)> {
    let columns = EXPECTED.lines().filter_map(|line| line.strip_prefix("column ")?.split_once(' '));
    columns
        .filter_map(|(name, _)| name.split_once('.'))
        .map(|(table, name)| (table.to_owned(), name.to_owned()))
        .collect()
}

/// A column that refers to the rows of another table.
pub(super) struct Reference {
    pub(super) table: String,
    pub(super) column: String,
    pub(super) to: String,
}

/// Foreign keys between tables with identities.
pub(super) fn references() -> Vec<Reference> {
    let columns = columns();
    let identified = |table: &str| columns.iter().any(|(of, name)| of == table && name == "id");
    let keys = EXPECTED
        .lines()
        .filter_map(|line| line.strip_prefix("constraint ")?.split_once(" on ")?.1.split_once(": FOREIGN KEY ("));
    keys.filter_map(|(table, rest)| {
        let (column, to) = rest.split_once(") REFERENCES ")?;
        let to = to.strip_suffix("(id)")?;
        let found = Reference { table: table.to_owned(), column: column.to_owned(), to: to.to_owned() };
        (identified(table) && !column.contains(',')).then_some(found)
    })
    .collect()
}

/// The tables whose inserts are audited, with the columns left out of their events.
pub(super) fn audited_tables() -> Vec<AuditedTable> {
    let tables = EXPECTED.lines().filter_map(|line| {
        let (table, rest) = line.strip_prefix("trigger audit on ")?.split_once(' ')?;
        let (_, arguments) = rest.split_once("audit_insert(")?;
        let left_out = arguments.trim_end_matches(')').split(", ").map(|name| name.trim_matches('\'').to_owned());
        Some(AuditedTable { name: table.to_owned(), left_out: left_out.filter(|name| !name.is_empty()).collect() })
    });
    tables.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_audited_tables_are_read_from_the_catalogue_that_was_compiled_in() {
        let tables = audited_tables();
        assert!(tables.len() > 50, "{}", tables.len());
        let left_out = |name: &str| tables.iter().find(|table| table.name == name).map(|table| table.left_out.clone());
        assert_eq!(left_out("titrations"), Some(Vec::new()));
        assert_eq!(left_out("account_secrets"), Some(vec!["password_hash".to_owned()]));
    }
}
