//! Reads the log and proves things about it.

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_core::merkle;
use uuid::Uuid;

use crate::audit::store::{self, EventFilter};
use crate::audit::wire::{AuditEvent, Between, ConsistencyProof, EventListing, HeadListing, InclusionProof, TreeHead};

/// Managers and auditors read everything, analysts their own events, administrators no contents.
struct Sight {
    only_own: bool,
    contents: bool,
}

fn sight(user: &CurrentUser) -> Sight {
    let all = user.roles.iter().any(|role| matches!(role, Role::Manager | Role::Auditor));
    let administrator = user.roles.contains(&Role::Administrator);
    Sight { only_own: !all && !administrator, contents: all || !administrator }
}

pub(super) async fn list(db: &Db, user: &CurrentUser, listing: EventListing) -> Result<Page<AuditEvent>, Refusal> {
    let window = Listing { limit: listing.limit, after: None, from: listing.from, until: listing.until };
    let limit = window.limit()?;
    let sight = sight(user);
    let actor = if sight.only_own { Some(user.account.0) } else { listing.actor };
    let events = db
        .read(async |connection| {
            let after = match listing.after {
                None => None,
                Some(id) => {
                    let event = store::find_event(connection, id).await?;
                    let event =
                        event.ok_or_else(|| Refusal::invalid("after", "cursor", "is not a cursor of this list", id))?;
                    Some((event.at, event.id))
                }
            };
            let filter = EventFilter {
                entity: listing.entity_id,
                actor,
                after,
                from: window.window_start(),
                until: window.window_end(),
                limit: limit + 1,
            };
            store::list_events(connection, &filter).await
        })
        .await?;
    Page::of(events, limit, |event| event.id).try_map(|event| Ok(AuditEvent::of(event, sight.contents)))
}

pub(super) async fn read(db: &Db, user: &CurrentUser, id: Uuid) -> Result<AuditEvent, Refusal> {
    let sight = sight(user);
    let event = db.read(async |connection| store::find_event(connection, id).await).await?;
    event
        .filter(|event| !sight.only_own || event.actor == Some(user.account.0))
        .map(|event| AuditEvent::of(event, sight.contents))
        .ok_or_else(|| Refusal::not_found("audit event", id))
}

pub(super) async fn heads(db: &Db, listing: HeadListing) -> Result<Vec<TreeHead>, Refusal> {
    let limit = Listing { limit: listing.limit, ..Listing::default() }.limit()?;
    let below = listing.below.unwrap_or(i64::MAX);
    let rows = db.read(async |connection| store::list_heads(connection, below, limit).await).await?;
    Ok(rows.into_iter().map(TreeHead::from).collect())
}

pub async fn latest(db: &Db) -> Result<TreeHead, Refusal> {
    let head = db.read(async |connection| store::latest_head(connection).await).await?;
    head.map(TreeHead::from)
        .ok_or_else(|| Refusal::new(Code::NotFound, "nothing has been sealed yet; try again in a second"))
}

pub(super) async fn inclusion(db: &Db, id: Uuid) -> Result<InclusionProof, Refusal> {
    db.read(async |connection| {
        let index = store::leaf_index(connection, id).await?;
        let index = index
            .ok_or_else(|| Refusal::new(Code::NotFound, format!("event {id} does not exist or is not sealed yet")))?;
        let head = store::latest_head(connection).await?;
        let head = head.ok_or_else(|| Refusal::new(Code::NotFound, "nothing has been sealed yet"))?;
        let leaves = store::leaf_hashes(connection, head.tree_size).await?;
        let leaf_index = index.cast_unsigned();
        let proof = merkle::inclusion_proof(&leaves, leaf_index).map_err(Refusal::internal)?;
        let leaf = leaves.get(usize::try_from(index).unwrap_or(usize::MAX));
        Ok(InclusionProof {
            event_id: id,
            leaf_index,
            leaf_hash: leaf.map(hex::encode).unwrap_or_default(),
            proof: proof.iter().map(hex::encode).collect(),
            head: head.into(),
        })
    })
    .await
}

pub(super) async fn consistency(db: &Db, between: Between) -> Result<ConsistencyProof, Refusal> {
    db.read(async |connection| {
        let size = store::tree_size(connection).await?.cast_unsigned();
        let newer = between.newer.unwrap_or(size);
        if newer > size {
            return Err(Refusal::invalid("newer", "range", format!("the tree has {size} leaves"), newer));
        }
        if between.older > newer {
            return Err(Refusal::invalid("older", "range", format!("must not be above {newer}"), between.older));
        }
        let leaves = store::leaf_hashes(connection, newer.cast_signed()).await?;
        let proof = merkle::consistency_proof(&leaves, between.older).map_err(Refusal::internal)?;
        let older_leaves = leaves.get(..usize::try_from(between.older).unwrap_or(0)).unwrap_or_default();
        Ok(ConsistencyProof {
            older: between.older,
            older_root: hex::encode(merkle::root(older_leaves)),
            newer,
            newer_root: hex::encode(merkle::root(&leaves)),
            proof: proof.iter().map(hex::encode).collect(),
        })
    })
    .await
}
