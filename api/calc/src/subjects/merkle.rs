//! The tree over audit events: hashes, roots, proofs, and whether a proof holds.

use ferrotitre_core::merkle::{self as core, Hash, MerkleError};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use crate::subject::{Calculation, Outcome, Place};
use ferrotitre_base::refusal::Refusal;

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn bytes_of(text: &str) -> Option<Vec<u8>> {
    let digits: Option<Vec<u32>> = text.trim().chars().map(|c| c.to_digit(16)).collect();
    let digits = digits.filter(|digits| digits.len() % 2 == 0)?;
    digits.chunks_exact(2).map(|pair| u8::try_from(16 * pair[0] + pair[1]).ok()).collect()
}

fn read_bytes(field: &str, text: &str) -> Result<Vec<u8>, Refusal> {
    bytes_of(text)
        .ok_or_else(|| Refusal::invalid(field, "hexadecimal", "must be bytes as pairs of hexadecimal digits", text))
}

fn read_hash(field: &str, text: &str) -> Result<Hash, Refusal> {
    let bytes = read_bytes(field, text)?;
    let message = "must be a SHA-256 value, 64 hexadecimal digits";
    bytes.try_into().map_err(|bytes: Vec<u8>| Refusal::invalid(field, "length", message, hex(&bytes)))
}

fn refused(error: MerkleError) -> Refusal {
    let message = error.to_string();
    match error {
        MerkleError::IndexOutside { index, .. } => Refusal::invalid("index", "range", message, index),
        MerkleError::SizesReversed { older, .. } => Refusal::invalid("older", "range", message, older),
        MerkleError::WrongLength { found } => Refusal::invalid("proof", "length", message, found),
        MerkleError::RootMismatch => Refusal::invalid("root", "matches", message, ""),
    }
}

/// Entries of a tree, in their order, and which proofs of it are wanted.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MerkleTreeInput {
    /// Entries as bytes in hexadecimal digits.
    entries: Option<Vec<String>>,
    /// Entries as texts, in UTF-8.
    texts: Option<Vec<String>>,
    /// Hashes of entries, in place of the entries.
    leaf_hashes: Option<Vec<String>>,
    /// Position of an entry, from 0, whose inclusion is to be proved.
    index: Option<u64>,
    /// Size of an older tree, which this one is to be proved to continue.
    older: Option<u64>,
    /// Size of the tree; left out, all entries.
    size: Option<u64>,
    /// Two values in hexadecimal digits whose hash as an inner node is wanted, beside the tree.
    node: Option<[String; 2]>,
}

/// Hashes and proofs, in hexadecimal digits.
#[derive(Debug, Serialize, ToSchema)]
pub struct MerkleTreeFigures {
    /// Number of entries.
    size: u64,
    /// Root.
    root: String,
    /// Hashes of the entries.
    leaf_hashes: Vec<String>,
    /// Proof that the entry is in the tree, from its side upwards.
    inclusion_proof: Option<Vec<String>>,
    /// Proof that this tree continues the older one.
    consistency_proof: Option<Vec<String>>,
    /// Root of the older tree.
    older_root: Option<String>,
    /// Hash of the inner node asked for.
    node_hash: Option<String>,
}

impl MerkleTreeInput {
    fn leaves(&self) -> Result<Vec<Hash>, Refusal> {
        match (&self.entries, &self.texts, &self.leaf_hashes) {
            (Some(entries), None, None) => {
                let leaf = |(at, text): (usize, &String)| {
                    read_bytes(&format!("entries[{at}]"), text).map(|bytes| core::leaf_hash(&bytes))
                };
                entries.iter().enumerate().map(leaf).collect()
            }
            (None, Some(texts), None) => Ok(texts.iter().map(|text| core::leaf_hash(text.as_bytes())).collect()),
            (None, None, Some(hashes)) => {
                hashes.iter().enumerate().map(|(at, text)| read_hash(&format!("leaf_hashes[{at}]"), text)).collect()
            }
            (None, None, None) if self.node.is_some() => Ok(Vec::new()),
            _ => Err(Refusal::invalid("entries", "one_of", "give entries, texts or leaf_hashes, one of them", "")),
        }
    }
}

impl Calculation for MerkleTreeInput {
    const NAME: &'static str = "merkle-tree";
    const SUMMARY: &'static str =
        "root of a tree of entries, proof that one is in it, proof that it continues an older one";
    const METHOD: &'static str = "SHA-256 over 0x00 and the entry, over 0x01 and both sides of an inner node";
    const SOURCE: &'static str = "RFC 9162, section 2.1";
    const EXAMPLE: &'static str = r#"{"entries": ["", "00", "10", "2021", "3031"], "index": 2, "older": 3}"#;
    type Result = MerkleTreeFigures;

    fn calculate(self, _: Place) -> Result<Outcome<MerkleTreeFigures>, Refusal> {
        let mut leaves = self.leaves()?;
        if let Some(size) = self.size {
            let whole = usize::try_from(size).ok().filter(|size| *size <= leaves.len());
            let message = format!("must be at most the number of entries, {}", leaves.len());
            leaves.truncate(whole.ok_or_else(|| Refusal::invalid("size", "range", message, size))?);
        }
        let texts = |hashes: Vec<Hash>| hashes.iter().map(|hash| hex(hash)).collect::<Vec<_>>();
        let inclusion = self.index.map(|index| core::inclusion_proof(&leaves, index).map_err(refused));
        let consistency = self.older.map(|older| core::consistency_proof(&leaves, older).map_err(refused));
        let consistency_proof = consistency.transpose()?.map(texts);
        let older = self.older.and_then(|older| usize::try_from(older).ok()).and_then(|older| leaves.get(..older));
        let node = self.node.as_ref().map(|[left, right]| {
            let (left, right) = (read_bytes("node[0]", left)?, read_bytes("node[1]", right)?);
            Ok::<_, Refusal>(hex(&Sha256::new().chain_update([1]).chain_update(left).chain_update(right).finalize()))
        });
        Ok(Outcome::of(MerkleTreeFigures {
            size: leaves.len() as u64,
            root: hex(&core::root(&leaves)),
            inclusion_proof: inclusion.transpose()?.map(texts),
            consistency_proof,
            older_root: older.map(|older| hex(&core::root(older))),
            leaf_hashes: texts(leaves),
            node_hash: node.transpose()?,
        }))
    }
}

/// A proof: of inclusion with `index`, `size`, `leaf_hash` and `root`, or of consistency with `older`, `older_root`, `size`
/// and `root`. Hashes in hexadecimal digits.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MerkleProofInput {
    /// Nodes of the proof.
    proof: Vec<String>,
    /// Size of the tree.
    size: u64,
    /// Its root.
    root: String,
    /// Inclusion: position of the entry, from 0.
    index: Option<u64>,
    /// Inclusion: hash of the entry.
    leaf_hash: Option<String>,
    /// Consistency: size of the older tree.
    older: Option<u64>,
    /// Consistency: its root.
    older_root: Option<String>,
}

/// Whether the proof holds.
#[derive(Debug, Serialize, ToSchema)]
pub struct MerkleProofFigures {
    /// Whether it holds.
    holds: bool,
    /// Why it does not.
    reason: Option<String>,
}

impl Calculation for MerkleProofInput {
    const NAME: &'static str = "merkle-proof";
    const SUMMARY: &'static str = "whether a proof of inclusion or of consistency holds";
    const METHOD: &'static str = "the root is computed anew from the proof and compared";
    const SOURCE: &'static str = "RFC 9162, sections 2.1.3.2 and 2.1.4.2";
    const EXAMPLE: &'static str = r#"{"index": 0, "size": 2,
        "leaf_hash": "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
        "proof": ["96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"],
        "root": "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"}"#;
    type Result = MerkleProofFigures;

    fn calculate(self, _: Place) -> Result<Outcome<MerkleProofFigures>, Refusal> {
        let held = match (self.index, &self.leaf_hash, self.older, &self.older_root) {
            (Some(index), Some(leaf), None, None) => self.parts(leaf, "leaf_hash").map(|(leaf, proof, root)| {
                core::verify_inclusion(&leaf, index, self.size, &proof, &root).map_err(|error| error.to_string())
            }),
            (None, None, Some(older), Some(older_root)) => {
                self.parts(older_root, "older_root").map(|(older_root, proof, root)| {
                    core::verify_consistency(older, self.size, &proof, &older_root, &root)
                        .map_err(|error| error.to_string())
                })
            }
            _ => {
                let message = "give index and leaf_hash, or older and older_root";
                return Err(Refusal::invalid("index", "one_of", message, ""));
            }
        };
        // What is no hash cannot be part of a proof that holds.
        let reason = match held {
            Ok(Ok(())) => None,
            Ok(Err(reason)) => Some(reason),
            Err(refusal) => Some(refusal.detail),
        };
        let holds = reason.is_none();
        let detail = reason.clone().unwrap_or_else(|| "the computed root is the one given".to_owned());
        Ok(Outcome::of(MerkleProofFigures { holds, reason }).judged("the proof holds", holds, detail))
    }
}

impl MerkleProofInput {
    fn parts(&self, first: &str, field: &str) -> Result<(Hash, Vec<Hash>, Hash), Refusal> {
        let node = |(at, text): (usize, &String)| read_hash(&format!("proof[{at}]"), text);
        let proof = self.proof.iter().enumerate().map(node).collect::<Result<_, _>>()?;
        Ok((read_hash(field, first)?, proof, read_hash("root", &self.root)?))
    }
}
