//! Receipts that the browser keeps, to look at and to take away.

use actix_web::http::header::{CACHE_CONTROL, CONTENT_DISPOSITION};
use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::DateTime;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadProofs;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_check::note::{NamedKey, from_base64};
use ferrotitre_html::receipts;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde_json::Value;
use uuid::Uuid;

use crate::audit::receipts::{Place, place_of};

/// Lists the receipts that this browser keeps.
#[get("/receipts")]
pub(in crate::audit) async fn list_receipts(
    _who: Allowed<ReadProofs>,
    shell: Shell,
    request: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let kept = receipts::kept(&request);
    let rows = kept.iter().map(|kept| {
        let at = DateTime::from_timestamp(kept.at, 0).unwrap_or_default();
        vec![Cell::link(show::time_with_zone(at), kept.address())]
    });
    let table = Table {
        columns: vec!["When"],
        rows: rows.collect(),
        empty: "This browser keeps no receipt yet: it gets one with every entry that is saved.",
        ..Table::default()
    };
    Sheet::new(&shell, "Audit", "Receipts kept in this browser")
        .lead(format!(
            "With every entry that is saved here the service signs a promise that its audit log holds it. The browser keeps the last \
             {} of them, whoever was signed in, until its cookies are cleared.",
            receipts::MOST
        ))
        .section("list", "", Part::Table(table))
        .help(
            "Signed promises, made in the answer to each entry, which no administrator of the database can take back.",
            "RFC 9162, section 4.8 (signed promises of a log); 21 CFR 11.10(e).",
            "Save the receipts of entries that matter as files, and keep them elsewhere.",
        )
        .show()
}

/// The receipt of an address as it was signed, and the address of its form.
fn kept_here(request: &HttpRequest) -> Result<(String, Value, String), Refusal> {
    let none = || Refusal::new(Code::NotFound, "this browser keeps no receipt here");
    let words = |text: &str| from_base64(text).ok().and_then(|bytes| String::from_utf8(bytes).ok());
    let (receipt, form) = receipts::of_address(request).ok_or_else(none)?;
    let (text, form) = (words(&receipt).ok_or_else(none)?, words(&form).ok_or_else(none)?);
    let value = serde_json::from_str(&text).map_err(|_error| none())?;
    Ok((text, value, form))
}

/// One receipt, and what the service itself says of the events it promises.
#[get("/receipts/{place}")]
pub(in crate::audit) async fn read_receipt(
    _who: Allowed<ReadProofs>,
    shell: Shell,
    db: web::Data<Db>,
    place: web::Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (_, receipt, form) = kept_here(&request)?;
    let words = |name: &str| receipt[name].as_str().unwrap_or_default().to_owned();
    let at = DateTime::parse_from_rfc3339(&words("time")).unwrap_or_default();
    let key = NamedKey::read(&words("key")).map(|key| key.fingerprint()).unwrap_or_default();
    let facts = vec![
        fact("When", Cell::text(show::time_with_zone(at.to_utc()))),
        fact("With the form at", Cell::text(form)),
        fact("Request", Cell::text(words("request"))),
        fact("Events promised", Cell::number(receipt["count"].to_string())),
        fact("Root over their leaves (base64)", Cell::text(words("root"))),
        fact("Fingerprint of the key (SHA-256)", Cell::text(key)),
    ];
    let mut rows = Vec::new();
    for event in receipt["events"].as_array().into_iter().flatten() {
        let Some(id) = event["id"].as_str().and_then(|id| id.parse::<Uuid>().ok()) else { continue };
        let said = match place_of(&db, id, event["leaf"].as_str().unwrap_or_default()).await? {
            Place::Sealed(leaf) => format!("sealed as leaf {leaf}, as promised"),
            Place::Waits => "waits for its leaf, as promised".to_owned(),
            Place::Altered => "IN THE LOG WITH ANOTHER LEAF: it was altered".to_owned(),
            Place::Missing => "NOT IN THE LOG: it was suppressed".to_owned(),
        };
        let name = if shell.may(Action::ReadAuditTrail) {
            Cell::link(id.to_string(), format!("/audit/{id}"))
        } else {
            Cell::text(id.to_string())
        };
        rows.push(vec![name, Cell::text(said)]);
    }
    let table = Table {
        columns: vec!["Event", "What the service says of it now"],
        rows,
        empty: "Too many to be named one by one: the root stands for all of them.",
        ..Table::default()
    };
    Sheet::new(&shell, "Receipt", show::time_with_zone(at.to_utc()))
        .way(true, "Save as a file", format!("/receipts/{place}/file"))
        .way(true, "All receipts in this browser", "/receipts")
        .section("about", "What was promised", Part::Facts(facts))
        .section("events", "Events", Part::Table(table))
        .help(
            "A signed promise, made in the answer to the entry: whoever holds it can show that an event was altered or suppressed.",
            "RFC 9162, section 4.8 (signed promises of a log); 21 CFR 11.10(e).",
            "Whoever doubts the service itself saves the file and checks it without the service: ferrotitre-check receipt FILE --key KEY --bundle PERIOD.",
        )
        .show()
}

/// Hands the receipt out as it was signed.
#[get("/receipts/{place}/file")]
pub(in crate::audit) async fn save_receipt(
    _who: Allowed<ReadProofs>,
    _place: web::Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let (text, receipt, _) = kept_here(&request)?;
    let time = receipt["time"].as_str().and_then(|time| time.get(..19)).unwrap_or("undated").replace(':', "-");
    Ok(HttpResponse::Ok()
        .content_type("application/json")
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"receipt-{time}Z.json\"")))
        .insert_header((CACHE_CONTROL, "no-store"))
        .body(text))
}
