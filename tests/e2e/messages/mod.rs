//! Alerts that are told: by e-mail through a real mail server, and to a program that checks what it gets by itself.

mod crash;
mod mail;
mod pages;
mod posts;
mod roles;
mod year;

use chrono::{DateTime, Utc};
use ferrotitre_api::alerts;
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::db::Db;
use ferrotitre_messages::{Courier, Told, look};
use ferrotitre_tests::TestApp;
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};
use uuid::Uuid;

/// Settings for a mail server on this machine.
pub(crate) fn settings(port: u16) -> Value {
    json!({
        "active": true, "host": "127.0.0.1", "port": port, "encryption": "none",
        "sender": "Iron laboratory <iron@harbour.example>", "base_address": "https://iron.harbour.example:8420",
        "domains": ["harbour.example"], "reason": "the mail server of the laboratory",
    })
}

/// An endpoint.
pub(crate) fn endpoint(name: &str, address: &str) -> Value {
    json!({ "name": name, "address": address, "reason": "somebody else wants to know" })
}

/// An alert as a feature might name it.
fn alert(code: &str, urgency: Urgency) -> Told {
    let subject = Uuid::from_u128(code.bytes().fold(0, |sum, byte| sum * 256 + u128::from(byte)));
    let alert = Alert {
        kind: "calibration overdue",
        urgency,
        subject_kind: "equipment",
        subject,
        code: code.to_owned(),
        message: format!("the calibration of {code} was valid until yesterday"),
        due_at: None,
    };
    Told { page: format!("/equipment/{subject}"), needs: Action::ReadRecords, alert }
}

/// A laboratory and somebody who looks at its alerts, by a clock that the test moves.
struct World {
    app: TestApp,
    db: Db,
    courier: Courier,
}

impl World {
    async fn start() -> Self {
        Self::trusting(None).await
    }

    async fn trusting(roots: Option<&std::path::Path>) -> Self {
        let app = TestApp::start().await;
        let db = Db::for_worker(&app.shared.address(DatabaseRole::Service, &app.database)).unwrap();
        Self { app, db, courier: Courier::trusting(roots).unwrap() }
    }

    /// A look at the alerts that there are in truth.
    async fn look(&self, now: DateTime<Utc>) {
        assert!(look(&self.db, &self.courier, now, alerts::told, &|| false).await.unwrap());
    }

    /// A look at these alerts.
    async fn sees(&self, now: DateTime<Utc>, told: &[Told]) {
        let told = told.to_vec();
        assert!(look(&self.db, &self.courier, now, async |_| Ok(told), &|| false).await.unwrap());
    }

    async fn settle(&self, settings: &Value) {
        let _ = self.app.administrator.post("/mail-settings", settings).await.expect(201);
    }

    async fn messages(&self, query: &str) -> Vec<Value> {
        let found = self.app.manager.get(&format!("/messages{query}")).await.expect(200);
        found["items"].as_array().unwrap().clone()
    }
}

/// Chooses what somebody is told.
async fn choose(who: &Client, at_once: bool, digest_hour: Option<u32>) {
    let choice =
        json!({ "address": format!("{}@harbour.example", who.code), "at_once": at_once, "digest_hour": digest_hour });
    let _ = who.post("/accounts/me/messages", &choice).await.expect(201);
}
