//! Comparisons with published and independently computed values. Data and their sources: `data/README.md`.

mod data;

mod agreement;
mod anova;
mod chemistry;
mod comparison;
mod control;
mod hypothesis;
mod merkle;
mod outliers;
mod regression;
mod robust;
mod summary;
mod uncertainty;
