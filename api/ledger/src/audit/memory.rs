//! What the sealer remembers outside the database: the heads it has signed.
//!
//! Whoever administers the database can rewrite every table, the tree included, and let the service sign the result. A head in
//! a file beside the key, on disk before it is published, makes that visible: a tree that does not extend it is never signed.

use std::fs::{self, File, OpenOptions};
use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

use ferrotitre_core::merkle::{Frontier, Hash};
use serde::{Deserialize, Serialize};

/// Name of the file in the data folder.
const FILE: &str = "seal.memory";

/// A head that was signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SignedHead {
    /// Number of leaves.
    pub tree_size: u64,
    /// Root, hexadecimal.
    pub root: String,
}

impl SignedHead {
    /// Of a tree.
    #[must_use]
    pub fn of(frontier: &Frontier) -> Self {
        Self { tree_size: frontier.size(), root: hex::encode(frontier.root()) }
    }
}

/// A decision to go on from a tree that does not extend what was signed before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Break {
    /// When, RFC 3339.
    pub at: String,
    /// The head that the tree no longer extends; none where the memory itself was lost.
    pub before: Option<SignedHead>,
    /// The head that counts from then on.
    pub after: SignedHead,
    /// Printed names of the two people.
    pub people: [String; 2],
    /// Why.
    pub reason: String,
}

/// What is remembered.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Remembered {
    /// Newest head that is known to be in the store.
    pub confirmed: Option<SignedHead>,
    /// A head that was signed; whether the store has it was not known when this was written.
    pub promised: Option<SignedHead>,
    /// Decisions to go on, oldest first.
    #[serde(default)]
    pub breaks: Vec<Break>,
}

/// Why the tree of the store may not be signed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoExtension {
    /// Leaves that were signed are gone.
    #[error(
        "the log has {found} leaves where a head of {signed} was signed: its end was cut off, or an older copy was put in its place"
    )]
    CutOff {
        /// Leaves in the store.
        found: u64,
        /// Leaves under the head.
        signed: u64,
    },
    /// Leaves that were signed are others now.
    #[error("the first {signed} leaves of the log do not have the root that was signed: it was rewritten")]
    Rewritten {
        /// Leaves under the head.
        signed: u64,
    },
}

impl Remembered {
    /// Looks whether a tree extends what was signed, and forgets what cannot have been published: after a crash between the
    /// signature and its transaction the store may lack the promised head, but never a confirmed one.
    ///
    /// # Errors
    /// The tree does not extend it.
    pub fn check(&self, leaves: &[Hash]) -> Result<(), NoExtension> {
        let root = |size| Some(Frontier::of(leaves.get(..usize::try_from(size).ok()?)?).root());
        self.check_by(leaves.len() as u64, root)
    }

    /// The same for a tree of which a size and the roots at the sizes remembered are known.
    ///
    /// # Errors
    /// The tree does not extend it.
    pub fn check_by(&self, size: u64, root: impl Fn(u64) -> Option<Hash>) -> Result<(), NoExtension> {
        let holds = |head: &SignedHead| match root(head.tree_size) {
            None => Err(NoExtension::CutOff { found: size, signed: head.tree_size }),
            Some(root) if hex::encode(root) == head.root => Ok(()),
            Some(_) => Err(NoExtension::Rewritten { signed: head.tree_size }),
        };
        if let Some(head) = &self.confirmed {
            holds(head)?;
        }
        match &self.promised {
            Some(head) if size >= head.tree_size => holds(head),
            Some(head) if size > self.confirmed.as_ref().map_or(0, |head| head.tree_size) => {
                Err(NoExtension::CutOff { found: size, signed: head.tree_size })
            }
            _ => Ok(()),
        }
    }
}

/// Why the memory cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("{0}: {1}")]
pub struct MemoryError(PathBuf, String);

/// The file.
#[derive(Debug, Clone)]
pub struct Memory(PathBuf);

impl Memory {
    /// The memory of a data folder.
    #[must_use]
    pub fn of(data: &Path) -> Self {
        Self(data.join(FILE))
    }

    /// A memory in a file of its own.
    #[must_use]
    pub fn at(path: PathBuf) -> Self {
        Self(path)
    }

    /// What is remembered; none where nothing was ever sealed.
    ///
    /// # Errors
    /// The file cannot be read, or is none of ours.
    pub fn read(&self) -> Result<Option<Remembered>, MemoryError> {
        match fs::read_to_string(&self.0) {
            Ok(text) => serde_json::from_str(&text).map(Some).map_err(|error| self.error(&error)),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(self.error(&error)),
        }
    }

    /// Puts it on disk: when this returns, it survives a power cut.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn write(&self, remembered: &Remembered) -> Result<(), MemoryError> {
        let write = || -> std::io::Result<()> {
            let draft = self.0.with_extension("memory.new");
            let mut file = OpenOptions::new().create(true).truncate(true).write(true).mode(0o600).open(&draft)?;
            file.write_all(&serde_json::to_vec_pretty(remembered)?)?;
            file.write_all(b"\n")?;
            file.sync_all()?;
            fs::rename(&draft, &self.0)?;
            // The new name is on disk once its folder is.
            match self.0.parent() {
                Some(folder) => File::open(folder)?.sync_all(),
                None => Ok(()),
            }
        };
        write().map_err(|error| self.error(&error))
    }

    fn error(&self, error: &impl std::fmt::Display) -> MemoryError {
        MemoryError(self.0.clone(), error.to_string())
    }
}

#[cfg(test)]
mod tests {
    use ferrotitre_core::merkle::leaf_hash;

    use super::*;

    fn leaves(texts: &[&str]) -> Vec<Hash> {
        texts.iter().map(|text| leaf_hash(text.as_bytes())).collect()
    }

    fn head(leaves: &[Hash]) -> Option<SignedHead> {
        Some(SignedHead::of(&Frontier::of(leaves)))
    }

    #[test]
    fn a_tree_that_was_cut_off_or_rewritten_does_not_extend_what_was_signed() {
        let (three, four) = (leaves(&["a", "b", "c"]), leaves(&["a", "b", "c", "d"]));
        let remembered = Remembered { confirmed: head(&three), promised: head(&four), breaks: Vec::new() };
        assert_eq!(remembered.check(&four), Ok(()));
        assert_eq!(remembered.check(&leaves(&["a", "b", "c", "d", "e"])), Ok(()));
        // A crash between the signature and its transaction.
        assert_eq!(remembered.check(&three), Ok(()));
        assert_eq!(remembered.check(&leaves(&["a", "b"])), Err(NoExtension::CutOff { found: 2, signed: 3 }));
        assert_eq!(remembered.check(&leaves(&["a", "x", "c"])), Err(NoExtension::Rewritten { signed: 3 }));
        assert_eq!(remembered.check(&leaves(&["a", "b", "c", "x"])), Err(NoExtension::Rewritten { signed: 4 }));
        let confirmed = Remembered { confirmed: head(&four), ..Remembered::default() };
        assert_eq!(confirmed.check(&three), Err(NoExtension::CutOff { found: 3, signed: 4 }));
    }
}
