//! The demo scenario.

use crate::db::Db;
use crate::refusal::Refusal;

/// What was loaded.
#[derive(Debug)]
pub struct Scenario;

impl Scenario {
    /// As a page of text.
    #[must_use]
    pub fn text(&self) -> String {
        String::new()
    }
}

/// Loads.
///
/// # Errors
/// None yet.
pub async fn load(_db: &Db) -> Result<Scenario, Refusal> {
    Ok(Scenario)
}

/// Loads if empty.
///
/// # Errors
/// None yet.
pub async fn load_if_empty(db: &Db) -> Result<Option<Scenario>, Refusal> {
    load(db).await.map(Some)
}

/// First calls to try.
#[must_use]
pub fn first_calls(_bound: std::net::SocketAddr, _scenario: &Scenario) -> String {
    String::new()
}
