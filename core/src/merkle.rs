//! Merkle tree hashing and proofs of RFC 9162, section 2, over SHA-256.
//!
//! An append-only list of entries is summarised by one root. Whoever kept an old root can check that a newer tree still
//! holds everything the old one held (consistency) and that an entry is in it (inclusion), with logarithmic proofs.

use sha2::{Digest, Sha256};

/// A SHA-256 value.
pub type Hash = [u8; 32];

/// Hash of an entry.
///
/// # Formula
/// SHA-256(0x00 || entry)
///
/// # Source
/// RFC 9162, section 2.1.1.
#[must_use]
pub fn leaf_hash(entry: &[u8]) -> Hash {
    Sha256::new().chain_update([0]).chain_update(entry).finalize().into()
}

/// Hash of an inner node.
///
/// # Formula
/// SHA-256(0x01 || left || right)
///
/// # Source
/// RFC 9162, section 2.1.1.
#[must_use]
pub fn node_hash(left: &Hash, right: &Hash) -> Hash {
    Sha256::new().chain_update([1]).chain_update(left).chain_update(right).finalize().into()
}

/// Root of the empty tree: SHA-256 of nothing.
#[must_use]
pub fn empty_root() -> Hash {
    Sha256::digest([]).into()
}

/// Why a proof cannot be made or does not hold.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MerkleError {
    /// The index is not in the tree.
    #[error("leaf index {index} is not below the tree size {size}")]
    IndexOutside {
        /// Index asked for.
        index: u64,
        /// Size of the tree.
        size: u64,
    },
    /// The sizes are in the wrong order.
    #[error("the older tree size {older} must not be above the newer {newer}")]
    SizesReversed {
        /// Older size.
        older: u64,
        /// Newer size.
        newer: u64,
    },
    /// The proof has the wrong number of nodes.
    #[error("the proof has {found} nodes, which does not fit the sizes")]
    WrongLength {
        /// Nodes in the proof.
        found: usize,
    },
    /// The proof leads to another root.
    #[error("the proof leads to another root than the one given")]
    RootMismatch,
}

/// The frontier of a growing tree: the roots of its complete subtrees, largest first. Appending needs nothing else.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Frontier {
    size: u64,
    subtrees: Vec<Hash>,
}

impl Frontier {
    /// The empty tree.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The tree over the given leaf hashes.
    #[must_use]
    pub fn of(leaves: &[Hash]) -> Self {
        let mut frontier = Self::new();
        leaves.iter().for_each(|leaf| frontier.append(*leaf));
        frontier
    }

    /// Number of leaves.
    #[must_use]
    pub fn size(&self) -> u64 {
        self.size
    }

    /// Appends a leaf hash.
    pub fn append(&mut self, leaf: Hash) {
        let mut carried = leaf;
        // As many complete subtrees merge as the size has trailing ones.
        for _ in 0..self.size.trailing_ones() {
            if let Some(left) = self.subtrees.pop() {
                carried = node_hash(&left, &carried);
            }
        }
        self.subtrees.push(carried);
        self.size += 1;
    }

    /// Root of the tree as it stands.
    #[must_use]
    pub fn root(&self) -> Hash {
        let mut subtrees = self.subtrees.iter().rev();
        match subtrees.next() {
            None => empty_root(),
            Some(smallest) => subtrees.fold(*smallest, |right, left| node_hash(left, &right)),
        }
    }
}

/// Root over leaf hashes.
#[must_use]
pub fn root(leaves: &[Hash]) -> Hash {
    Frontier::of(leaves).root()
}

/// Largest power of two below `n`, for `n` of at least 2.
fn split(n: usize) -> usize {
    n.next_power_of_two() / 2
}

/// Proof that the leaf at `index` is in the tree over `leaves`.
///
/// # Source
/// RFC 9162, section 2.1.3.1.
///
/// # Errors
/// [`MerkleError::IndexOutside`].
pub fn inclusion_proof(leaves: &[Hash], index: u64) -> Result<Vec<Hash>, MerkleError> {
    let size = leaves.len() as u64;
    let mut position =
        usize::try_from(index).ok().filter(|i| *i < leaves.len()).ok_or(MerkleError::IndexOutside { index, size })?;
    let mut part = leaves;
    let mut path = Vec::new();
    while part.len() > 1 {
        let (left, right) = part.split_at(split(part.len()));
        if position < left.len() {
            path.push(root(right));
            part = left;
        } else {
            path.push(root(left));
            position -= left.len();
            part = right;
        }
    }
    path.reverse();
    Ok(path)
}

/// Checks an inclusion proof.
///
/// # Source
/// RFC 9162, section 2.1.3.2.
///
/// # Errors
/// The first thing that is wrong with it.
pub fn verify_inclusion(
    leaf: &Hash,
    index: u64,
    size: u64,
    proof: &[Hash],
    expected: &Hash,
) -> Result<(), MerkleError> {
    if index >= size {
        return Err(MerkleError::IndexOutside { index, size });
    }
    let wrong_length = MerkleError::WrongLength { found: proof.len() };
    let (mut fnode, mut snode, mut hash) = (index, size - 1, *leaf);
    for node in proof {
        if snode == 0 {
            return Err(wrong_length);
        }
        if fnode & 1 == 1 || fnode == snode {
            hash = node_hash(node, &hash);
            while fnode & 1 == 0 && fnode != 0 {
                fnode >>= 1;
                snode >>= 1;
            }
        } else {
            hash = node_hash(&hash, node);
        }
        fnode >>= 1;
        snode >>= 1;
    }
    if snode != 0 {
        return Err(wrong_length);
    }
    if hash == *expected { Ok(()) } else { Err(MerkleError::RootMismatch) }
}

/// Proof that the tree over the first `older` leaves is a beginning of the tree over all `leaves`.
///
/// # Source
/// RFC 9162, section 2.1.4.1.
///
/// # Errors
/// [`MerkleError::SizesReversed`].
pub fn consistency_proof(leaves: &[Hash], older: u64) -> Result<Vec<Hash>, MerkleError> {
    let newer = leaves.len() as u64;
    let older_size = usize::try_from(older).ok().filter(|n| *n <= leaves.len());
    let mut m = older_size.ok_or(MerkleError::SizesReversed { older, newer })?;
    if m == 0 || m == leaves.len() {
        return Ok(Vec::new());
    }
    let mut part = leaves;
    let mut whole_subtree = true; // the older tree is a complete subtree of the newer as long as we only went left
    let mut path = Vec::new();
    while m != part.len() {
        let (left, right) = part.split_at(split(part.len()));
        if m <= left.len() {
            path.push(root(right));
            part = left;
        } else {
            path.push(root(left));
            m -= left.len();
            part = right;
            whole_subtree = false;
        }
    }
    if !whole_subtree {
        path.push(root(part));
    }
    path.reverse();
    Ok(path)
}

/// Checks a consistency proof between two roots.
///
/// # Source
/// RFC 9162, section 2.1.4.2.
///
/// # Errors
/// The first thing that is wrong with it.
pub fn verify_consistency(
    older: u64,
    newer: u64,
    proof: &[Hash],
    older_root: &Hash,
    newer_root: &Hash,
) -> Result<(), MerkleError> {
    if older > newer {
        return Err(MerkleError::SizesReversed { older, newer });
    }
    let wrong_length = MerkleError::WrongLength { found: proof.len() };
    if older == newer || older == 0 {
        let consistent = older == 0 || older_root == newer_root;
        let root_of_nothing = older != 0 || *older_root == empty_root();
        return match (proof.is_empty(), consistent && root_of_nothing) {
            (false, _) => Err(wrong_length),
            (true, true) => Ok(()),
            (true, false) => Err(MerkleError::RootMismatch),
        };
    }
    // A complete older tree is its own first node.
    let seeded: Vec<Hash> = if older.is_power_of_two() {
        std::iter::once(*older_root).chain(proof.iter().copied()).collect()
    } else {
        proof.to_vec()
    };
    let Some((first, rest)) = seeded.split_first() else { return Err(wrong_length) };
    let (mut fnode, mut snode) = (older - 1, newer - 1);
    while fnode & 1 == 1 {
        fnode >>= 1;
        snode >>= 1;
    }
    let (mut from_old, mut from_new) = (*first, *first);
    for node in rest {
        if snode == 0 {
            return Err(wrong_length);
        }
        if fnode & 1 == 1 || fnode == snode {
            from_old = node_hash(node, &from_old);
            from_new = node_hash(node, &from_new);
            while fnode & 1 == 0 && fnode != 0 {
                fnode >>= 1;
                snode >>= 1;
            }
        } else {
            from_new = node_hash(&from_new, node);
        }
        fnode >>= 1;
        snode >>= 1;
    }
    if snode != 0 {
        return Err(wrong_length);
    }
    if from_old == *older_root && from_new == *newer_root { Ok(()) } else { Err(MerkleError::RootMismatch) }
}
