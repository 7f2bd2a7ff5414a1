//! Diagnostics of recorded digits.
