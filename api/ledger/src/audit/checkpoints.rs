//! Heads and proofs in the forms that others read, and events gathered for a bundle.

use std::time::Duration;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_check::proof::{LeafProof, of_many};
use ferrotitre_core::merkle::{self, Hash};
use uuid::Uuid;

use crate::audit::entry::Event;
use crate::audit::store;

/// How long somebody who asks for proof waits for what is not sealed yet.
const PATIENCE: Duration = Duration::from_secs(10);
const PAUSE: Duration = Duration::from_millis(150);

fn nothing_yet() -> Refusal {
    Refusal::new(Code::NotFound, "nothing has been sealed in this form yet; try again in a second")
}

/// A checkpoint with what witnesses countersigned.
pub struct Signed {
    /// Number of leaves.
    pub size: i64,
    /// The note, with a line of each witness.
    pub note: String,
    /// Keys of these witnesses, in the order of the lines.
    pub witnesses: Vec<String>,
}

/// The newest checkpoint, or that of a size, with what witnesses countersigned.
async fn signed(connection: &Connection, size: Option<i64>) -> Result<Signed, Refusal> {
    let (size, mut note) = store::checkpoint(connection, size).await?.ok_or_else(nothing_yet)?;
    let mut witnesses = Vec::new();
    for row in store::cosignatures_of(connection, &[size]).await? {
        note.push_str(&row.line);
        note.push('\n');
        witnesses.push(row.witness);
    }
    Ok(Signed { size, note, witnesses })
}

pub(super) async fn read(db: &Db, size: Option<i64>) -> Result<String, Refusal> {
    db.snapshot(async |connection| signed(connection, size).await).await.map(|signed| signed.note)
}

/// The proof of an event as the C2SP text tlog-proof has it.
pub(super) async fn proof(db: &Db, id: Uuid) -> Result<String, Refusal> {
    db.snapshot(async |connection| {
        let index = store::leaf_index(connection, id).await?;
        let index = index
            .ok_or_else(|| Refusal::new(Code::NotFound, format!("event {id} does not exist or is not sealed yet")))?;
        let signed = best(connection, index).await?.ok_or_else(nothing_yet)?;
        let leaves = store::leaf_hashes(connection, (0, signed.size)).await?;
        let index = index.cast_unsigned();
        let path = merkle::inclusion_proof(&leaves, index).map_err(Refusal::internal)?;
        Ok(LeafProof { index, path, note: signed.note }.print())
    })
    .await
}

/// The bytes of an event that its leaf hashes.
pub(super) async fn bytes(db: &Db, id: Uuid) -> Result<Option<Event>, Refusal> {
    db.read(async |connection| store::find_event(connection, id).await).await
}

/// The newest checkpoint over a leaf that enough witnesses countersigned; without such a one, or a policy, the newest over it.
async fn best(connection: &Connection, leaf: i64) -> Result<Option<Signed>, Refusal> {
    let policy = store::policies(connection, 1).await?.pop().filter(|policy| policy.needed > 0);
    if let Some(policy) = policy
        && let Some(found) = store::countersigned(connection, &policy.witnesses, policy.needed).await?
        && found.tree_size > leaf
    {
        return signed(connection, Some(found.tree_size)).await.map(Some);
    }
    match signed(connection, None).await {
        Ok(newest) if newest.size > leaf => Ok(Some(newest)),
        Ok(_) => Ok(None),
        Err(refusal) if refusal.code == Code::NotFound => Ok(None),
        Err(refusal) => Err(refusal),
    }
}

/// An event with the place of its leaf.
pub struct Placed {
    /// Place of the leaf.
    pub leaf: u64,
    /// The event.
    pub event: Event,
}

fn placed(rows: Vec<(Option<i64>, Event)>) -> Option<Vec<Placed>> {
    let place = |(leaf, event): (Option<i64>, Event)| Some(Placed { leaf: leaf?.cast_unsigned(), event });
    rows.into_iter().map(place).collect()
}

/// Asks again until there is an answer or nobody would wait longer.
async fn patiently<T>(ask: impl AsyncFn() -> Result<Option<T>, Refusal>) -> Result<T, Refusal> {
    let until = tokio::time::Instant::now() + PATIENCE;
    loop {
        if let Some(found) = ask().await? {
            return Ok(found);
        }
        if tokio::time::Instant::now() > until {
            let detail = "what was just recorded is not sealed yet, so nothing proves it; try again, and see /ready";
            return Err(Refusal::new(Code::SealingStopped, detail));
        }
        tokio::time::sleep(PAUSE).await;
    }
}

/// Events of rows and of all that stands around them (signatures, the rows these stand over, moves, accounts), once each of
/// them is sealed.
///
/// # Errors
/// A store that cannot be read, or a log that is not sealed.
pub async fn around(db: &Db, things: &[Uuid]) -> Result<Vec<Placed>, Refusal> {
    patiently(async || {
        db.snapshot(async |connection| {
            let rows = store::rows_around(connection, things).await?;
            store::events_of(connection, &rows).await
        })
        .await
        .map(placed)
    })
    .await
}

/// Every version of the equipment with a code.
///
/// # Errors
/// A store that cannot be read.
pub async fn equipment(db: &Db, code: &str) -> Result<Vec<Uuid>, Refusal> {
    let table = ["equipment".to_owned()];
    let rows =
        db.read(async |connection| store::found(connection, &table, "code", store::Find::Text(code)).await).await?;
    Ok(rows.into_iter().map(|row| row.id).collect())
}

/// Places of the first and the last event of a time.
///
/// # Errors
/// A store that cannot be read.
pub async fn between(db: &Db, from: DateTime<Utc>, until: DateTime<Utc>) -> Result<Option<(i64, i64)>, Refusal> {
    db.read(async |connection| store::leaves_between(connection, from, until).await).await
}

/// Sealed events from a leaf on, a stretch at a time.
///
/// # Errors
/// A store that cannot be read.
pub async fn stretch(db: &Db, from: i64, limit: i64) -> Result<Vec<Placed>, Refusal> {
    let rows = db.read(async |connection| store::sealed_events(connection, from, limit).await).await?;
    Ok(rows.into_iter().map(|(leaf, _, event)| Placed { leaf: leaf.cast_unsigned(), event }).collect())
}

/// A signed head over leaves, with the nodes that prove them together.
pub struct Proven {
    /// The event of a row recorded last.
    pub last: Placed,
    /// The head.
    pub signed: Signed,
    /// Nodes of the proof.
    pub nodes: Vec<Hash>,
}

/// Proves leaves together with the event of a row that was just recorded, once that is sealed and, where a policy wants it,
/// countersigned.
///
/// # Errors
/// A store that cannot be read, or a log that is not sealed.
pub async fn prove(db: &Db, leaves: &[u64], row: Uuid) -> Result<Proven, Refusal> {
    let last = patiently(async || {
        let rows = db.read(async |connection| store::events_of(connection, &[row]).await).await?;
        Ok(placed(rows).and_then(|mut placed| placed.pop()))
    })
    .await?;
    let leaf = last.leaf.cast_signed();
    // A policy that no witness can satisfy at the moment must not keep an auditor from the proof there is.
    let countersigned = patiently(async || {
        db.snapshot(async |connection| {
            let Some(policy) = store::policies(connection, 1).await?.pop().filter(|policy| policy.needed > 0) else {
                return Ok(Some(()));
            };
            let found = store::countersigned(connection, &policy.witnesses, policy.needed).await?;
            Ok(found.filter(|found| found.tree_size > leaf).map(|_| ()))
        })
        .await
    });
    match countersigned.await {
        Ok(()) => {}
        Err(refusal) if refusal.code == Code::SealingStopped => {}
        Err(refusal) => return Err(refusal),
    }
    let signed = patiently(async || db.snapshot(async |connection| best(connection, leaf).await).await).await?;
    let all = db.read(async |connection| store::leaf_hashes(connection, (0, signed.size)).await).await?;
    let mut wanted = leaves.to_vec();
    wanted.push(last.leaf);
    let nodes = of_many(&all, &wanted).map_err(Refusal::internal)?;
    Ok(Proven { last, signed, nodes })
}
