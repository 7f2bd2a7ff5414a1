//! The tree of steps behind a number.
