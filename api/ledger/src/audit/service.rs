//! Reads the log and proves things about it.

use chrono::{DateTime, TimeDelta, Utc};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::paging::Listing;
use ferrotitre_core::merkle;
use ferrotitre_html::mark::{Head, Mark};
use uuid::Uuid;

use crate::audit::store::{self, Pending};
use crate::audit::wire::{Between, ConsistencyProof, HeadListing, InclusionProof, TreeHead};

/// A service that runs seals an event within a second or two, s.
const SEALED_WITHIN: i64 = 30;

pub(super) async fn heads(db: &Db, listing: HeadListing) -> Result<Vec<TreeHead>, Refusal> {
    let limit = Listing { limit: listing.limit, ..Listing::default() }.limit()?;
    let below = listing.below.unwrap_or(i64::MAX);
    let rows = db.read(async |connection| store::list_heads(connection, below, limit).await).await?;
    Ok(rows.into_iter().map(TreeHead::from).collect())
}

/// Whether nothing of a store was ever sealed.
///
/// # Errors
/// A store that cannot be read.
pub async fn never_sealed(db: &Db) -> Result<bool, Refusal> {
    db.read(async |connection| store::never_sealed(connection).await).await
}

/// Events that wait for their leaf.
///
/// # Errors
/// A store that cannot be read.
pub async fn pending(db: &Db) -> Result<Pending, Refusal> {
    db.read(async |connection| store::pending(connection).await).await
}

/// An alert where events have waited for their leaf for longer than a service that seals would let them.
///
/// # Errors
/// A store that cannot be read.
pub async fn alerts(connection: &Connection, now: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let pending = store::pending(connection).await?;
    if pending.oldest_seconds < SEALED_WITHIN {
        return Ok(Vec::new());
    }
    Ok(vec![Alert {
        kind: "audit log not sealed",
        urgency: Urgency::Now,
        subject_kind: "audit",
        subject: Uuid::nil(),
        code: "audit log".to_owned(),
        message: format!(
            "{} events have waited for their leaf, the oldest for {} s: nothing proves them yet; /ready says why",
            pending.events, pending.oldest_seconds
        ),
        due_at: Some(now - TimeDelta::seconds(pending.oldest_seconds)),
    }])
}

pub async fn latest(db: &Db) -> Result<TreeHead, Refusal> {
    let head = db.read(async |connection| store::latest_head(connection).await).await?;
    head.map(TreeHead::from)
        .ok_or_else(|| Refusal::new(Code::NotFound, "nothing has been sealed yet; try again in a second"))
}

/// What a print of a thing can be checked by: its code, the digest of its content, and the head of the tree at this moment.
///
/// # Errors
/// A store that cannot be read.
pub async fn mark(db: &Db, code: &str, digest: &str) -> Result<Mark, Refusal> {
    Ok(Mark { code: code.to_owned(), digest: digest.to_owned(), head: head(db).await? })
}

/// The newest head, as prints have it; none before anything was sealed.
///
/// # Errors
/// A store that cannot be read.
pub async fn head(db: &Db) -> Result<Option<Head>, Refusal> {
    let head = db.read(async |connection| store::latest_head(connection).await).await?;
    Ok(head.map(TreeHead::from).map(|head| Head { size: head.tree_size, root: head.root_hash }))
}

pub(super) async fn inclusion(db: &Db, id: Uuid) -> Result<InclusionProof, Refusal> {
    db.read(async |connection| {
        let index = store::leaf_index(connection, id).await?;
        let index = index
            .ok_or_else(|| Refusal::new(Code::NotFound, format!("event {id} does not exist or is not sealed yet")))?;
        let head = store::latest_head(connection).await?;
        let head = head.ok_or_else(|| Refusal::new(Code::NotFound, "nothing has been sealed yet"))?;
        let leaves = store::leaf_hashes(connection, (0, head.tree_size)).await?;
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
        let leaves = store::leaf_hashes(connection, (0, newer.cast_signed())).await?;
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
