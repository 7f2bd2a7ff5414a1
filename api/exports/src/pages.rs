//! The page of exports: filters, files, and what was handed out before.

use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::acts::{ExportRecords, ReadRecords};
use ferrotitre_base::auth::permissions::{Action, exports_own_data_only};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::choices::methods;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::first_page;
use ferrotitre_html::form::{Choice, Field, Kind};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show::{self, encoded};
use ferrotitre_ledger::accounts::service as accounts;
use ferrotitre_quality::validation_studies::reading;
use ferrotitre_results::control_charts::service as charts;
use serde::Deserialize;
use uuid::Uuid;

use crate::{own, service};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
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
    #[serde(default)]
    recorded_by: String,
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
        for (name, chosen) in [("method", &self.method), ("recorded_by", &self.recorded_by)] {
            if let Ok(id) = chosen.parse::<Uuid>() {
                query.push_str(&format!("&{name}={id}"));
            }
        }
        Ok(query)
    }

    /// Address of the bundle of the same time: all of it that is not named.
    fn bundle(&self) -> Result<String, Problem> {
        let listing = Narrow::of_days(&self.from, &self.until).listing()?;
        let text = |time: DateTime<Utc>| encoded(&time.to_rfc3339_opts(SecondsFormat::Secs, true));
        let from = text(listing.from.unwrap_or(DateTime::UNIX_EPOCH));
        let until = text(listing.until.unwrap_or_else(|| Utc::now() + TimeDelta::days(1)));
        Ok(format!("/api/v1/exports/period-bundle?from={from}&until={until}"))
    }
}

/// Links to one export in every format.
fn links(address: &str, query: &str) -> Vec<Cell> {
    FORMATS.iter().map(|(format, name)| Cell::link(*name, format!("{address}?format={format}{query}"))).collect()
}

/// People whose determinations can be asked for.
async fn people(db: &Db) -> Result<Vec<Choice>, Refusal> {
    let accounts = accounts::list(db, &first_page()).await?.items.into_iter();
    Ok(accounts.map(|account| Choice::thing(account.id, &account.code, account.display_name)).collect())
}

/// Determinations, narrowed; an analyst has no choice of people.
async fn determinations(db: &Db, asked: &Asked, own_only: bool) -> Result<Table, Problem> {
    let what = if own_only { "Determinations you opened or titrated" } else { "Determinations" };
    let mut row = vec![Cell::text(format!("{what}, with every titration made, and their counts"))];
    row.extend(links("/api/v1/exports/determinations", &asked.query()?));
    let mut filters = vec![
        Field::new("from", "Recorded from", Kind::Day).optional().value(&asked.from),
        Field::new("until", "to", Kind::Day).optional().value(&asked.until),
        Field::new("method", "Method version", Kind::List(methods(db).await?)).optional().value(&asked.method),
    ];
    if !own_only {
        let who = Field::new("recorded_by", "Opened or titrated by", Kind::List(people(db).await?));
        filters.push(who.optional().value(&asked.recorded_by));
    }
    Ok(Table { columns: vec!["What", "Spreadsheet", "CSV", "JSON"], rows: vec![row], filters, ..Table::default() })
}

/// Charts or studies (identity and name) that somebody may take out, with links.
async fn shared(
    db: &Db,
    user: &CurrentUser,
    (kind, column, address): (EntityKind, &'static str, &str),
    all: Vec<(Uuid, String)>,
    empty: (&'static str, &'static str),
) -> Result<Table, Refusal> {
    let ids: Vec<Uuid> = all.iter().map(|(id, _)| *id).collect();
    let allowed = own::shared(db, user, kind, &ids).await?;
    let rows = all.into_iter().filter(|(id, _)| allowed.contains(id)).map(|(id, name)| {
        let mut row = vec![Cell::text(name)];
        row.extend(links(&format!("{address}/{id}"), ""));
        row
    });
    let empty = if ids.is_empty() { empty.0 } else { empty.1 };
    let columns = vec![column, "Spreadsheet", "CSV", "JSON"];
    Ok(Table { columns, rows: rows.collect(), empty, ..Table::default() })
}

/// A query as people read it: the identity that goes on record behind a code is left out.
fn named(query: &str) -> String {
    let identity = |word: &&str| word.trim_matches(['(', ')', ',']).parse::<Uuid>().is_ok() && word.starts_with('(');
    query.split(' ').filter(|word| !identity(word)).collect::<Vec<_>>().join(" ")
}

/// What was taken out before.
async fn before(db: &Db, user: &CurrentUser) -> Result<Table, Refusal> {
    let before = service::newest(db, user).await?;
    let people: Vec<Uuid> = before.iter().map(|export| export.recorded_by.0).collect();
    let names = accounts::names(db, &people).await?;
    let rows = before.into_iter().map(|export| {
        vec![
            Cell::text(show::time(export.recorded_at)),
            Cell::text(names.get(&export.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(export.what),
            Cell::text(named(&export.query)),
            Cell::text(export.format),
            Cell::number(export.records.to_string()),
            Cell::text(export.digest),
        ]
    });
    Ok(Table {
        columns: vec!["When", "Who", "What", "Narrowed to", "Format", "Records", "SHA-256 of the content"],
        rows: rows.collect(),
        empty: "Nothing was exported yet.",
        ..Table::default()
    })
}

/// What can be taken out, and what was.
#[get("/exports")]
pub(super) async fn list_exports(
    who: Allowed<ExportRecords>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    asked: Params<Asked>,
) -> Result<HttpResponse, Problem> {
    let own_only = exports_own_data_only(&who.user().roles);
    let charts = charts::list(&db, &first_page()).await?.items.into_iter();
    let charts = shared(
        &db,
        who.user(),
        (EntityKind::ControlChart, "Chart", "/api/v1/exports/control-charts"),
        charts.map(|chart| (chart.id.0, format!("{}: {}", chart.code, chart.title))).collect(),
        ("No chart yet.", "None that you recorded values on or proposed limits of."),
    );
    let studies = reading::list(&db, &first_page()).await?.items.into_iter();
    let studies = shared(
        &db,
        who.user(),
        (EntityKind::ValidationStudy, "Study", "/api/v1/exports/validation-studies"),
        studies.map(|study| (study.id.0, format!("{}: {}", study.code, study.title))).collect(),
        ("No study yet.", "None that you planned, recorded data for or concluded."),
    );
    let lead = if own_only {
        "Analysts export only their own data. Every export is on record, with the digest of its content."
    } else {
        "Everything that is taken out is put on record, with the digest of its content."
    };
    Sheet::new(&shell, "Exports", "Exports")
        .way(true, "What was imported", "/imports")
        .way(shell.may(Action::ExportAuditLists), "Lists of the audit trail", "/audit/lists")
        .lead(lead)
        .section("records", "Determinations", Part::Table(determinations(&db, &asked.0, own_only).await?))
        .section_way(!own_only, "The whole log of that time, to be checked elsewhere", asked.0.bundle()?)
        .section("charts", "Control charts", Part::Table(charts.await?))
        .section("studies", "Validation studies", Part::Table(studies.await?))
        .section("before", "What was exported", Part::Table(before(&db, who.user()).await?))
        .help(
            "Records as files. A determination's own workbook with live formulas is on its page.",
            "ISO/IEC 17025:2017 7.11 and 8.4; the digest is the same in every format.",
            "The same query over the same records gives the same digest again, so a file can be checked later.",
        )
        .show()
}
