//! The trail of a thing: its own events and those of everything that belongs to it. What belongs to what is read from the foreign
//! keys of the catalogue that was compiled in.

use std::collections::BTreeSet;

use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

use crate::audit::store::{self, Tabled};
use crate::audit::{catalogue, store::Find};

/// Things of whose use everything else consists: what was made with them is not their own trail.
const USED_BY_ALL: [&str; 4] = ["accounts", "methods", "equipment", "reagents"];

/// Rows of a thing by its code or identity, and of all that belongs to it; empty if there is no such thing.
pub(super) async fn of(connection: &Connection, thing: &str) -> Result<Vec<Uuid>, Refusal> {
    let columns = catalogue::columns();
    let with =
        |column: &str| columns.iter().filter(|(_, name)| name == column).map(|(table, _)| table.clone()).collect();
    let (coded, versioned): (Vec<String>, Vec<String>) = (with("code"), with("record_id"));
    let start = match thing.parse::<Uuid>() {
        Ok(id) => {
            let mut found = store::events_tables(connection, id).await?;
            found.extend(store::found(connection, &versioned, "record_id", Find::Ids(&[id])).await?);
            found
        }
        Err(_) => {
            let mut found = store::found(connection, &coded, "code", Find::Text(thing)).await?;
            // What has a number has no code.
            found.extend(store::found(connection, &["certificates".to_owned()], "number", Find::Text(thing)).await?);
            found
        }
    };
    let start = with_versions(connection, start, &versioned).await?;
    let mut all: BTreeSet<Tabled> = start.iter().cloned().collect();
    let mut level = start;
    // A determination has titrations, these have supervisions: two steps down.
    for _ in 0..2 {
        level = below(connection, &level).await?.into_iter().filter(|row| !all.contains(row)).collect();
        all.extend(level.iter().cloned());
    }
    let ids: Vec<Uuid> = all.iter().map(|row| row.id).collect();
    let mut rows: BTreeSet<Uuid> = ids.iter().copied().collect();
    rows.extend(store::said_of(connection, &ids).await?);
    Ok(rows.into_iter().collect())
}

/// With all other versions of the same things.
async fn with_versions(
    connection: &Connection,
    mut rows: Vec<Tabled>,
    versioned: &[String],
) -> Result<Vec<Tabled>, Refusal> {
    for table in versioned {
        let ids: Vec<Uuid> = rows.iter().filter(|row| row.name == *table).map(|row| row.id).collect();
        if !ids.is_empty() {
            rows.extend(store::versions_of(connection, table, &ids).await?);
        }
    }
    rows.sort();
    rows.dedup();
    Ok(rows)
}

/// Rows that refer to these.
async fn below(connection: &Connection, rows: &[Tabled]) -> Result<Vec<Tabled>, Refusal> {
    let mut found = Vec::new();
    for reference in catalogue::references() {
        if USED_BY_ALL.contains(&reference.to.as_str()) {
            continue;
        }
        let ids: Vec<Uuid> = rows.iter().filter(|row| row.name == reference.to).map(|row| row.id).collect();
        if !ids.is_empty() {
            found.extend(store::found(connection, &[reference.table], &reference.column, Find::Ids(&ids)).await?);
        }
    }
    Ok(found)
}
