//! Proof without the service: signed heads, inclusion, receipts and bundles, checked with a key that the reader brings.
//!
//! The service writes these forms with the same functions, so that one page (`openapi/PROOF.md`) says what they are; a second
//! checker that shares no code stands in `tests/oracle/proof.py`.

pub mod bundle;
pub mod canonical;
pub mod graph;
pub mod json;
pub mod note;
pub mod proof;
pub mod receipt;
pub mod sentences;
pub mod witness;
