//! Comparisons with published and independently computed values. Data and their sources: `data/README.md`.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

#[path = "../../core/tests/support/bath.rs"]
mod bath;
mod data;
mod printed;

mod agreement;
mod anova;
mod chemistry;
mod comparison;
mod control;
mod determination;
mod expressions;
mod hypothesis;
mod merkle;
mod outliers;
mod regression;
mod robust;
mod run_lengths;
mod summary;
mod uncertainty;
mod validation;
