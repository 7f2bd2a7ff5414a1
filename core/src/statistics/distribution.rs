//! Distributions: the only file that imports the distributions crate.
