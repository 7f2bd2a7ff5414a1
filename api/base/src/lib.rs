//! What every room of the service stands on: the store and its transactions, who asks and whether they may, how a request is
//! read and a refusal answered, states, signatures, pictures.
//!
//! Nothing here knows a feature. What two features need of each other belongs to one of them, not here.

pub mod again;
pub mod alert;
pub mod among;
pub mod auth;
pub mod bench_times;
pub mod certified;
pub mod config;
pub mod core_refusals;
pub mod db;
pub mod entry;
pub mod evaluations;
pub mod ids;
pub mod kept;
pub mod labels;
pub mod locks;
pub mod metrics;
pub mod pictures;
pub mod pins;
pub mod receipts;
pub mod recording;
pub mod refusal;
pub mod sign_offs;
pub mod states;
pub mod web;
pub mod workings;
pub mod zone;

pub use ferrotitre_schema as schema;
