//! Trend tests.
