//! Control values and factors that were recorded before the service was there, from a table.

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_ledger::imports::table::{Problems, Table, read};
use ferrotitre_ledger::imports::{NewImport, store};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::control_charts::rules::Quantity;
use crate::control_charts::store::{charts, values as value_store};
use crate::control_charts::values::{NewPoint, append};

/// Says what the columns mean.
const VERSION: &str = "ferrotitre control values 1";
/// Rows of one file.
const MOST: usize = 20_000;

/// What a file holds, or has become.
#[derive(Debug, Serialize, ToSchema)]
pub struct ImportView {
    /// The kept file; absent in a preview.
    #[serde(skip_serializing_if = "Option::is_none")]
    id: Option<Uuid>,
    /// Server time of the import; absent in a preview.
    #[serde(skip_serializing_if = "Option::is_none")]
    recorded_at: Option<DateTime<Utc>>,
    /// Chart.
    chart: Uuid,
    /// Name of the file.
    file_name: String,
    /// SHA-256 of its text.
    pub(super) digest: String,
    /// Number of values.
    pub(super) values: usize,
    /// The earliest.
    pub(super) first: DateTime<Utc>,
    /// The latest.
    pub(super) last: DateTime<Utc>,
    /// The smallest, as a check that marks were read as meant.
    #[schema(example = "116.8")]
    pub(super) lowest: Decimal,
    /// The largest.
    #[schema(example = "119.2")]
    pub(super) highest: Decimal,
    /// The first rows as they were read.
    pub(super) sample: Vec<ReadRow>,
    /// Number of values by verdict, once they are recorded.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    verdicts: Vec<VerdictCount>,
}

impl Located for ImportView {
    fn location(&self) -> String {
        format!("/api/v1/control-charts/{}/points", self.chart)
    }
}

/// A row as it was read.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReadRow {
    /// Line of the file.
    pub(super) line: u64,
    /// When.
    pub(super) observed_at: DateTime<Utc>,
    /// Value.
    pub(super) value: Decimal,
}

/// How many values got a verdict.
#[derive(Debug, Serialize, ToSchema)]
pub struct VerdictCount {
    /// Verdict.
    #[schema(example = "in control")]
    verdict: String,
    /// Values.
    values: usize,
}

/// Columns of a chart's table, with the unit in the name.
fn columns(chart: &charts::Row) -> Result<Vec<String>, Refusal> {
    Ok(if Quantity::of(&chart.quantity)? == Quantity::DiscardedReductions {
        vec!["observed_at".to_owned(), "events".to_owned(), "trials".to_owned(), "note".to_owned()]
    } else {
        vec!["observed_at".to_owned(), format!("value [{}]", chart.unit), "note".to_owned()]
    })
}

/// The table to fill in, with two example rows.
pub(super) async fn template(db: &Db, chart: Uuid) -> Result<String, Refusal> {
    let chart = db.read(async |connection| charts::find(connection, chart).await).await?;
    let columns = columns(&chart)?;
    let cells = if columns.len() == 4 { ["2;31;", "1;28;"] } else { ["118,2;", "117,9;second analyst"] };
    Ok(format!("{VERSION}\n{}\n2025-03-04T08:30:00+01:00;{}\n2025-03-05;{}\n", columns.join(";"), cells[0], cells[1]))
}

/// A row that can become a value.
struct Ready {
    read: ReadRow,
    counts: Option<(i32, i32)>,
    note: Option<String>,
}

async fn rows(connection: &Connection, chart: &charts::Row, file: &NewImport) -> Result<Vec<Ready>, Refusal> {
    let names = columns(chart)?;
    let table = read(file, VERSION, &names.iter().map(String::as_str).collect::<Vec<_>>())?;
    if table.rows.len() > MOST {
        let message = format!("a file has at most {MOST} rows; split it by time");
        return Err(Refusal::invalid("text", "rows", message, table.rows.len()));
    }
    let mut problems = Problems::default();
    let mut ready = Vec::with_capacity(table.rows.len());
    for row in &table.rows {
        let at = Table::moment(row, 0, &names[0], &mut problems);
        let (value, counts) = if names.len() == 4 {
            let events = table.whole(row, 1, &names[1], &mut problems);
            let trials = table.whole(row, 2, &names[2], &mut problems);
            let counts = events.zip(trials);
            if counts.is_some_and(|(events, trials)| trials < 1 || !(0..=trials).contains(&events)) {
                problems.add(row.line, &names[1], "proportion", "must be from 0 to the number of trials", row.text(1));
            }
            let value = counts.and_then(|(events, trials)| Decimal::of(f64::from(events) / f64::from(trials)));
            (value, counts)
        } else {
            (table.decimal(row, 1, &names[1], &mut problems), None)
        };
        if let Some(at) = at
            && at > Utc::now()
        {
            problems.add(row.line, &names[0], "not_in_the_future", "must not lie in the future", row.text(0));
        }
        if let (Some(observed_at), Some(value)) = (at, value) {
            let note = row.text(names.len() - 1);
            let note = (!note.is_empty()).then(|| note.to_owned());
            ready.push(Ready { read: ReadRow { line: row.line, observed_at, value }, counts, note });
        }
    }
    if problems.is_empty() {
        check_moments(connection, chart, &names[0], &ready, &mut problems).await?;
    }
    problems.check()?;
    // A chart is read in the order of time.
    ready.sort_by_key(|row| (row.read.observed_at, row.read.line));
    Ok(ready)
}

/// Two values of one moment are one value imported twice, in the file or in the chart.
async fn check_moments(
    connection: &Connection,
    chart: &charts::Row,
    column: &str,
    rows: &[Ready],
    problems: &mut Problems,
) -> Result<(), Refusal> {
    let moments: Vec<DateTime<Utc>> = rows.iter().map(|row| row.read.observed_at).collect();
    let there = value_store::observed_at_any(connection, chart.id, &moments).await?;
    let mut seen = std::collections::HashMap::new();
    for row in rows {
        let at = row.read.observed_at;
        if there.contains(&at) {
            problems.add(row.read.line, column, "duplicate", "the chart has a value of this moment", &at.to_rfc3339());
        } else if let Some(line) = seen.insert(at, row.read.line) {
            let message = format!("is the moment of line {line}, too");
            problems.add(row.read.line, column, "duplicate", &message, &at.to_rfc3339());
        }
    }
    Ok(())
}

fn view(chart: &charts::Row, file: &NewImport, rows: &[Ready]) -> Result<ImportView, Refusal> {
    let by_value = |a: &&Ready, b: &&Ready| a.read.value.value().total_cmp(&b.read.value.value());
    let nothing = || Refusal::invalid("text", "rows", "there are no rows", "");
    let (first, last) = rows.first().zip(rows.last()).ok_or_else(nothing)?;
    let (lowest, highest) = rows.iter().min_by(by_value).zip(rows.iter().max_by(by_value)).ok_or_else(nothing)?;
    Ok(ImportView {
        id: None,
        recorded_at: None,
        chart: chart.id.0,
        file_name: file.file_name.clone(),
        digest: store::digest(&file.text),
        values: rows.len(),
        first: first.read.observed_at,
        last: last.read.observed_at,
        lowest: lowest.read.value.clone(),
        highest: highest.read.value.clone(),
        sample: rows.iter().take(10).map(|row| row.read.clone()).collect(),
        verdicts: Vec::new(),
    })
}

/// Says what a file would become, and stores nothing.
pub(super) async fn preview(db: &Db, chart: Uuid, file: &NewImport) -> Result<ImportView, Refusal> {
    db.read(async |connection| {
        let chart = charts::find(connection, chart).await?;
        let rows = rows(connection, &chart, file).await?;
        view(&chart, file, &rows)
    })
    .await
}

/// Makes every row a control value, judged like any other, and keeps the file; one wrong cell, and nothing is stored.
pub(super) async fn import(db: &Db, act: &Act, chart: Uuid, file: NewImport) -> Result<Answer, Refusal> {
    let by = author(act)?;
    db.write(act, async |connection| {
        let chart = charts::find(connection, chart).await?;
        charts::hold(connection, chart.id).await?;
        let rows = rows(connection, &chart, &file).await?;
        let mut view = view(&chart, &file, &rows)?;
        let records = i32::try_from(rows.len()).map_err(Refusal::internal)?;
        let history = format!("{}, SHA-256 {}", file.file_name, view.digest);
        let kept = store::keep(connection, file, ("control values", chart.id.0), records, by).await?;
        view.id = Some(kept.id.0);
        view.recorded_at = Some(kept.recorded_at);
        let mut verdicts = std::collections::BTreeMap::new();
        for row in rows {
            let point = NewPoint {
                value: row.read.value,
                counts: row.counts,
                history: Some(format!("{history}, line {}", row.read.line)),
                note: row.note,
                ..NewPoint::computed("imported", 0.0, row.read.observed_at)?
            };
            let stored = append(connection, act, &chart, point).await?;
            *verdicts.entry(stored.verdict).or_insert(0) += 1;
        }
        view.verdicts = verdicts.into_iter().map(|(verdict, values)| VerdictCount { verdict, values }).collect();
        Ok(view)
    })
    .await
}

/// Files that a page lists, at most.
const LISTED: i64 = 50;

/// Files that were imported into a chart, newest first.
pub(super) async fn files(db: &Db, chart: Uuid) -> Result<Vec<store::Kept>, Refusal> {
    db.read(async |connection| store::of_subject(connection, chart, LISTED).await).await
}
