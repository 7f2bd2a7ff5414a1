//! An authenticator that somebody else wrote: totp-rs, given the address that the service proposes.

use std::collections::HashSet;
use std::time::Duration;

use reqwest::Method;
use serde_json::{Value, json};
use totp_rs::Totp;

use crate::client::{Answer, Client};

/// Seconds of a step.
const STEP: i64 = 30;

/// An authenticator that shows no code twice.
pub struct Authenticator {
    totp: Totp,
    shown: HashSet<i64>,
}

impl Authenticator {
    /// With the secret of an `otpauth://` address.
    #[must_use]
    pub fn of(uri: &str) -> Self {
        Self { totp: Totp::from_url(uri).unwrap(), shown: HashSet::new() }
    }

    fn code(&self, step: i64) -> String {
        self.totp.generate(u64::try_from(step * STEP).unwrap()).to_string()
    }

    /// The code of so many steps from now, as a clock that is off would show it.
    #[must_use]
    pub fn off_by(&self, steps: i64) -> String {
        self.code(chrono::Utc::now().timestamp() / STEP + steps)
    }

    /// A code that was not shown before and is good now: that of the present step or of the next; waits where both were shown.
    pub async fn fresh(&mut self) -> String {
        loop {
            let now = chrono::Utc::now().timestamp() / STEP;
            if let Some(step) = [now, now + 1].into_iter().find(|step| !self.shown.contains(step)) {
                self.shown.insert(step);
                return self.code(step);
            }
            tokio::time::sleep(Duration::from_millis(500)).await;
        }
    }
}

/// Sets up codes for somebody who is signed in: the authenticator, and the recovery codes.
pub async fn set_up(who: &Client, at_signatures: bool) -> (Authenticator, Vec<String>) {
    let proposal = who.post("/accounts/me/one-time-codes/proposals", &json!({})).await.expect(200);
    let mut authenticator = Authenticator::of(proposal["uri"].as_str().unwrap());
    let new = json!({
        "proposal": proposal["proposal"], "one_time_code": authenticator.fresh().await, "password": who.password,
        "at_signatures": at_signatures,
    });
    let set_up = who.post("/accounts/me/one-time-codes", &new).await.expect(201);
    let codes = set_up["recovery_codes"].as_array().unwrap();
    (authenticator, codes.iter().map(|code| code.as_str().unwrap().to_owned()).collect())
}

/// Signs in with a code.
pub async fn sign_in(nobody: &Client, (account, password): (&str, &str), code: &str) -> Answer {
    nobody.post("/sessions", &json!({ "account": account, "password": password, "one_time_code": code })).await
}

/// POST with a code beside the body, and with an idempotency key.
pub async fn post(who: &Client, path: &str, body: &Value, (key, code): (&str, &str)) -> Answer {
    let headers = [("Content-Type", "application/json"), ("Idempotency-Key", key), ("One-Time-Code", code)];
    who.send(Method::POST, path, &headers, Some(body.to_string().into_bytes())).await
}
