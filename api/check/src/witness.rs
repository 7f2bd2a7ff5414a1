//! What a witness decides, as the C2SP text tlog-witness has it. It keeps no state and signs nothing: whoever calls does.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use ferrotitre_core::merkle::{Hash, verify_consistency};

use crate::note::{Checkpoint, NamedKey, Note, NoteError, base64, hash_of, size_of};

/// More nodes than this no consistency proof has.
const MOST_NODES: usize = 63;

/// A request to countersign.
#[derive(Debug, Clone)]
pub struct Request {
    /// Size of the tree that was countersigned last.
    pub old: u64,
    /// Consistency proof from there.
    pub proof: Vec<Hash>,
    /// The checkpoint as it came.
    pub note: String,
}

impl Request {
    /// Body of the request.
    #[must_use]
    pub fn print(&self) -> String {
        let mut page = format!("old {}\n", self.old);
        for node in &self.proof {
            // Writing to a String cannot fail.
            let _ = writeln!(page, "{}", base64(node));
        }
        page.push('\n');
        page.push_str(&self.note);
        page
    }

    /// Reads a body.
    ///
    /// # Errors
    /// Another form.
    pub fn read(body: &str) -> Result<Self, NoteError> {
        let (head, note) =
            body.split_once("\n\n").ok_or(NoteError::Form("a request has an empty line before its checkpoint"))?;
        let mut lines = head.split('\n');
        let old = lines.next().and_then(|line| line.strip_prefix("old "));
        let old = size_of(old.ok_or(NoteError::Form("a request begins with the old size"))?)?;
        let proof: Vec<Hash> = lines.take(MOST_NODES + 1).map(hash_of).collect::<Result<_, _>>()?;
        if proof.len() > MOST_NODES {
            return Err(NoteError::Form("a consistency proof has 63 nodes at the most"));
        }
        Ok(Self { old, proof, note: note.to_owned() })
    }
}

/// What the witness countersigned of a log before.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// The newest.
    pub latest: Option<Checkpoint>,
    /// Root of every one, by its size.
    pub history: BTreeMap<u64, Hash>,
}

impl Known {
    /// Size of the newest; nothing is of size 0.
    #[must_use]
    pub fn size(&self) -> u64 {
        self.latest.as_ref().map_or(0, |latest| latest.size)
    }
}

/// What is answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Decision {
    /// 200: to be kept, then countersigned.
    Countersign(Checkpoint),
    /// 404: no log of that name is known.
    Unknown,
    /// 403: not signed by the log's key.
    Forbidden,
    /// 400: not of the form.
    Malformed(&'static str),
    /// 409: the size that is known.
    Conflict(u64),
    /// 422: the proof does not hold.
    Inconsistent,
}

/// What a checkpoint that the log did sign is evidence of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Evidence {
    /// Two trees that do not continue each other.
    Fork,
    /// A tree smaller than one countersigned before, which was never shown at the time: the store was put back, or an old head
    /// is sent again.
    Older,
}

/// Decides on a request, by what is known of the log it names; nothing, where nothing of it was countersigned.
pub fn decide<'a>(
    request: &Request,
    keys: &[NamedKey],
    known: impl FnOnce(&str) -> Option<&'a Known>,
) -> (Decision, Option<Evidence>) {
    let malformed = |error| match error {
        NoteError::Form(why) => (Decision::Malformed(why), None),
        _ => (Decision::Forbidden, None),
    };
    let note = match Note::read(&request.note) {
        Ok(note) => note,
        Err(error) => return malformed(error),
    };
    let checkpoint = match Checkpoint::read(&note.text) {
        Ok(checkpoint) => checkpoint,
        Err(error) => return malformed(error),
    };
    let keys: Vec<NamedKey> = keys.iter().filter(|key| key.name == checkpoint.origin).cloned().collect();
    if keys.is_empty() {
        return (Decision::Unknown, None);
    }
    if note.signed_by(&keys).is_err() {
        return (Decision::Forbidden, None);
    }
    if request.old > checkpoint.size {
        return (Decision::Malformed("the old size is above that of the checkpoint"), None);
    }
    let nothing = Known::default();
    let known = known(&checkpoint.origin).unwrap_or(&nothing);
    let size = known.size();
    let evidence = match known.history.get(&checkpoint.size) {
        Some(root) if *root != checkpoint.root => Some(Evidence::Fork),
        None if checkpoint.size < size => Some(Evidence::Older),
        _ => None,
    };
    if request.old != size || evidence == Some(Evidence::Fork) {
        return (Decision::Conflict(size), evidence);
    }
    let empty = ferrotitre_core::merkle::empty_root();
    let old_root = known.latest.as_ref().map_or(empty, |latest| latest.root);
    match verify_consistency(size, checkpoint.size, &request.proof, &old_root, &checkpoint.root) {
        Ok(()) => (Decision::Countersign(checkpoint), None),
        // A node too few may be a mistake of the asker; only a proof of the right length speaks against the log.
        Err(ferrotitre_core::merkle::MerkleError::WrongLength { .. }) => (Decision::Inconsistent, None),
        Err(_) => (Decision::Inconsistent, Some(Evidence::Fork)),
    }
}
