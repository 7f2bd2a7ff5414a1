//! The service around `ferrotitre-core`: records facts in PostgreSQL and serves what core computes from them.
//!
//! Cut by feature: a folder per thing the laboratory talks about, with the same file names in every folder. A request goes
//! [`routes`] to `<feature>/handlers.rs` to `<feature>/service.rs` to core and `<feature>/store.rs`.
#![recursion_limit = "256"]

pub mod accounts;
pub mod alerts;
pub mod app;
pub mod audit;
pub mod auth;
pub mod bench_times;
pub mod calculations;
pub mod cli;
pub mod cluster;
pub(crate) mod concessions;
pub mod config;
pub mod control_charts;
pub mod control_materials;
pub mod db;
pub mod demo;
pub mod determinations;
pub mod equipment;
pub mod evaluations;
pub mod exports;
pub mod ids;
pub mod imports;
mod labels;
pub mod methods;
pub mod migrate;
pub mod nonconformities;
pub mod openapi;
pub mod operations;
mod pages;
pub mod pictures;
pub mod proficiency_rounds;
pub mod reading_habits;
mod readings;
pub mod refusal;
pub mod routes;
pub mod runs;
pub mod samples;
pub use ferrotitre_schema as schema;
pub mod sign_offs;
pub mod specifications;
pub mod standards;
pub mod states;
pub mod titrants;
pub mod validation_studies;
pub mod web;
pub mod zone;
