//! The check of a whole store, which shares only the canonical form with the writer.
//!
//! The log is read from its first leaf to its last on one connection (`tree`), the rest is compared on another (`notes` and the
//! tables themselves), so that both cores have something to do; nothing is held that grows with the log.

mod notes;
mod tree;

use std::fmt::Write as _;

use ed25519_dalek::VerifyingKey;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::merkle::Hash;

use crate::audit::memory::Remembered;
use crate::audit::store::Pending;
use crate::audit::{catalogue, reviews, store};

/// An event that waits longer for its leaf is a finding, s: a service that runs seals within a second, one that stops seals
/// first.
const WAITS_TOO_LONG: i64 = 600;

/// A tree head kept outside the store.
#[derive(Debug, Clone)]
pub struct KeptHead {
    /// Number of leaves.
    pub tree_size: u64,
    /// Root.
    pub root: Hash,
}

/// What the check found.
#[derive(Debug, Default)]
pub struct Report {
    /// Leaves recomputed.
    pub leaves: u64,
    /// Heads whose signature and root were checked.
    pub heads: u64,
    /// Checkpoints, and countersignatures of witnesses on them, that were checked.
    pub checkpoints: (usize, usize),
    /// Reviews of the audit trail that were checked with their signatures.
    pub reviews: usize,
    /// Tables whose rows were compared with their events.
    pub tables: usize,
    /// What came of evaluating signed figures again, in a line; none where that was not done.
    pub figures: Option<String>,
    /// Events that wait for their leaf.
    pub pending: Option<Pending>,
    /// What a reader should know and nobody did wrong.
    pub notes: Vec<String>,
    /// Everything that does not fit.
    pub findings: Vec<String>,
}

impl Report {
    /// As a page of text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!(
            "{} leaves recomputed, {} signed tree heads checked, rows of {} tables compared with their events\n",
            self.leaves, self.heads, self.tables
        );
        // Writing to a String cannot fail.
        if let Some(figures) = &self.figures {
            let _ = writeln!(text, "{figures}");
        }
        if self.checkpoints.1 > 0 {
            let _ = writeln!(text, "{} countersignatures of witnesses checked", self.checkpoints.1);
        }
        if self.reviews > 0 {
            let _ = writeln!(text, "reviews of the audit trail checked with their signatures: {}", self.reviews);
        }
        if let Some(pending) = self.pending.filter(|pending| pending.events > 0) {
            let _ = writeln!(
                text,
                "{} events wait for their leaf, the oldest for {} s: nothing proves these yet",
                pending.events, pending.oldest_seconds
            );
        }
        for note in &self.notes {
            let _ = writeln!(text, "note: {note}");
        }
        for finding in &self.findings {
            let _ = writeln!(text, "NOT RIGHT: {finding}");
        }
        text.push_str(if self.findings.is_empty() {
            "nothing was altered\n"
        } else {
            "the log does not prove these records\n"
        });
        text
    }
}

/// What a store is held against.
#[derive(Debug, Clone, Copy)]
pub struct Against<'a> {
    /// Public part of the key that signs tree heads.
    pub key: &'a VerifyingKey,
    /// What the sealer remembers; none where that is not at hand.
    pub remembered: Option<&'a Remembered>,
    /// Heads kept elsewhere.
    pub kept: &'a [KeptHead],
}

/// Recomputes every leaf, every root and every signature, compares the store with the catalogue that was compiled in and every
/// record with its event, and holds the log against what the sealer remembers and what was kept elsewhere. It only reads.
///
/// # Errors
/// A store that cannot be read; what is wrong with its contents is in the report.
pub async fn check(connection: &Connection, against: Against<'_>) -> Result<Report, Refusal> {
    check_on([connection, connection], against, |_, _| ()).await
}

/// The same over two connections at once; tells how many leaves of how many were recomputed as it goes on.
///
/// # Errors
/// A store that cannot be read; what is wrong with its contents is in the report.
pub async fn check_on(
    [of_log, of_rest]: [&Connection; 2],
    against: Against<'_>,
    tell: impl Fn(u64, u64),
) -> Result<Report, Refusal> {
    for connection in [of_log, of_rest] {
        store::use_utc(connection).await?;
    }
    let mut report = Report { findings: catalogue::differences(of_log).await?, ..Report::default() };
    let (tree, rest) = tokio::try_join!(tree::check(of_log, against, tell), rest(of_rest, against.key))?;
    report.leaves = tree.leaves;
    report.heads = tree.heads;
    report.notes.extend(tree.notes);
    report.findings.extend(tree.findings);
    report.checkpoints = rest.checkpoints;
    report.tables = rest.tables;
    report.reviews = rest.reviews;
    report.pending = rest.pending;
    report.findings.extend(rest.findings);
    Ok(report)
}

/// Everything that needs no pass over the log.
async fn rest(connection: &Connection, key: &VerifyingKey) -> Result<Report, Refusal> {
    let mut report = Report::default();
    notes::check(connection, key, &mut report).await?;
    let (reviews, wrong) = reviews::check::check(connection).await?;
    report.reviews = reviews;
    report.findings.extend(wrong);
    let pending = store::pending(connection).await?;
    if pending.oldest_seconds > WAITS_TOO_LONG {
        report.findings.push(format!("an event has waited for its leaf for {} s", pending.oldest_seconds));
    }
    report.pending = Some(pending);
    let found = |mismatch: store::Mismatch| format!("{}: {}", mismatch.what, mismatch.id.unwrap_or_default());
    report.findings.extend(store::forgotten_events(connection).await?.into_iter().map(found));
    let tables = catalogue::audited_tables();
    for table in &tables {
        report.findings.extend(store::altered_rows(connection, table).await?.into_iter().map(found));
        report.tables += 1;
    }
    report.findings.extend(store::gone_rows(connection, &tables).await?.into_iter().map(found));
    for kind in EntityKind::ALL {
        report.findings.extend(store::misplaced(connection, kind).await?.into_iter().map(found));
    }
    Ok(report)
}

/// Makes every transaction of a connection one that only reads.
///
/// # Errors
/// A store that cannot be reached.
pub async fn read_only(connection: &Connection) -> Result<(), Refusal> {
    store::only_read(connection).await
}

/// Whether a store holds a log that was ever written to.
///
/// # Errors
/// A store that cannot be read.
pub async fn is_ours(connection: &Connection) -> Result<bool, Refusal> {
    store::has_events(connection).await
}
