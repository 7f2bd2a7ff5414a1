//! Tree hashes, proofs and verification probes (sources in `data/11_merkle*.json`).

use ferrotitre_core::merkle::{
    Frontier, Hash, consistency_proof, empty_root, inclusion_proof, leaf_hash, node_hash, root, verify_consistency,
    verify_inclusion,
};
use serde_json::Value;

use crate::data;

fn bytes(value: &Value) -> Vec<u8> {
    let text = value.as_str().unwrap();
    (0..text.len()).step_by(2).map(|i| u8::from_str_radix(&text[i..i + 2], 16).unwrap()).collect()
}

fn hash(value: &Value) -> Hash {
    bytes(value).try_into().unwrap()
}

fn hashes(value: &Value) -> Vec<Hash> {
    value.as_array().unwrap().iter().map(hash).collect()
}

fn leaves() -> Vec<Hash> {
    data::json("11_merkle.json")["leaf_inputs_hex"].as_array().unwrap().iter().map(|v| leaf_hash(&bytes(v))).collect()
}

#[test]
fn hashes_and_roots_are_the_published_ones() {
    let table = data::json("11_merkle.json");
    let checks = &table["hash_checks"];
    assert_eq!(empty_root(), hash(&checks["empty_root"]));
    assert_eq!(leaf_hash(b""), hash(&checks["empty_leaf"]));
    assert_eq!(leaf_hash(b"L123456"), hash(&checks["leaf_L123456"]));
    let node = |text: &str| -> Hash {
        // The published check hashes two short byte strings as if they were hashes.
        use sha2::Digest;
        sha2::Sha256::new().chain_update([1]).chain_update(&text[..4]).chain_update(&text[4..]).finalize().into()
    };
    assert_eq!(node("N123N456"), hash(&checks["node_N123_N456"]));
    let leaves = leaves();
    assert_eq!(node_hash(&leaves[0], &leaves[1]), root(&leaves[..2]));
    let mut grown = Frontier::new();
    for (size, expected) in table["roots_by_size"].as_array().unwrap().iter().enumerate() {
        assert_eq!(root(&leaves[..size]), hash(expected), "size {size}");
        assert_eq!(grown.root(), hash(expected), "grown to size {size}");
        if let Some(leaf) = leaves.get(size) {
            grown.append(*leaf);
        }
    }
}

#[test]
fn proofs_are_the_published_ones_and_hold() {
    let table = data::json("11_merkle.json");
    let leaves = leaves();
    let mut checked = 0;
    for case in table["inclusion"].as_array().unwrap() {
        let (index, size) = (case["leaf_index"].as_u64().unwrap(), case["tree_size"].as_u64().unwrap());
        let proof = hashes(&case["proof"]);
        assert_eq!(inclusion_proof(&leaves[..size as usize], index).unwrap(), proof, "{index} in {size}");
        verify_inclusion(&hash(&case["leaf_hash"]), index, size, &proof, &hash(&case["root"])).unwrap();
        checked += 1;
    }
    for case in table["consistency"].as_array().unwrap() {
        let (older, newer) = (case["size1"].as_u64().unwrap(), case["size2"].as_u64().unwrap());
        let proof = hashes(&case["proof"]);
        assert_eq!(consistency_proof(&leaves[..newer as usize], older).unwrap(), proof, "{older} to {newer}");
        verify_consistency(older, newer, &proof, &hash(&case["root1"]), &hash(&case["root2"])).unwrap();
        checked += 1;
    }
    assert_eq!(checked, 48);
}

#[test]
fn every_probe_is_accepted_or_refused_as_published() {
    let table = data::json("11_merkle_probes.json");
    let probes = table["probes"].as_array().unwrap();
    assert_eq!(probes.len(), 98);
    for probe in probes {
        let field = |name: &str| probe[name].as_u64().unwrap();
        // A probe with a hash of the wrong length cannot even be expressed with fixed-size hashes: refused by the type.
        let whole = |value: &Value| -> Option<Hash> { bytes(value).try_into().ok() };
        let proof: Option<Vec<Hash>> = probe["proof"].as_array().unwrap().iter().map(whole).collect();
        let outcome = match probe["kind"].as_str().unwrap() {
            "consistency" => match (proof, whole(&probe["root1"]), whole(&probe["root2"])) {
                (Some(proof), Some(older), Some(newer)) => {
                    verify_consistency(field("size1"), field("size2"), &proof, &older, &newer).is_ok()
                }
                _ => false,
            },
            "inclusion" => match (proof, whole(&probe["leafHash"]), whole(&probe["root"])) {
                (Some(proof), Some(leaf), Some(root)) => {
                    verify_inclusion(&leaf, field("leafIdx"), field("treeSize"), &proof, &root).is_ok()
                }
                _ => false,
            },
            other => panic!("unknown kind {other}"),
        };
        assert_eq!(outcome, !probe["want_error"].as_bool().unwrap(), "{probe}");
    }
}
