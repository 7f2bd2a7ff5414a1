//! The check of a whole store, which shares only the canonical form with the writer.

use std::collections::HashMap;
use std::fmt::Write as _;

use chrono::{DateTime, TimeDelta, Utc};
use ed25519_dalek::VerifyingKey;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_check::note::{Checkpoint, NamedKey, Note, SignatureLine};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::merkle::{Frontier, Hash};

use crate::audit::memory::Remembered;
use crate::audit::store::{HeadRow, Pending};
use crate::audit::{catalogue, entry, reviews, seal, store};

/// An event may be sealed so much later than it is dated without question: a transaction that lasts, clocks that differ.
const DATED_BEFORE: TimeDelta = TimeDelta::minutes(10);
/// So much later than its head an event cannot be dated: the head was signed after it.
const DATED_AFTER: TimeDelta = TimeDelta::minutes(1);
/// A row says when it was recorded, its event when that was; an import is one long transaction.
const RECORDED_APART: TimeDelta = TimeDelta::hours(1);
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
    store::use_utc(connection).await?;
    let mut report = Report { findings: catalogue::differences(connection).await?, ..Report::default() };
    let heads = store::list_heads(connection, i64::MAX, i64::MAX).await?;
    let roots: HashMap<i64, HeadRow> = heads.iter().map(|head| (head.tree_size, head.clone())).collect();
    let mut heads = heads.into_iter().rev().peekable();
    check_tree(connection, &mut heads, against, &mut report).await?;
    check_notes(connection, against.key, &roots, &mut report).await?;
    check_memory(connection, against.remembered, &mut report).await?;
    let (reviews, wrong) = reviews::check::check(connection, &roots).await?;
    report.reviews = reviews;
    report.findings.extend(wrong);
    let pending = store::pending(connection).await?;
    if pending.oldest_seconds > WAITS_TOO_LONG {
        report.findings.push(format!("an event has waited for its leaf for {} s", pending.oldest_seconds));
    }
    report.pending = Some(pending);
    for mismatch in store::forgotten_events(connection).await? {
        report.findings.push(format!("{}: {}", mismatch.what, mismatch.id.unwrap_or_default()));
    }
    for table in catalogue::audited_tables() {
        for mismatch in store::altered_rows(connection, &table).await? {
            report.findings.push(format!("{}: {}", mismatch.what, mismatch.id.unwrap_or_default()));
        }
        report.tables += 1;
    }
    for kind in EntityKind::ALL {
        for mismatch in store::misplaced(connection, kind).await? {
            report.findings.push(format!("{}: {}", mismatch.what, mismatch.id.unwrap_or_default()));
        }
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

async fn check_memory(
    connection: &Connection,
    remembered: Option<&Remembered>,
    report: &mut Report,
) -> Result<(), Refusal> {
    let Some(remembered) = remembered else {
        report.notes.push(
            "the sealer's memory is not at hand: a log that was cut off and signed anew would not be seen".to_owned(),
        );
        return Ok(());
    };
    let size = store::tree_size(connection).await?;
    let leaves = store::leaf_hashes(connection, (0, size)).await?;
    if let Err(error) = remembered.check(&leaves) {
        report.findings.push(error.to_string());
    }
    for step in &remembered.breaks {
        let before = step
            .before
            .as_ref()
            .map_or_else(|| "an unknown head".to_owned(), |head| format!("{} leaves", head.tree_size));
        report.notes.push(format!(
            "{}: {} and {} decided to go on from {} leaves, which do not extend {before}: {}",
            step.at, step.people[0], step.people[1], step.after.tree_size, step.reason
        ));
    }
    Ok(())
}

/// When an event's row says it was recorded; none where it does not say.
fn recorded_at(event: &entry::Event) -> Option<DateTime<Utc>> {
    let (_, rest) = event.after_row.as_deref()?.split_once("\"recorded_at\": \"")?;
    let (text, _) = rest.split_once('"')?;
    DateTime::parse_from_rfc3339(text).ok().map(|time| time.with_timezone(&Utc))
}

/// Every checkpoint is the signed head of its size, and every countersignature is one.
async fn check_notes(
    connection: &Connection,
    key: &VerifyingKey,
    heads: &HashMap<i64, HeadRow>,
    report: &mut Report,
) -> Result<(), Refusal> {
    let keys = [seal::named(key)];
    let mut texts = HashMap::new();
    for (size, note) in store::checkpoints(connection).await? {
        report.checkpoints.0 += 1;
        let read = Note::read(&note).and_then(|note| Ok((Checkpoint::read(&note.text)?, note)));
        let head = heads.get(&size);
        let (Ok((checkpoint, note)), Some(head)) = (read, head) else {
            report.findings.push(format!("the checkpoint of size {size} is none, or has no head"));
            continue;
        };
        let same = checkpoint.size.cast_signed() == size && checkpoint.root.as_slice() == head.root_hash;
        // Signed by another key before a decision that is on record: its head was passed over for the same reason.
        let signed = head.key_id != seal::key_id(key) || note.signed_by(&keys).is_ok();
        if !same || !signed {
            report.findings.push(format!("the checkpoint of size {size} is not the head that was signed"));
        }
        texts.insert(size, note.text);
    }
    for row in store::cosignatures(connection, None).await? {
        report.checkpoints.1 += 1;
        let text = texts.get(&row.tree_size).cloned().unwrap_or_default();
        let line = SignatureLine::read(&row.line).map(|line| Note { text, signatures: vec![line] });
        let holds = NamedKey::read(&row.witness).is_ok_and(|key| line.is_ok_and(|note| note.signed_by(&[key]).is_ok()));
        if !holds {
            report
                .findings
                .push(format!("a countersignature on the checkpoint of size {} does not hold", row.tree_size));
        }
    }
    Ok(())
}

type Heads = std::iter::Peekable<std::iter::Rev<std::vec::IntoIter<store::HeadRow>>>;

async fn check_tree(
    connection: &Connection,
    heads: &mut Heads,
    Against { key, kept, remembered }: Against<'_>,
    report: &mut Report,
) -> Result<(), Refusal> {
    let mut frontier = Frontier::new();
    let mut next = 0;
    // Signed by another key, before a decision that is on record.
    let settled = remembered.and_then(|known| known.breaks.last()).map_or(0, |step| step.after.tree_size.cast_signed());
    let mut dates = Dates::default();
    loop {
        let stretch = store::sealed_events(connection, next, 5000).await?;
        if stretch.is_empty() {
            break;
        }
        for (index, stored, event) in stretch {
            report.findings.extend((next..index).map(|gap| format!("leaf {gap} is missing")));
            let whole = frontier.size().cast_signed() == index;
            next = index + 1;
            let leaf = event.leaf();
            if leaf.as_slice() != stored {
                report.findings.push(format!("event {} differs from its leaf {index}", event.id));
            }
            report.leaves += 1;
            if recorded_at(&event).is_some_and(|recorded| (recorded - event.at).abs() > RECORDED_APART) {
                report.findings.push(format!("event {} is of {}, its row says another time", event.id, event.at));
            }
            dates.take(&event);
            // Without a leaf no later root can be recomputed, but every event still has to fit its own leaf.
            if !whole {
                continue;
            }
            frontier.append(leaf);
            while let Some(head) = heads.next_if(|head| head.tree_size == frontier.size().cast_signed()) {
                report.heads += 1;
                if head.root_hash != frontier.root() {
                    report.findings.push(format!("the tree head of size {} has another root", head.tree_size));
                }
                if head.key_id != seal::key_id(key) && head.tree_size <= settled {
                    dates = Dates { signed_at: Some(head.signed_at), ..Dates::default() };
                    continue;
                }
                if head.key_id != seal::key_id(key) || !seal::signature_holds(key, &head) {
                    report.findings.push(format!("the signature of the tree head of size {} is wrong", head.tree_size));
                } else {
                    report.findings.extend(dates.under(&head));
                }
                dates = Dates { signed_at: Some(head.signed_at), ..Dates::default() };
            }
            for head in kept.iter().filter(|head| head.tree_size == frontier.size()) {
                if head.root != frontier.root() {
                    report.findings.push(format!(
                        "the kept head of size {} has another root: the log was rewritten",
                        head.tree_size
                    ));
                }
            }
        }
    }
    for head in heads {
        report.findings.push(format!("the tree head of size {} has no leaves up to there", head.tree_size));
    }
    for head in kept.iter().filter(|head| head.tree_size > frontier.size()) {
        report
            .findings
            .push(format!("the kept head of size {} is beyond the log: its end was cut off", head.tree_size));
    }
    Ok(())
}

/// Dates of the events that one head covers first.
#[derive(Default)]
struct Dates {
    /// When the head before was signed.
    signed_at: Option<DateTime<Utc>>,
    earliest: Option<DateTime<Utc>>,
    latest: Option<DateTime<Utc>>,
}

impl Dates {
    fn take(&mut self, event: &entry::Event) {
        self.earliest = Some(self.earliest.map_or(event.at, |at| at.min(event.at)));
        self.latest = Some(self.latest.map_or(event.at, |at| at.max(event.at)));
    }

    /// Events are sealed within a second or so: one that is dated long before the head before, or after its own, was not
    /// written when it says.
    fn under(&self, head: &store::HeadRow) -> Option<String> {
        let before = self.signed_at.zip(self.earliest).filter(|(signed, at)| *at < *signed - DATED_BEFORE);
        let after = self.latest.filter(|at| *at > head.signed_at + DATED_AFTER);
        let odd = before.map(|(_, at)| at).or(after)?;
        Some(format!(
            "an event first covered by the tree head of size {} is dated {odd}, which cannot be: that head was signed at {}",
            head.tree_size, head.signed_at
        ))
    }
}
