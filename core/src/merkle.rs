//! Merkle tree hashing and proofs of RFC 9162, section 2.
