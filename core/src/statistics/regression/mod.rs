//! Least squares.
