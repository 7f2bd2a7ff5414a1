//! The page of exports: filters, files, and what was handed out before.

use actix_web::{HttpResponse, get, web};
use chrono::SecondsFormat;
use serde::Deserialize;
use uuid::Uuid;

use crate::accounts::service as accounts;
use crate::auth::allowed::Allowed;
use crate::auth::permissions::acts::{ExportRecords, ReadRecords};
use crate::control_charts::service as charts;
use crate::db::Db;
use crate::exports::service;
use crate::pages::choices::{first_page, methods};
use crate::pages::form::{Field, Kind};
use crate::pages::narrow::Narrow;
use crate::pages::sheet::{Cell, Part, Sheet, Table};
use crate::pages::shell::Shell;
use crate::pages::show::{self, encoded};
use crate::validation_studies::reading;
use crate::web::body::Params;
use crate::web::problem::Problem;

/// Mounts the pages.
pub(crate) fn routes(config: &mut web::ServiceConfig) {
    config.service(list_exports);
}

/// Formats and what people call them.
const FORMATS: [(&str, &str); 3] = [("xlsx", "Spreadsheet"), ("csv", "CSV"), ("json", "JSON")];

/// What the exports are narrowed to.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    from: String,
    #[serde(default)]
    until: String,
    #[serde(default)]
    method: String,
}

impl Asked {
    /// The same as the API takes it, to be put behind the format.
    fn query(&self) -> Result<String, Problem> {
        let listing = Narrow::of_days(&self.from, &self.until).listing()?;
        let mut query = String::new();
        for (name, time) in [("from", listing.from), ("until", listing.until)] {
            if let Some(time) = time {
                query.push_str(&format!("&{name}={}", encoded(&time.to_rfc3339_opts(SecondsFormat::Secs, true))));
            }
        }
        if let Ok(method) = self.method.parse::<Uuid>() {
            query.push_str(&format!("&method={method}"));
        }
        Ok(query)
    }
}

/// Links to one export in every format.
fn links(address: &str, query: &str) -> Vec<Cell> {
    FORMATS.iter().map(|(format, name)| Cell::link(*name, format!("{address}?format={format}{query}"))).collect()
}

/// What can be taken out, and what was.
#[get("/exports")]
pub(super) async fn list_exports(
    _who: Allowed<ExportRecords>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    asked: Params<Asked>,
) -> Result<HttpResponse, Problem> {
    let asked = asked.0;
    let mut row = vec![Cell::text("Determinations with every titration made, and their counts")];
    row.extend(links("/api/v1/exports/determinations", &asked.query()?));
    let records = Table {
        columns: vec!["What", "Spreadsheet", "CSV", "JSON"],
        rows: vec![row],
        filters: vec![
            Field::new("from", "Recorded from", Kind::Day).optional().value(&asked.from),
            Field::new("until", "to", Kind::Day).optional().value(&asked.until),
            Field::new("method", "Method version", Kind::List(methods(&db).await?)).optional().value(&asked.method),
        ],
        ..Table::default()
    };
    let charts = charts::list(&db, &first_page()).await?.items.into_iter().map(|chart| {
        let mut row = vec![Cell::text(format!("{}: {}", chart.code, chart.title))];
        row.extend(links(&format!("/api/v1/exports/control-charts/{}", chart.id), ""));
        row
    });
    let charts = Table {
        columns: vec!["Chart", "Spreadsheet", "CSV", "JSON"],
        rows: charts.collect(),
        empty: "No chart yet.",
        ..Table::default()
    };
    let studies = reading::list(&db, &first_page()).await?.items.into_iter().map(|study| {
        let mut row = vec![Cell::text(format!("{}: {}", study.code, study.title))];
        row.extend(links(&format!("/api/v1/exports/validation-studies/{}", study.id), ""));
        row
    });
    let studies = Table {
        columns: vec!["Study", "Spreadsheet", "CSV", "JSON"],
        rows: studies.collect(),
        empty: "No study yet.",
        ..Table::default()
    };
    let before = service::newest(&db).await?;
    let people: Vec<Uuid> = before.iter().map(|export| export.recorded_by.0).collect();
    let names = accounts::names(&db, &people).await?;
    let before = before.into_iter().map(|export| {
        vec![
            Cell::text(show::time(export.recorded_at)),
            Cell::text(names.get(&export.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(export.what),
            Cell::text(export.query),
            Cell::text(export.format),
            Cell::number(export.records.to_string()),
            Cell::text(export.digest),
        ]
    });
    let before = Table {
        columns: vec!["When", "Who", "What", "Narrowed to", "Format", "Records", "SHA-256 of the content"],
        rows: before.collect(),
        empty: "Nothing was exported yet.",
        ..Table::default()
    };
    Sheet::new(&shell, "Exports", "Exports")
        .way(true, "What was imported", "/imports")
        .lead("Everything that is taken out is put on record, with the digest of its content.")
        .section("records", "Determinations", Part::Table(records))
        .section("charts", "Control charts", Part::Table(charts))
        .section("studies", "Validation studies", Part::Table(studies))
        .section("before", "What was exported", Part::Table(before))
        .help(
            "Records as files. A determination's own workbook with live formulas is on its page.",
            "ISO/IEC 17025:2017 7.11 and 8.4; the digest is the same in every format.",
            "The same query over the same records gives the same digest again, so a file can be checked later.",
        )
        .show()
}
