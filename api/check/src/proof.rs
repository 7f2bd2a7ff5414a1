//! Proofs as files: one leaf as the C2SP text tlog-proof has it, and many leaves under one root.

use std::fmt::Write as _;

use ferrotitre_core::merkle::{Hash, MerkleError, node_hash, root, verify_inclusion};

use crate::note::{Checkpoint, Note, NoteError, base64, hash_of, size_of};

const FIRST_LINE: &str = "c2sp.org/tlog-proof@v1";

/// That one leaf is under a checkpoint.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeafProof {
    /// Place of the leaf, from 0.
    pub index: u64,
    /// Nodes from the leaf's sibling up.
    pub path: Vec<Hash>,
    /// The signed checkpoint, with any cosignatures.
    pub note: String,
}

impl LeafProof {
    /// The file.
    #[must_use]
    pub fn print(&self) -> String {
        let mut page = format!("{FIRST_LINE}\nindex {}\n", self.index);
        for node in &self.path {
            // Writing to a String cannot fail.
            let _ = writeln!(page, "{}", base64(node));
        }
        page.push('\n');
        page.push_str(&self.note);
        page
    }

    /// Reads the file; extra data are passed over.
    ///
    /// # Errors
    /// Another form.
    pub fn read(file: &str) -> Result<Self, NoteError> {
        let (head, note) =
            file.split_once("\n\n").ok_or(NoteError::Form("a proof has an empty line before its checkpoint"))?;
        let mut lines = head.split('\n').peekable();
        if lines.next() != Some(FIRST_LINE) {
            return Err(NoteError::Form("a proof begins with c2sp.org/tlog-proof@v1"));
        }
        let _ = lines.next_if(|line| line.starts_with("extra "));
        let index = lines.next().and_then(|line| line.strip_prefix("index "));
        let index = size_of(index.ok_or(NoteError::Form("a proof names the index of its leaf"))?)?;
        let path = lines.map(hash_of).collect::<Result<_, _>>()?;
        Ok(Self { index, path, note: note.to_owned() })
    }

    /// Checks that a leaf is under the checkpoint, whose signatures are the caller's to check.
    ///
    /// # Errors
    /// A proof that leads elsewhere, or a note that is no checkpoint.
    pub fn holds(&self, leaf: &Hash) -> Result<Checkpoint, NoteError> {
        let checkpoint = Checkpoint::read(&Note::read(&self.note)?.text)?;
        verify_inclusion(leaf, self.index, checkpoint.size, &self.path, &checkpoint.root)
            .map_err(|_error| NoteError::Form("the proof does not lead to the root of the checkpoint"))?;
        Ok(checkpoint)
    }
}

/// Largest power of two below `n`, for `n` of at least 2.
fn split(n: u64) -> u64 {
    n.next_power_of_two() / 2
}

/// The nodes that prove several leaves together: from left to right, the root of every largest subtree that holds none of them.
///
/// `wanted` are places in rising order.
///
/// # Errors
/// A place outside the tree, or not in order.
pub fn of_many(leaves: &[Hash], wanted: &[u64]) -> Result<Vec<Hash>, MerkleError> {
    let size = leaves.len() as u64;
    in_order(size, wanted)?;
    let mut nodes = Vec::new();
    collect(leaves, 0, wanted, &mut nodes);
    Ok(nodes)
}

fn in_order(size: u64, wanted: &[u64]) -> Result<(), MerkleError> {
    let stray = wanted.windows(2).find(|pair| pair[0] >= pair[1]).map(|pair| pair[1]);
    let beyond = wanted.last().copied().filter(|last| *last >= size);
    stray.or(beyond).map_or(Ok(()), |index| Err(MerkleError::IndexOutside { index, size }))
}

fn collect(leaves: &[Hash], from: u64, wanted: &[u64], nodes: &mut Vec<Hash>) {
    if wanted.is_empty() {
        if !leaves.is_empty() {
            nodes.push(root(leaves));
        }
        return;
    }
    if leaves.len() < 2 {
        return;
    }
    let middle = split(leaves.len() as u64);
    let (left, right) = leaves.split_at(usize::try_from(middle).unwrap_or(leaves.len()));
    let (before, after) = wanted.split_at(wanted.partition_point(|index| *index < from + middle));
    collect(left, from, before, nodes);
    collect(right, from + middle, after, nodes);
}

/// The root that several leaves and their nodes lead to.
///
/// # Errors
/// Leaves out of order, or another number of nodes than they need.
pub fn root_of_many(size: u64, leaves: &[(u64, Hash)], nodes: &[Hash]) -> Result<Hash, MerkleError> {
    let wanted: Vec<u64> = leaves.iter().map(|(index, _)| *index).collect();
    in_order(size, &wanted)?;
    let mut rest = nodes.iter();
    let wrong_length = MerkleError::WrongLength { found: nodes.len() };
    let found = if size == 0 { None } else { rebuild(0, size, leaves, &mut rest) };
    found.filter(|_| rest.next().is_none()).ok_or(wrong_length)
}

fn rebuild(from: u64, size: u64, leaves: &[(u64, Hash)], nodes: &mut std::slice::Iter<'_, Hash>) -> Option<Hash> {
    match leaves {
        [] => nodes.next().copied(),
        [(_, leaf), ..] if size == 1 => Some(*leaf),
        _ => {
            let middle = split(size);
            let (before, after) = leaves.split_at(leaves.partition_point(|(index, _)| *index < from + middle));
            let left = rebuild(from, middle, before, nodes)?;
            let right = rebuild(from + middle, size - middle, after, nodes)?;
            Some(node_hash(&left, &right))
        }
    }
}

#[cfg(test)]
mod tests {
    use ferrotitre_core::merkle::{inclusion_proof, leaf_hash};

    use super::*;

    fn tree(size: u64) -> Vec<Hash> {
        (0..size).map(|at| leaf_hash(&at.to_be_bytes())).collect()
    }

    #[test]
    fn any_choice_of_leaves_of_any_small_tree_leads_to_its_root() {
        for size in 1..=9_u64 {
            let leaves = tree(size);
            for choice in 0..1_u32 << size {
                let wanted: Vec<u64> = (0..size).filter(|at| choice >> at & 1 == 1).collect();
                let nodes = of_many(&leaves, &wanted).unwrap();
                let chosen: Vec<(u64, Hash)> =
                    wanted.iter().map(|at| (*at, leaves[usize::try_from(*at).unwrap()])).collect();
                assert_eq!(root_of_many(size, &chosen, &nodes), Ok(root(&leaves)), "{size} {choice:b}");
                if let [one] = wanted.as_slice() {
                    // One leaf needs the nodes of RFC 9162, in another order.
                    let mut path = inclusion_proof(&leaves, *one).unwrap();
                    let mut nodes = nodes.clone();
                    path.sort_unstable();
                    nodes.sort_unstable();
                    assert_eq!(nodes, path);
                }
                if let [.., (index, leaf)] = chosen.as_slice()
                    && !wanted.contains(&(index + 1))
                {
                    let mut moved = chosen.clone();
                    moved.pop();
                    moved.push((index + 1, *leaf));
                    assert_ne!(root_of_many(size, &moved, &nodes), Ok(root(&leaves)), "{size} {choice:b}");
                }
            }
        }
    }

    #[test]
    fn leaves_out_of_order_beyond_the_tree_or_with_nodes_too_many_lead_nowhere() {
        let leaves = tree(5);
        assert!(of_many(&leaves, &[3, 1]).is_err());
        assert!(of_many(&leaves, &[1, 1]).is_err());
        assert!(of_many(&leaves, &[5]).is_err());
        let mut nodes = of_many(&leaves, &[1]).unwrap();
        nodes.push(leaves[0]);
        assert!(root_of_many(5, &[(1, leaves[1])], &nodes).is_err());
        nodes.truncate(2);
        assert!(root_of_many(5, &[(1, leaves[1])], &nodes).is_err());
        assert!(root_of_many(0, &[], &[]).is_err());
    }
}
