//! Cochran.
