//! Pages of the audit log: events, the lists that an auditor asks for, reviews, and signed tree heads.

mod events;
mod lists;
mod reviews;

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadProofs;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;

use crate::audit::receipts;
use crate::audit::seal::SealKey;
use crate::audit::service;
use crate::audit::wire::{HeadListing, RecordName};
use crate::audit::witnesses;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(events::list_events)
        .service(list_heads)
        .service(lists::read_lists)
        .service(lists::read_list)
        .service(reviews::list_reviews)
        .service(reviews::review_trail)
        .service(reviews::read_review)
        .service(witnesses::pages::list_witnesses)
        .service(witnesses::pages::decide_witnesses)
        .service(receipts::pages::list_receipts)
        .service(receipts::pages::read_receipt)
        .service(receipts::pages::save_receipt)
        .service(events::read_event);
}

/// A record by its name, as a link to its page for those who may open it.
fn named(shell: &Shell, record: Option<&RecordName>) -> Cell {
    match record {
        None => Cell::default(),
        Some(record) => linked(shell, &record.name, record.page.as_deref()),
    }
}

/// A text that leads to a page, for those who may open it.
fn linked(shell: &Shell, text: &str, page: Option<&str>) -> Cell {
    let account = |page: &&str| page.starts_with("/accounts/");
    match page.filter(|page| shell.may(if account(page) { Action::ReadAccounts } else { Action::ReadRecords })) {
        Some(page) => Cell::link(text, page),
        None => Cell::text(text),
    }
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
