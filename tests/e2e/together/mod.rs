//! What the bench does in one request: a sample with what is taken of it, runs with what is titrated in them, and their end. Each part
//! is a record of its own, by the rules it goes by alone; all of it or nothing.

mod finish;
mod runs;
mod samples;

use ferrotitre_tests::bench::{minutes_ago, text};
use serde_json::{Value, json};

use crate::lab::Lab;

/// Actions in the audit log of a thing, oldest first.
pub(crate) async fn actions(lab: &Lab, id: &str) -> Vec<String> {
    let events = lab.app.auditor.get(&format!("/audit-events?entity_id={id}")).await.expect(200);
    let mut found: Vec<String> = events["items"].as_array().unwrap().iter().map(|one| text(one, "action")).collect();
    found.reverse();
    found
}

pub(crate) fn runs(of: &[(&str, Value)]) -> Value {
    let run = |(method, titrates): &(&str, Value)| json!({ "method": method, "titrates": titrates });
    json!({ "bench": "bench 2", "observed_at": minutes_ago(45), "runs": of.iter().map(run).collect::<Vec<_>>() })
}

pub(crate) fn titrate(portion: &str, purpose: &str) -> Value {
    json!({ "portion": portion, "purpose": purpose })
}
