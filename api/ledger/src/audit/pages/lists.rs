//! Pages of the lists that an auditor asks for.

use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, SecondsFormat, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadAuditLists;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::zone;
use ferrotitre_html::form::{Field, Kind};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Section, Sheet, Table, Way};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde::Deserialize;
use uuid::Uuid;

use crate::audit::lists::{self, AuditListRow, AuditListing, Of};
use crate::audit::pages::named;
use crate::audit::reviews::TrailReviewProposal;

/// Rows of each list on the page of all.
const FEW: i64 = 10;
/// Results that a row has at most.
const MORE_THAN: i64 = 100;

/// What a list is narrowed to.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Narrowed {
    #[serde(default)]
    from: String,
    #[serde(default)]
    until: String,
    #[serde(default)]
    account: String,
    #[serde(default)]
    address: String,
    after: Option<Uuid>,
}

/// What a list is, in a sentence.
fn about(of: Of) -> &'static str {
    match of {
        Of::Exclusions => {
            "Titres, blanks, runs and control values that were rejected or found invalid, points left out of baselines, and data left out of studies, each with its cause and who approved what was made without it. Titres that the method's own rule did not take are no decision of a person: they stand in the working of their determination."
        }
        Of::Corrections => {
            "What superseded, competes with or invalidates rows that a signature stands over, and signed records that were amended; with the signed results that rest on it and what was decided."
        }
        Of::Released => {
            "Results of samples that were approved while the newest value on a chart of their method was out of control, or whose run was to have a control value and had none that passed; with the concession, if there was one."
        }
        Of::RefusedSignIns => {
            "Wrong passwords and one-time codes, unknown names, passwords that were set or changed, and one-time codes that were set up, ended or reset."
        }
        Of::SignIns => {
            "Sign-ins, refused ones too, ends of sessions, passwords that were set or changed, and one-time codes that were set up, ended or reset. A session that merely runs out has no end on record; tries held off by the waiting time are counted in the metrics alone."
        }
    }
}

/// Columns of a list.
fn columns(of: Of) -> Vec<&'static str> {
    match of {
        Of::Exclusions => {
            vec!["When", "Record", "What", "Cause", "Evidence or reason", "By", "Then", "By", "Proof"]
        }
        Of::Corrections => vec!["When", "Record", "What", "Reason", "By", "Signed results", "Decided", "By", "Proof"],
        Of::Released => vec!["When", "Result", "What", "Approved by", "Concession", "Proof"],
        Of::RefusedSignIns | Of::SignIns => vec!["When", "Account", "What", "By", "From", "Proof"],
    }
}

/// Signed results under a correction: how many, and the first by their codes.
fn touched(row: &AuditListRow) -> String {
    let names: Vec<&str> = row.results.iter().map(|result| result.name.as_str()).collect();
    match row.results_touched {
        None => String::new(),
        Some(0) => "none".to_owned(),
        Some(count) if count > MORE_THAN => format!("more than {MORE_THAN}: {}, ...", names.join(", ")),
        Some(count) if usize::try_from(count).is_ok_and(|count| count == names.len()) => names.join(", "),
        Some(count) => format!("{count}: {}, ...", names.join(", ")),
    }
}

fn cells(shell: &Shell, of: Of, row: &AuditListRow) -> Vec<Cell> {
    let text = |text: &Option<String>| Cell::text(text.clone().unwrap_or_default());
    let when = Cell::text(show::time(row.recorded_at));
    let record = named(shell, row.record.as_ref());
    let what = Cell::text(row.what.clone());
    let proof = Cell::link("event", format!("/audit/{}", row.event));
    match of {
        Of::Exclusions => vec![
            when,
            record,
            what,
            text(&row.cause),
            text(&row.evidence),
            text(&row.by),
            text(&row.decision),
            text(&row.decided_by),
            proof,
        ],
        Of::Corrections => vec![
            when,
            record,
            what,
            text(&row.evidence),
            text(&row.by),
            Cell::text(touched(row)),
            text(&row.decision),
            text(&row.decided_by),
            proof,
        ],
        Of::Released => {
            let concession = match &row.concession {
                None => Cell::text("none"),
                concession => named(shell, concession.as_ref()),
            };
            vec![when, record, what, text(&row.by), concession, proof]
        }
        Of::RefusedSignIns | Of::SignIns => {
            vec![when, record, what, text(&row.by), text(&row.source_address), proof]
        }
    }
}

/// A list as a table.
pub(super) fn table(shell: &Shell, of: Of, rows: &[AuditListRow]) -> Table {
    Table {
        columns: columns(of),
        rows: rows.iter().map(|row| cells(shell, of, row)).collect(),
        empty: "None.",
        ..Table::default()
    }
}

/// A list on the page of several, with the way to all of it.
fn section(shell: &Shell, of: Of, rows: &[AuditListRow], days: &str) -> Section {
    let mut section = Section::new(of.text(), of.title(), Part::Table(table(shell, of, rows)));
    let address = format!("/audit/lists/{}{days}", of.text());
    section.ways.push(Way { label: "All of them".to_owned(), address, main: false });
    section
}

/// The newest rows of every list in what a review is over, a section each.
pub(super) async fn of_review(shell: &Shell, db: &Db, next: &TrailReviewProposal) -> Result<Vec<Section>, Problem> {
    let over = ((next.from_size, next.until_size), (next.from, next.until));
    let day = |at: DateTime<Utc>| zone::local(at).date_naive();
    let days = format!("?from={}&until={}", day(next.from), day(next.until));
    let mut sections = Vec::new();
    for of in Of::ALL {
        let rows = lists::newest_among(db, of, over, FEW).await?;
        sections.push(section(shell, of, &rows, &days));
    }
    Ok(sections)
}

/// The lists that an auditor asks for, the newest rows of each.
#[get("/audit/lists")]
pub(in crate::audit) async fn read_lists(
    _who: Allowed<ReadAuditLists>,
    shell: Shell,
    db: web::Data<Db>,
) -> Result<HttpResponse, Problem> {
    let mut sections = Vec::new();
    for of in Of::ALL {
        let asked = AuditListing { limit: Some(FEW), ..AuditListing::default() };
        sections.push(section(&shell, of, &lists::read(&db, of, &asked).await?.items, ""));
    }
    Sheet::new(&shell, "Audit", "Lists for auditors")
        .lead("The newest rows of each; all of them, by days, and as files behind the buttons.")
        .with(sections)
        .help(
            "What an auditor asks for first, over everybody, without looking through every event.",
            "EU GMP Annex 11, 9; ISO/IEC 17025:2017 7.5.2, 7.10 and 7.11.3.",
            "Each row leads to the event that proves it. The same lists are in the API below /api/v1/audit-lists.",
        )
        .show()
}

/// Addresses of the same list as a file.
fn files(of: Of, listing: &Listing, asked: &Narrowed) -> Vec<(&'static str, String)> {
    let mut query = String::new();
    for (name, time) in [("from", listing.from), ("until", listing.until)] {
        if let Some(time) = time {
            query.push_str(&format!("&{name}={}", show::encoded(&time.to_rfc3339_opts(SecondsFormat::Secs, true))));
        }
    }
    for (name, text) in [("account", &asked.account), ("address", &asked.address)] {
        if !text.is_empty() {
            query.push_str(&format!("&{name}={}", show::encoded(text)));
        }
    }
    let address = |format: &str| format!("/api/v1/exports/audit-lists/{}?format={format}{query}", of.text());
    vec![("Spreadsheet", address("xlsx")), ("CSV", address("csv")), ("JSON", address("json"))]
}

/// One list, by days, a page at a time.
#[get("/audit/lists/{of:exclusions|corrections-after-signature|released-while-out|refused-sign-ins|sign-ins}")]
pub(in crate::audit) async fn read_list(
    _who: Allowed<ReadAuditLists>,
    shell: Shell,
    db: web::Data<Db>,
    of: web::Path<String>,
    query: Params<Narrowed>,
) -> Result<HttpResponse, Problem> {
    let of = lists::named(&of)?;
    let asked = query.0;
    let narrow = Narrow::of_days(&asked.from, &asked.until);
    let listing = narrow.listing()?;
    let given = |text: &str| Some(text.to_owned()).filter(|text| !text.is_empty());
    let wanted = AuditListing {
        after: asked.after,
        from: listing.from,
        until: listing.until,
        account: given(&asked.account),
        address: given(&asked.address),
        ..AuditListing::default()
    };
    let page = lists::read(&db, of, &wanted).await?;
    let mut filters = Vec::new();
    let mut place = format!("/audit/lists/{}", of.text());
    if of.is_of_sign_ins() {
        let account = Field::new("account", "Only of this account (sign-in name or printed name)", Kind::Text);
        let address = Field::new("address", "Only from this address", Kind::Text);
        filters.extend([account.optional().value(&asked.account), address.optional().value(&asked.address)]);
        let (account, address) = (show::encoded(&asked.account), show::encoded(&asked.address));
        place.push_str(&format!("?account={account}&address={address}"));
    }
    filters.extend(narrow.fields(&[]));
    let table = Table { filters, next: narrow.next(&place, page.next), ..table(&shell, of, &page.items) };
    let mut sheet = Sheet::new(&shell, "Audit", of.title()).lead(about(of));
    for (label, address) in files(of, &listing, &asked) {
        sheet = sheet.way(true, label, address);
    }
    sheet
        .section("list", "", Part::Table(table))
        .help(
            "Newest first, by the time of recording. Each row leads to the event that proves it.",
            "EU GMP Annex 11, 9; ISO/IEC 17025:2017 7.5.2, 7.10 and 7.11.3.",
            "Taken out as a file, it is on record as an export with the digest of its content.",
        )
        .show()
}
