//! Single.
