//! The trail a person can read: events in words, the lists that an auditor asks for, and the periodic review as a signed act.
//! EU GMP Annex 11 (2011), 9: audit trails are available, intelligible and regularly reviewed. ISO/IEC 17025:2017 7.5.2.

mod events;
mod lists;
mod reviews;
mod year;

use ferrotitre_tests::client::Client;
use serde_json::Value;

/// Events that somebody is shown.
async fn events(who: &Client, query: &str) -> Vec<Value> {
    let page = who.get(&format!("/audit-events?limit=200{query}")).await.expect(200);
    page["items"].as_array().unwrap().clone()
}

/// Rows of a list.
async fn list(who: &Client, of: &str) -> Vec<Value> {
    let page = who.get(&format!("/audit-lists/{of}?limit=200")).await.expect(200);
    page["items"].as_array().unwrap().clone()
}

/// The event that proves a row is there and of that row.
async fn proved(who: &Client, row: &Value) -> Value {
    let event = who.get(&format!("/audit-events/{}", row["event"].as_str().unwrap())).await.expect(200);
    assert_eq!(event["entity_id"], row["id"], "{row}");
    event
}
