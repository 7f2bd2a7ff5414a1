//! Data from a table: previewed, then taken in whole or not at all; the file is kept.

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::ids::{AccountId, ImportedFileId, ValidationDatumId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::json::Json;
use ferrotitre_ledger::imports::table::{Problems, Row, Table, read};
use ferrotitre_ledger::imports::{NewImport, store as files};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::validation_studies::data::{Labels, answered, running};
use crate::validation_studies::kinds::{Kind, Label};
use crate::validation_studies::store::{self, CharacteristicRow, DatumRow};

/// Says what the columns mean.
const VERSION: &str = "ferrotitre validation data 1";
/// Rows of one file.
const MOST: usize = 10_000;
/// Labels of text at the end of every table.
const WORDS: [&str; 4] = ["analyst", "burette", "lot", "note"];

/// What a file would become.
#[derive(Debug, Serialize, ToSchema)]
pub struct DataPreview {
    /// Characteristic.
    pub characteristic: Uuid,
    /// Name of the file.
    pub file_name: String,
    /// SHA-256 of its text.
    pub digest: String,
    /// Number of data.
    pub rows: usize,
    /// The smallest, as a check that marks were read as meant.
    #[schema(example = "52.22")]
    pub lowest: Decimal,
    /// The largest.
    #[schema(example = "52.51")]
    pub highest: Decimal,
    /// The first rows as they were read.
    pub sample: Vec<ReadDatum>,
}

/// A row as it was read.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReadDatum {
    /// Line of the file.
    pub line: u64,
    /// Value.
    pub value: Decimal,
    /// Labels.
    pub labels: Labels,
}

/// Columns of a kind's table, with the unit in the name.
fn columns(kind: Kind, unit: &str) -> Vec<String> {
    let mut names = vec![format!("value [{unit}]")];
    names.extend(kind.labels().iter().map(|(label, _)| match label {
        Label::Taken | Label::Added => format!("{} [{unit}]", label.name()),
        Label::Hours => "hours [h]".to_owned(),
        _ => label.name().to_owned(),
    }));
    names.extend(WORDS.map(str::to_owned));
    names
}

/// A cell of an example row.
fn example(kind: Kind, label: Label, row: usize) -> String {
    match label {
        Label::Group => format!("day {}", row + 1),
        Label::Taken => "50,00".to_owned(),
        Label::Added => if row == 1 { "50,00" } else { "" }.to_owned(),
        Label::Hours => if row == 0 { "0" } else { "24" }.to_owned(),
        Label::Pair => "1".to_owned(),
        Label::Arm => kind.arms().get(row).copied().unwrap_or_default().to_owned(),
        Label::Run => (row + 1).to_string(),
    }
}

/// The table to fill in, with two example rows.
pub(super) async fn template(db: &Db, id: Uuid) -> Result<String, Refusal> {
    let row = db.read(async |connection| store::characteristic(connection, id).await).await?;
    let kind = Kind::of(&row.kind)?;
    let mut text = format!("{VERSION}\n{}\n", columns(kind, &row.unit).join(";"));
    for at in 0..2 {
        let mut cells = vec![["50,12", "100,08"][at].to_owned()];
        cells.extend(kind.labels().iter().map(|(label, _)| example(kind, *label, at)));
        cells.extend(WORDS.map(|_| String::new()));
        text.push_str(&format!("{}\n", cells.join(";")));
    }
    Ok(text)
}

fn words(row: &Row, column: usize) -> Option<String> {
    let text = row.text(column);
    (!text.is_empty()).then(|| text.to_owned())
}

fn labels_of(table: &Table, row: &Row, kind: Kind, names: &[String], problems: &mut Problems) -> Labels {
    let mut labels = Labels::default();
    for ((label, _), column) in kind.labels().iter().zip(1..) {
        if row.text(column).is_empty() {
            continue;
        }
        let name = &names[column];
        match label {
            Label::Group => labels.group = words(row, column),
            Label::Pair => labels.pair = words(row, column),
            Label::Arm => labels.arm = words(row, column),
            Label::Taken => labels.taken = table.decimal(row, column, name, problems),
            Label::Added => labels.added = table.decimal(row, column, name, problems),
            Label::Hours => labels.hours = table.decimal(row, column, name, problems),
            Label::Run => labels.run = table.whole(row, column, name, problems),
        }
    }
    let last = kind.labels().len() + 1;
    labels.analyst = words(row, last);
    labels.burette = words(row, last + 1);
    labels.lot = words(row, last + 2);
    labels.note = words(row, last + 3);
    labels
}

fn rows(characteristic: &CharacteristicRow, file: &NewImport) -> Result<Vec<ReadDatum>, Refusal> {
    let kind = Kind::of(&characteristic.kind)?;
    let names = columns(kind, &characteristic.unit);
    let table = read(file, VERSION, &names.iter().map(String::as_str).collect::<Vec<_>>())?;
    if table.rows.len() > MOST {
        let message = format!("a file has at most {MOST} rows");
        return Err(Refusal::invalid("text", "rows", message, table.rows.len()));
    }
    let mut problems = Problems::default();
    let mut ready = Vec::with_capacity(table.rows.len());
    for row in &table.rows {
        let value = table.decimal(row, 0, &names[0], &mut problems);
        let labels = labels_of(&table, row, kind, &names, &mut problems);
        for (label, rule, message, value) in labels.faults(kind) {
            let unread = matches!(rule, "required")
                && names
                    .iter()
                    .zip(0..)
                    .any(|(name, at)| name.split(' ').next() == Some(label) && !row.text(at).is_empty());
            // A cell that could not be read was named already.
            if !unread {
                problems.add(row.line, label, rule, &message, &value);
            }
        }
        if let Some(value) = value {
            ready.push(ReadDatum { line: row.line, value, labels });
        }
    }
    problems.check()?;
    Ok(ready)
}

/// Says what a file would become, and stores nothing.
pub(super) async fn preview(db: &Db, id: Uuid, file: &NewImport) -> Result<DataPreview, Refusal> {
    db.read(async |connection| {
        let characteristic = store::characteristic(connection, id).await?;
        running(connection, &characteristic).await?;
        let rows = rows(&characteristic, file)?;
        let by_value = |a: &&ReadDatum, b: &&ReadDatum| a.value.value().total_cmp(&b.value.value());
        let ends = rows.iter().min_by(by_value).zip(rows.iter().max_by(by_value));
        let (lowest, highest) = ends.ok_or_else(|| Refusal::invalid("text", "rows", "there are no rows", ""))?;
        Ok(DataPreview {
            characteristic: id,
            file_name: file.file_name.clone(),
            digest: files::digest(&file.text),
            rows: rows.len(),
            lowest: lowest.value.clone(),
            highest: highest.value.clone(),
            sample: rows.iter().take(10).cloned().collect(),
        })
    })
    .await
}

fn row_of(
    characteristic: &CharacteristicRow,
    (file, position): (ImportedFileId, i32),
    read: ReadDatum,
    by: AccountId,
) -> Result<DatumRow, Refusal> {
    Ok(DatumRow {
        id: ValidationDatumId::new(),
        characteristic_id: characteristic.id,
        position,
        value: read.value,
        standard_uncertainty: None,
        labels: Json(read.labels),
        source: "table".to_owned(),
        determination_id: None,
        content_digest: None,
        file_id: Some(file),
        line: Some(i32::try_from(read.line).map_err(Refusal::internal)?),
        recorded_at: DateTime::<Utc>::UNIX_EPOCH,
        recorded_by: by,
    })
}

/// Makes every row a datum and keeps the file; one wrong cell, and nothing is stored.
pub async fn import(db: &Db, act: &Act, id: Uuid, file: NewImport) -> Result<Answer, Refusal> {
    let by = author(act)?;
    db.write(act, async |connection| {
        let characteristic = store::characteristic(connection, id).await?;
        running(connection, &characteristic).await?;
        let ready = rows(&characteristic, &file)?;
        let records = i32::try_from(ready.len()).map_err(Refusal::internal)?;
        let kept = files::keep(connection, file, ("validation data", id), records, by).await?;
        let last = store::last_position(connection, characteristic.id).await?;
        let rows = ready
            .into_iter()
            .zip(last + 1..)
            .map(|(read, position)| row_of(&characteristic, (kept.id, position), read, by))
            .collect::<Result<Vec<_>, _>>()?;
        store::insert_data(connection, &rows).await?;
        answered(connection, characteristic.id).await
    })
    .await
}
