//! The log from its first leaf to its last: every event fits its leaf, every head its leaves, every kept head the log. Leaves are
//! recomputed on one thread while the next events are read on another.

use std::collections::{HashMap, VecDeque};

use chrono::{DateTime, TimeDelta, Utc};
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::merkle::{Frontier, Hash};
use uuid::Uuid;

use super::Against;
use crate::audit::memory::Remembered;
use crate::audit::store::HeadRow;
use crate::audit::{entry, seal, store};

/// Events that are read at once.
const STRETCH: i64 = 5000;
/// Heads that are read at once where no leaves are left.
const HEADS: i64 = 1000;
/// An event may be sealed so much later than it is dated without question: a transaction that lasts, clocks that differ.
const DATED_BEFORE: TimeDelta = TimeDelta::minutes(10);
/// So much later than its head an event cannot be dated: the head was signed after it.
const DATED_AFTER: TimeDelta = TimeDelta::minutes(1);
/// A row says when it was recorded, its event when that was; an import is one long transaction.
const RECORDED_APART: TimeDelta = TimeDelta::hours(1);

/// What the pass found.
#[derive(Debug, Default)]
pub(super) struct Pass {
    pub(super) leaves: u64,
    pub(super) heads: u64,
    pub(super) notes: Vec<String>,
    pub(super) findings: Vec<String>,
}

/// What is left of an event once its leaf was computed.
struct Leaf {
    index: i64,
    stored: Hash,
    computed: Hash,
    event: Uuid,
    at: DateTime<Utc>,
    /// Its row says that it was recorded at quite another time.
    apart: bool,
}

/// When an event's row says it was recorded; none where it does not say.
fn recorded_at(event: &entry::Event) -> Option<DateTime<Utc>> {
    let (_, rest) = event.after_row.as_deref()?.split_once("\"recorded_at\": \"")?;
    let (text, _) = rest.split_once('"')?;
    DateTime::parse_from_rfc3339(text).ok().map(|time| time.with_timezone(&Utc))
}

fn leaf((index, stored, event): (i64, Vec<u8>, entry::Event)) -> Leaf {
    let apart = recorded_at(&event).is_some_and(|recorded| (recorded - event.at).abs() > RECORDED_APART);
    // A leaf that has not the length of one is that of no event.
    let stored = stored.try_into().unwrap_or_default();
    Leaf { index, stored, computed: event.leaf(), event: event.id, at: event.at, apart }
}

/// Trees over the leaves so far.
struct Trees {
    /// Over the leaves as they were recomputed, as far as none is missing.
    computed: Frontier,
    /// Over the leaves as they are stored.
    stored: Frontier,
    /// Roots of the second at the sizes that the sealer remembers.
    roots: HashMap<u64, Hash>,
    /// Those sizes.
    remembered: Vec<u64>,
    /// The leaf that must come next.
    next: i64,
}

impl Trees {
    fn new(remembered: Option<&Remembered>) -> Self {
        let heads = remembered.into_iter().flat_map(|known| known.confirmed.iter().chain(&known.promised));
        let mut trees = Self {
            computed: Frontier::new(),
            stored: Frontier::new(),
            roots: HashMap::new(),
            remembered: heads.map(|head| head.tree_size).collect(),
            next: 0,
        };
        trees.note();
        trees
    }

    fn note(&mut self) {
        if self.remembered.contains(&self.stored.size()) {
            self.roots.insert(self.stored.size(), self.stored.root());
        }
    }
}

/// The heads of a log in the order of their sizes, read as the leaves under them are.
struct Heads {
    queue: VecDeque<HeadRow>,
    read_up_to: i64,
}

impl Heads {
    async fn read(&mut self, connection: &Connection, up_to: i64) -> Result<(), Refusal> {
        if up_to > self.read_up_to {
            self.queue.extend(store::heads_between(connection, (self.read_up_to, up_to), i64::MAX).await?);
            self.read_up_to = up_to;
        }
        Ok(())
    }
}

/// Reads the whole log once.
pub(super) async fn check(
    connection: &Connection,
    against: Against<'_>,
    tell: impl Fn(u64, u64),
) -> Result<Pass, Refusal> {
    let mut pass = Pass::default();
    let mut trees = Trees::new(against.remembered);
    let mut heads = Heads { queue: VecDeque::new(), read_up_to: i64::MIN };
    let mut dates = Dates::default();
    // Read before any leaf: a running service goes on sealing, and what it signs from now on is left to the next pass.
    let newest = store::latest_head(connection).await?.map_or(0, |head| head.tree_size);
    let size = store::tree_size(connection).await?.cast_unsigned();
    let mut read = store::sealed_events(connection, 0, STRETCH).await?;
    while let Some((last, ..)) = read.last() {
        let from = last + 1;
        heads.read(connection, from).await?;
        let computing = tokio::task::spawn_blocking(move || read.into_iter().map(leaf).collect::<Vec<_>>());
        let (next, leaves) = tokio::join!(store::sealed_events(connection, from, STRETCH), computing);
        for leaf in leaves.map_err(Refusal::internal)? {
            take(leaf, &mut trees, &mut dates, &mut pass);
            if trees.next.cast_unsigned() == trees.computed.size() {
                under_heads((&mut heads, &trees), &mut dates, against, &mut pass);
            }
        }
        tell(pass.leaves, size.max(pass.leaves));
        read = next?;
    }
    beyond(connection, &mut heads, newest, &mut pass).await?;
    for head in against.kept.iter().filter(|head| head.tree_size > trees.computed.size()) {
        let size = head.tree_size;
        pass.findings.push(format!("the kept head of size {size} is beyond the log: its end was cut off"));
    }
    remembers(against.remembered, &trees, &mut pass);
    Ok(pass)
}

/// Heads up to the newest at the beginning of the pass whose leaves did not come.
async fn beyond(connection: &Connection, heads: &mut Heads, newest: i64, pass: &mut Pass) -> Result<(), Refusal> {
    loop {
        for head in heads.queue.drain(..).filter(|head| head.tree_size <= newest) {
            pass.findings.push(format!("the tree head of size {} has no leaves up to there", head.tree_size));
        }
        heads.queue.extend(store::heads_between(connection, (heads.read_up_to, newest), HEADS).await?);
        match heads.queue.back() {
            Some(head) => heads.read_up_to = head.tree_size,
            None => return Ok(()),
        }
    }
}

fn take(leaf: Leaf, trees: &mut Trees, dates: &mut Dates, pass: &mut Pass) {
    pass.findings.extend((trees.next..leaf.index).map(|gap| format!("leaf {gap} is missing")));
    let whole = trees.computed.size().cast_signed() == leaf.index;
    trees.next = leaf.index + 1;
    if leaf.computed != leaf.stored {
        pass.findings.push(format!("event {} differs from its leaf {}", leaf.event, leaf.index));
    }
    pass.leaves += 1;
    if leaf.apart {
        pass.findings.push(format!("event {} is of {}, its row says another time", leaf.event, leaf.at));
    }
    dates.take(leaf.at);
    trees.stored.append(leaf.stored);
    trees.note();
    // Without a leaf no later root can be recomputed, but every event still has to fit its own leaf.
    if whole {
        trees.computed.append(leaf.computed);
    }
}

/// Heads and kept heads of the size that the log has come to.
fn under_heads((heads, trees): (&mut Heads, &Trees), dates: &mut Dates, against: Against<'_>, pass: &mut Pass) {
    let (key, size) = (against.key, trees.computed.size());
    // Signed by another key, before a decision that is on record.
    let breaks = against.remembered.and_then(|known| known.breaks.last());
    let settled = breaks.map_or(0, |step| step.after.tree_size.cast_signed());
    while heads.queue.front().is_some_and(|head| head.tree_size == size.cast_signed()) {
        let Some(head) = heads.queue.pop_front() else { break };
        pass.heads += 1;
        if head.root_hash != trees.computed.root() {
            pass.findings.push(format!("the tree head of size {} has another root", head.tree_size));
        }
        let ours = head.key_id == seal::key_id(key);
        if !ours && head.tree_size <= settled {
            *dates = Dates::since(&head);
            continue;
        }
        if !ours || !seal::signature_holds(key, &head) {
            pass.findings.push(format!("the signature of the tree head of size {} is wrong", head.tree_size));
        } else {
            pass.findings.extend(dates.under(&head));
        }
        *dates = Dates::since(&head);
    }
    for head in against.kept.iter().filter(|head| head.tree_size == size) {
        if head.root != trees.computed.root() {
            pass.findings.push(format!("the kept head of size {size} has another root: the log was rewritten"));
        }
    }
}

/// The log against what the sealer remembers.
fn remembers(remembered: Option<&Remembered>, trees: &Trees, pass: &mut Pass) {
    let Some(remembered) = remembered else {
        pass.notes.push(
            "the sealer's memory is not at hand: a log that was cut off and signed anew would not be seen".to_owned(),
        );
        return;
    };
    if let Err(error) = remembered.check_by(trees.stored.size(), |size| trees.roots.get(&size).copied()) {
        pass.findings.push(error.to_string());
    }
    for step in &remembered.breaks {
        let before = step
            .before
            .as_ref()
            .map_or_else(|| "an unknown head".to_owned(), |head| format!("{} leaves", head.tree_size));
        pass.notes.push(format!(
            "{}: {} and {} decided to go on from {} leaves, which do not extend {before}: {}",
            step.at, step.people[0], step.people[1], step.after.tree_size, step.reason
        ));
    }
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
    /// After a head.
    fn since(head: &HeadRow) -> Self {
        Self { signed_at: Some(head.signed_at), ..Self::default() }
    }

    fn take(&mut self, of: DateTime<Utc>) {
        self.earliest = Some(self.earliest.map_or(of, |at| at.min(of)));
        self.latest = Some(self.latest.map_or(of, |at| at.max(of)));
    }

    /// Events are sealed within a second or so: one that is dated long before the head before, or after its own, was not
    /// written when it says.
    fn under(&self, head: &HeadRow) -> Option<String> {
        let before = self.signed_at.zip(self.earliest).filter(|(signed, at)| *at < *signed - DATED_BEFORE);
        let after = self.latest.filter(|at| *at > head.signed_at + DATED_AFTER);
        let odd = before.map(|(_, at)| at).or(after)?;
        Some(format!(
            "an event first covered by the tree head of size {} is dated {odd}, which cannot be: that head was signed at {}",
            head.tree_size, head.signed_at
        ))
    }
}
