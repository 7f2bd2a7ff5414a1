//! End-to-end tests: real HTTP, the real service, a real PostgreSQL.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

mod accounts;
mod alerts;
mod architecture;
mod audit;
mod bad_input;
mod calculations;
mod certificates;
mod control;
mod control_history;
mod crash;
mod determination;
mod discordance;
mod door;
mod exports;
mod figures;
mod idempotency;
mod lookback;
mod openapi;
mod pages;
mod papers;
mod permissions;
mod proficiency;
mod proof;
mod proofs;
mod reference_calculations;
mod reference_files;
mod rules_of_methods;
mod runs_decide;
mod signed;
mod specifications;
mod store;
mod titrants;
mod validation_studies;
mod who_signs;
mod workings;
