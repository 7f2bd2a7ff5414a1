//! Comparisons with published and independently computed values. Data and their sources: `data/README.md`.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

mod data;

mod agreement;
mod chemistry;
mod control;
mod determination;
mod merkle;
mod outliers;
mod summary;
mod uncertainty;
