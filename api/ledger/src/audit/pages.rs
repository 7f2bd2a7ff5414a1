//! Pages of the audit log: events and signed tree heads.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ReadAuditTrail, ReadProofs};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Kind};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use crate::accounts::service as accounts;
use crate::audit::receipts;
use crate::audit::seal::SealKey;
use crate::audit::service;
use crate::audit::wire::{EventListing, HeadListing};
use crate::audit::witnesses;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_events)
        .service(list_heads)
        .service(witnesses::pages::list_witnesses)
        .service(witnesses::pages::decide_witnesses)
        .service(receipts::pages::list_receipts)
        .service(receipts::pages::read_receipt)
        .service(receipts::pages::save_receipt)
        .service(read_event);
}

#[derive(Debug, Default, serde::Deserialize)]
pub(super) struct Narrowed {
    #[serde(default)]
    entity_id: String,
    #[serde(default)]
    from: String,
    #[serde(default)]
    until: String,
    after: Option<Uuid>,
}

/// Lists audit events, newest first.
#[get("/audit")]
pub(super) async fn list_events(
    who: Allowed<ReadAuditTrail>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrowed>,
) -> Result<HttpResponse, Problem> {
    let thing = Some(query.0.entity_id.trim().to_owned()).filter(|thing| !thing.is_empty());
    let narrow = Narrow::of_days(&query.0.from, &query.0.until);
    let Listing { from, until, .. } = narrow.listing()?;
    let listing = EventListing { thing, after: query.0.after, from, until, ..EventListing::default() };
    let page = service::list(&db, who.user(), listing).await?;
    let people: Vec<Uuid> = page.items.iter().filter_map(|event| event.actor).collect();
    let people = accounts::names(&db, &people).await?;
    let rows = page.items.into_iter().map(|event| {
        vec![
            Cell::link(show::time(event.at), format!("/audit/{}", event.id)),
            Cell::text(event.actor.and_then(|id| people.get(&id).cloned()).unwrap_or(event.actor_kind)),
            Cell::text(event.action.replace('_', " ")),
            Cell::text(event.entity_kind.replace('_', " ")),
            Cell::text(event.reason.unwrap_or_default()),
        ]
    });
    let mut filters = vec![
        Field::new("entity_id", "Only of this thing and what belongs to it (its code)", Kind::Text)
            .optional()
            .value(&query.0.entity_id),
    ];
    filters.extend(narrow.fields(&[]));
    let place = format!("/audit?entity_id={}", show::encoded(&query.0.entity_id));
    let table = Table {
        columns: vec!["When", "Who", "Action", "Record", "Reason"],
        rows: rows.collect(),
        empty: "No event that you may see.",
        next: narrow.next(&place, page.next),
        filters,
    };
    Sheet::new(&shell, "Audit", "Audit events")
        .way(true, "Signed tree heads", "/audit/heads")
        .way(true, "Witnesses", "/audit/witnesses")
        .way(true, "Receipts in this browser", "/receipts")
        .section("list", "", Part::Table(table))
        .help(
            "Every change with who made it, when and why; written by the store itself in the transaction of the change.",
            "ISO/IEC 17025:2017 7.5.2 and 7.11.3; RFC 9162 (the tree that makes tampering evident).",
            "Analysts see their own events, managers and auditors all, administrators no contents.",
        )
        .show()
}

/// One event with the rows before and after.
#[get("/audit/{id}")]
pub(super) async fn read_event(
    who: Allowed<ReadAuditTrail>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let event = service::read(&db, who.user(), *id).await?;
    let people: Vec<Uuid> = event.actor.into_iter().collect();
    let people = accounts::names(&db, &people).await?;
    let facts = vec![
        fact("When", Cell::text(show::time_with_zone(event.at))),
        fact("Who", Cell::text(event.actor.and_then(|id| people.get(&id).cloned()).unwrap_or(event.actor_kind))),
        fact("From", Cell::text(event.source_address.unwrap_or_default())),
        fact("Action", Cell::text(event.action)),
        fact("Record", Cell::text(event.entity_kind)),
        fact("Id", Cell::text(event.entity_id.map(|id| id.to_string()).unwrap_or_default())),
        fact("Reason", Cell::text(event.reason.unwrap_or_default())),
        fact("Request", Cell::text(event.request_id.unwrap_or_default())),
        fact("Leaf", Cell::text(event.leaf_hash)),
    ];
    let row = |text: Option<String>| Part::Words(text.unwrap_or_else(|| "nothing, or not for your role".to_owned()));
    Sheet::new(&shell, "Audit event", event.id.to_string())
        .way(true, "Its proof, as a file", format!("/api/v1/audit-events/{}/tlog-proof", event.id))
        .section("about", "About", Part::Facts(facts))
        .section("before", "Row before", row(event.before_row))
        .section("after", "Row after", row(event.after_row))
        .help(
            "One change, exactly as its leaf in the tree was computed from it.",
            "RFC 9162, section 2.1.",
            "Its proof and its bytes, kept together, show for ever that it was recorded (ferrotitre-check event).",
        )
        .show()
}

/// Lists signed tree heads.
#[get("/audit/heads")]
pub(super) async fn list_heads(
    _who: Allowed<ReadProofs>,
    shell: Shell,
    db: web::Data<Db>,
    key: web::Data<SealKey>,
) -> Result<HttpResponse, Problem> {
    let heads = service::heads(&db, HeadListing::default()).await?;
    let rows = heads.into_iter().map(|head| {
        vec![
            Cell::number(head.tree_size.to_string()),
            Cell::text(show::time_with_zone(head.signed_at)),
            Cell::text(head.root_hash),
            Cell::text(head.key_id),
        ]
    });
    let table = Table {
        columns: vec!["Events", "Signed", "Root", "Key"],
        rows: rows.collect(),
        empty: "Nothing has been sealed yet.",
        ..Table::default()
    };
    let key = key.named();
    let facts = vec![fact("Key", Cell::text(key.text())), fact("Fingerprint (SHA-256)", Cell::text(key.fingerprint()))];
    Sheet::new(&shell, "Audit", "Signed tree heads")
        .way(true, "The newest as a signed note", "/api/v1/audit-tree/checkpoint")
        .section("key", "Key of this log", Part::Facts(facts))
        .section("list", "", Part::Table(table))
        .help(
            "A head kept on paper proves any later rewriting of the log.",
            "RFC 9162, section 2.1; Ed25519 signatures.",
            "Write size and root down now and then, and give them to ferrotitre verify --kept-head. Auditors take the fingerprint with them, for ferrotitre-check.",
        )
        .show()
}
