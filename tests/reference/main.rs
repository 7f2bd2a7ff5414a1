//! Comparisons with published and independently computed values. Data and their sources: `data/README.md`.

mod data;

mod agreement;
mod chemistry;
mod determination;
mod merkle;
mod outliers;
mod summary;
mod uncertainty;
