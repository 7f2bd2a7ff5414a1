//! Pairs.
