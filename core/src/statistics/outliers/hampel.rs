//! Hampel.
