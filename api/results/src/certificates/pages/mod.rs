//! Pages of certificates: the list, one certificate with the status of each issue, and the forms.

mod detail;
mod forms;
mod section;

use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, SecondsFormat, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;

use crate::certificates::service;
use crate::certificates::store::KIND;
use crate::certificates::wire::{CertificateLine, CertificateListing};

pub use section::{of_result, of_results};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_certificates)
        .service(forms::draw_up)
        .service(detail::read_certificate)
        .service(forms::revise)
        .service(forms::amend)
        .service(forms::discard)
        .service(forms::deliver)
        .service(forms::sign);
}

/// Columns of [`rows`].
pub const COLUMNS: [&str; 7] = ["Certificate", "Issue", "State", "Customer", "Samples", "Since issue", "Drawn up"];

/// The state of a version; beside an issue that stays in force meanwhile, in words.
fn state(line: &CertificateLine) -> Cell {
    match (line.current_issue, line.state.as_str()) {
        (Some(issue), "draft") => Cell::text(format!("issue {issue} in force; draft of issue {}", line.issue)),
        (Some(issue), "discarded") => {
            Cell::text(format!("issue {issue} in force; draft of issue {} discarded", line.issue))
        }
        _ => Cell::state(line.state.clone()),
    }
}

/// Lines of a list of certificates.
pub fn rows(lines: &[CertificateLine]) -> Vec<Vec<Cell>> {
    let row = |line: &CertificateLine| {
        vec![
            Cell::link(line.number.clone(), format!("/certificates/{}", line.number)),
            Cell::number(line.issue.to_string()),
            state(line),
            Cell::text(line.customer.clone()),
            Cell::text(line.samples.join(", ")),
            Cell::text(if line.marked { "a result is affected" } else { "" }),
            Cell::text(show::time(line.recorded_at)),
        ]
    };
    lines.iter().map(row).collect()
}

/// What the list is narrowed to, as its export takes it.
fn exported(state: &str, [from, until]: [Option<DateTime<Utc>>; 2]) -> String {
    let time = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Secs, true);
    // A list by state has no times.
    let given = match state {
        "" => vec![("from", from.map(time)), ("until", until.map(time))],
        state => vec![("state", Some(state.to_owned()))],
    };
    given.into_iter().filter_map(|(name, value)| Some(format!("&{name}={}", show::encoded(&value?)))).collect()
}

/// Lists certificates.
#[get("/certificates")]
pub(super) async fn list_certificates(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let Listing { limit, after, from, until } = query.0.listing()?;
    let exports = |format: &str| {
        format!("/api/v1/exports/certificates?format={format}{}", exported(&query.0.state, [from, until]))
    };
    let (csv, json, workbook) = (exports("csv"), exports("json"), exports("xlsx"));
    let takes = shell.may(Action::ExportCertificates);
    let state = Some(query.0.state.clone()).filter(|state| !state.is_empty());
    let page = service::list(&db, &CertificateListing { limit, after, from, until, state, number: None }).await?;
    let table = Table {
        columns: COLUMNS.to_vec(),
        rows: rows(&page.items),
        empty: "None.",
        next: query.0.next("/certificates", page.next),
        filters: query.0.fields(&KIND.states()),
        ..Table::default()
    };
    Sheet::new(&shell, "Certificates", "Certificates of analysis")
        .way(shell.may(Action::DraftCertificates), "Draw up a certificate", "/certificates/new")
        .way(true, "The laboratory", "/laboratory")
        .section("list", "", Part::Table(table))
        .section_way(takes, "CSV", csv)
        .section_way(takes, "JSON", json)
        .section_way(takes, "Workbook", workbook)
        .help(
            "What went out to customers, and what is still a draft.",
            "ISO/IEC 17025:2017 7.8 (reporting of results) and 7.8.8 (amendments).",
            "Draw one up from approved results; a manager who had no hand in them authorises it, and with that it is issued.",
        )
        .show()
}
