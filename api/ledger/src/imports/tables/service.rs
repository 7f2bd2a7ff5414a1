//! Use cases of tables: what a file would become, its import, and which were imported.

use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::ImportedTableId;
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::heavy::heavy;
use ferrotitre_base::web::json::Json;
use ferrotitre_base::web::paging::{Listing, Page};
use uuid::Uuid;

pub use super::mapping::Look;
use super::mapping::{self, Prepared};
use super::template::Download;
use super::{Importable, ImportedTable, NewTable, Placed, Reading, Source, TableView, store};

/// What a file without a name goes by.
const NAMELESS: &str = "a file without a name";

/// Opens a file for somebody who chooses columns.
///
/// # Errors
/// What is no table.
pub async fn look(file: NewTable) -> Result<Look, Refusal> {
    heavy(move || mapping::look(&file)).await?
}

async fn prepare<T: Importable>(table: &T, mut file: NewTable) -> Result<(Prepared<T::Row>, NewTable), Refusal> {
    if file.file_name.trim().is_empty() {
        NAMELESS.clone_into(&mut file.file_name);
    }
    let columns = table.columns();
    heavy(move || {
        let prepared = mapping::prepare(&columns, &file)?;
        // The bytes are there; their text is no longer needed.
        file.content = String::new();
        Ok((prepared, file))
    })
    .await?
}

/// Rows that nothing is against, in their natural order.
async fn good<T: Importable>(
    connection: &Connection,
    table: &T,
    prepared: &mut Prepared<T::Row>,
) -> Result<Vec<Placed<T::Row>>, Refusal> {
    let (mut rows, mut wrong) = (std::mem::take(&mut prepared.rows), std::mem::take(&mut prepared.wrong));
    for Placed { number, row } in &rows {
        if let Err(refusal) = table.check(row) {
            wrong.refusal(*number, &refusal);
        }
    }
    table.against(connection, &rows, &mut wrong).await?;
    wrong.check().map_err(|refusal| refusal.with_facts(prepared.facts()))?;
    rows.sort_by_key(|placed| (table.order(&placed.row), placed.number));
    Ok(rows)
}

fn view<T: Importable>(table: &T, file: &NewTable, prepared: &Prepared<T::Row>) -> TableView {
    TableView {
        id: None,
        recorded_at: None,
        table: table.table(),
        file_name: file.file_name.clone(),
        format: prepared.format,
        digest: prepared.digest.clone(),
        sheets: prepared.sheets.clone(),
        sheet: prepared.sheet.clone(),
        headings: prepared.headings.clone(),
        records: prepared.count,
        sample: prepared.sample.clone(),
    }
}

/// Says what a file would become, and stores nothing.
///
/// # Errors
/// What is no table; every wrong cell.
pub async fn preview<T: Importable>(db: &Db, table: &T, file: NewTable) -> Result<TableView, Refusal> {
    let (prepared, file) = prepare(table, file).await?;
    // A read may be tried twice, and takes nothing away.
    let prepared = std::cell::RefCell::new(Some(prepared));
    db.snapshot_once(async |connection| {
        let mut prepared = prepared.take().ok_or_else(nothing)?;
        good(connection, table, &mut prepared).await?;
        Ok(view(table, &file, &prepared))
    })
    .await
}

fn nothing() -> Refusal {
    Refusal::new(ferrotitre_base::refusal::Code::Internal, "a file was read twice")
}

/// Makes every row a record and keeps the file; one wrong cell, and nothing is stored.
///
/// # Errors
/// As [`preview`]; what somebody else recorded meanwhile.
pub async fn import<T: Importable>(db: &Db, act: &Act, table: &T, file: NewTable) -> Result<Answer, Refusal> {
    let by = author(act)?;
    let (mut prepared, file) = prepare(table, file).await?;
    db.write(act, async |connection| {
        table.hold(connection).await?;
        let rows = good(connection, table, &mut prepared).await?;
        let mut view = view(table, &file, &prepared);
        let source = Source { file_name: file.file_name.clone(), digest: prepared.digest.clone() };
        let became = table.record(connection, act, rows, &source).await?;
        let row = store::New {
            id: ImportedTableId::new(),
            purpose: table.table().to_owned(),
            subject_id: table.subject(),
            file_name: file.file_name,
            format: prepared.format.to_owned(),
            reading: Json(Reading {
                sheet: prepared.sheet,
                separator: file.separator.filter(|_| prepared.format == "text"),
                decimal_mark: file.decimal_mark,
                date_format: file.date_format,
                headings: prepared.headings,
                same: file.same,
            }),
            digest: prepared.digest,
            content: prepared.bytes,
            records: i32::try_from(became.len()).map_err(Refusal::internal)?,
            became: Json(became),
            recorded_by: by,
        };
        view.recorded_at = Some(store::keep(connection, &row).await?);
        view.id = Some(row.id.0);
        Ok(view)
    })
    .await
}

/// Imported tables, newest first.
///
/// # Errors
/// A store that cannot be reached.
pub async fn list(db: &Db, listing: &Listing) -> Result<Page<ImportedTable>, Refusal> {
    let limit = listing.limit()?;
    db.read(async |connection| {
        let rows = store::list(connection, listing, limit + 1).await?;
        Page::of(rows, limit, |kept| kept.id.0).try_map(|kept| Ok(shown(kept)))
    })
    .await
}

/// Tables that were imported into something, newest first.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of_subject(db: &Db, subject: Uuid) -> Result<Vec<ImportedTable>, Refusal> {
    db.read(async |connection| Ok(store::of_subject(connection, subject).await?.into_iter().map(shown).collect())).await
}

/// One of them with what its rows became.
///
/// # Errors
/// There is none of that identity.
pub async fn read(db: &Db, id: Uuid) -> Result<ImportedTable, Refusal> {
    db.read(async |connection| {
        let (kept, became, _) = store::find(connection, id).await?;
        Ok(ImportedTable { became: Some(became.0), ..shown(kept) })
    })
    .await
}

/// The file as it came.
///
/// # Errors
/// There is none of that identity.
pub async fn file(db: &Db, id: Uuid) -> Result<Download, Refusal> {
    db.read(async |connection| {
        let (kept, _, bytes) = store::find(connection, id).await?;
        let end = match kept.format.as_str() {
            "xlsx" => ".xlsx",
            "ods" => ".ods",
            _ => ".txt",
        };
        let named = kept.file_name.contains('.');
        let name = if named { kept.file_name } else { format!("{}{end}", kept.file_name) };
        // Whatever stands in it, a browser keeps it and shows nothing.
        Ok(Download { name, content_type: "application/octet-stream", bytes })
    })
    .await
}

fn shown(kept: store::Kept) -> ImportedTable {
    ImportedTable {
        id: kept.id.0,
        table: kept.purpose,
        subject: kept.subject_id,
        file_name: kept.file_name,
        format: kept.format,
        digest: kept.digest,
        records: kept.records,
        reading: kept.reading.0,
        recorded_at: kept.recorded_at,
        recorded_by: kept.recorded_by,
        became: None,
    }
}
