//! Support of the end-to-end tests: a private cluster, a database and a running service per test, a client per role.
//!
//! Tests act through the public API; SQL is for looking and for playing the forger.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]
#![expect(clippy::missing_panics_doc, reason = "a test stops at what it did not expect")]

pub mod app;
pub mod authenticator;
pub mod bench;
pub mod browser;
pub mod client;
pub mod cluster;
pub mod contract;
pub mod demo;
pub mod mail;
pub mod pdf;
pub mod sources;
pub mod spreadsheet;

pub use app::TestApp;
pub use client::{Answer, Client};
