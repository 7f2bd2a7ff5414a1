//! The lists that an auditor asks for: what was left out, what was corrected after a signature, what was approved while a control
//! was out, and who came in. Each row names the event that proves it.

pub(super) mod handlers;
mod wire;

use std::collections::{BTreeSet, HashMap};

use chrono::{DateTime, TimeDelta, Utc};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::audit::store::{self, ListFilter, ListRow, Named, Row};
use crate::audit::wire::RecordName;

pub use handlers::named;
pub use wire::{AuditListRow, AuditListing, Of};

impl AuditListing {
    fn listing(&self) -> Listing {
        Listing { limit: self.limit, after: self.after, from: self.from, until: self.until }
    }
}

/// Whose sign-ins are asked for: by identity, sign-in name or printed name.
async fn account(connection: &Connection, of: Of, asked: &AuditListing) -> Result<Option<Uuid>, Refusal> {
    let given =
        |text: &Option<String>| text.as_deref().map(str::trim).filter(|text| !text.is_empty()).map(str::to_owned);
    let (account, address) = (given(&asked.account), given(&asked.address));
    for (field, text) in [("account", &account), ("address", &address)] {
        if let (Some(text), false) = (text, of.is_of_sign_ins()) {
            return Err(Refusal::invalid(field, "sign-ins", "is only asked of the lists of sign-ins", text));
        }
    }
    let Some(asked) = account else { return Ok(None) };
    if let Ok(id) = asked.parse() {
        return Ok(Some(id));
    }
    match store::accounts_called(connection, &asked).await?.as_slice() {
        [one] => Ok(Some(*one)),
        [] => Err(Refusal::invalid("account", "known", "nobody has this sign-in name or printed name", asked)),
        _ => Err(Refusal::invalid(
            "account",
            "one",
            "several accounts have this printed name: give the sign-in name",
            asked,
        )),
    }
}

/// A page of a list, newest first.
///
/// # Errors
/// A limit or account that is none; a store that cannot be reached.
pub async fn read(db: &Db, of: Of, asked: &AuditListing) -> Result<Page<AuditListRow>, Refusal> {
    db.read(async |connection| page(connection, of, asked).await).await
}

/// Every row of a list as it stands at one moment, page by page.
///
/// # Errors
/// A limit or account that is none; a store that cannot be reached; what the taker refuses.
pub async fn whole(
    db: &Db,
    of: Of,
    asked: &AuditListing,
    mut take: impl FnMut(&[AuditListRow]) -> Result<(), Refusal>,
) -> Result<(), Refusal> {
    let taken = std::cell::RefCell::new(&mut take);
    db.snapshot_once(async |connection| {
        let mut listing = asked.clone();
        loop {
            let page = page(connection, of, &listing).await?;
            (taken.borrow_mut())(&page.items)?;
            listing.after = page.next;
            if listing.after.is_none() {
                return Ok(());
            }
        }
    })
    .await
}

async fn page(connection: &Connection, of: Of, asked: &AuditListing) -> Result<Page<AuditListRow>, Refusal> {
    let listing = asked.listing();
    let limit = listing.limit()?;
    let filter = ListFilter {
        before: listing.before(),
        from: listing.window_start(),
        until: listing.window_end(),
        account: account(connection, of, asked).await?,
        address: asked.address.as_deref().map(str::trim).filter(|text| !text.is_empty()).map(str::to_owned),
        leaves: None,
        limit: limit + 1,
    };
    let page = Page::of(store::listed(connection, of, &filter).await?, limit, |row| row.id);
    Ok(Page { items: views(connection, page.items).await?, next: page.next })
}

/// A row is dated by the store a little before or after its leaf and its head are made.
const AROUND: TimeDelta = TimeDelta::hours(1);

/// The newest rows of a list among a stretch of leaves, which were made about a time.
///
/// # Errors
/// A store that cannot be reached.
pub(super) async fn newest_among(
    db: &Db,
    of: Of,
    (leaves, between): ((i64, i64), (DateTime<Utc>, DateTime<Utc>)),
    limit: i64,
) -> Result<Vec<AuditListRow>, Refusal> {
    let filter = ListFilter {
        before: Uuid::max(),
        from: between.0 - AROUND,
        until: between.1 + AROUND,
        account: None,
        address: None,
        leaves: Some(leaves),
        limit,
    };
    db.read(async |connection| views(connection, store::listed(connection, of, &filter).await?).await).await
}

/// Rows with names in the place of identities: two statements, however many they are.
async fn views(connection: &Connection, rows: Vec<ListRow>) -> Result<Vec<AuditListRow>, Refusal> {
    let mut wanted: BTreeSet<Row> = BTreeSet::new();
    let mut people: Vec<Uuid> = Vec::new();
    for row in &rows {
        wanted.insert((row.kind.clone(), row.subject));
        wanted.extend(row.result_kinds.iter().cloned().zip(row.result_ids.iter().copied()));
        wanted.extend(row.concession.map(|id| ("concessions".to_owned(), id)));
        people.extend([row.recorded_by, row.decided_by].into_iter().flatten());
    }
    let named = store::named(connection, &wanted).await?;
    let people = labels::on(connection, EntityKind::Account, &people).await?;
    Ok(rows.into_iter().map(|row| view(row, &named, &people)).collect())
}

fn view(row: ListRow, named: &HashMap<Row, Named>, people: &HashMap<Uuid, String>) -> AuditListRow {
    let name = |kind: &str, id: Uuid| named.get(&(kind.to_owned(), id)).cloned().map(RecordName::from);
    let person = |id: Option<Uuid>| id.and_then(|id| people.get(&id).cloned());
    let results = row.result_kinds.iter().zip(&row.result_ids);
    AuditListRow {
        record: name(&row.kind, row.subject),
        by: person(row.recorded_by),
        decided_by: person(row.decided_by),
        results: results.filter_map(|(kind, id)| name(kind, *id)).collect(),
        results_touched: row.results,
        concession: row.concession.and_then(|id| name("concessions", id)),
        id: row.id,
        recorded_at: row.recorded_at,
        what: row.what,
        cause: row.cause,
        evidence: row.evidence,
        decision: row.decision,
        decided_at: row.decided_at,
        source_address: row.address,
        event: row.event,
    }
}
