//! Receipts: what the service promised with its answer to a write, so that an event that never came into the log, or another
//! than the one promised, can be shown to anybody.

use ferrotitre_core::merkle::{Hash, root};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use crate::bundle::{Brought, Bundle};
use crate::canonical;
use crate::note::{KeyKind, NamedKey, base64, from_base64, hash_of};
use crate::sentences::{Found, counted};

/// Name of the form and its version.
pub const FORMAT: &str = "ferrotitre receipt 1";
/// A service that runs seals within this time, s; a log that goes on for longer without the event has suppressed it.
pub const SEALED_WITHIN: u64 = 600;
/// More events than this are named by the root over their leaves alone.
const MOST_NAMED: usize = 12;

/// What a receipt is about.
#[derive(Debug, Clone)]
pub struct Promise<'a> {
    /// Identity of the request.
    pub request: &'a str,
    /// When the answer was made, RFC 3339, UTC, microseconds.
    pub time: &'a str,
    /// Events with their leaves, in the order of their making.
    pub events: &'a [(String, Hash)],
    /// The answer as it was sent, before any compression; none where it is made while it is sent.
    pub answer: Option<&'a [u8]>,
}

/// The receipt without its signature.
#[must_use]
pub fn unsigned(promise: &Promise<'_>, key: &NamedKey) -> Value {
    let leaves: Vec<Hash> = promise.events.iter().map(|(_, leaf)| *leaf).collect();
    let mut receipt = json!({
        "count": leaves.len(),
        "format": FORMAT,
        "key": key.text(),
        "request": promise.request,
        "root": base64(&root(&leaves)),
        "time": promise.time,
    });
    if let Some(answer) = promise.answer {
        receipt["answer"] = hex::encode(Sha256::digest(answer)).into();
    }
    if leaves.len() <= MOST_NAMED {
        let named = promise.events.iter().map(|(id, leaf)| json!({ "id": id, "leaf": base64(leaf) }));
        receipt["events"] = named.collect();
    }
    receipt
}

/// What the key signs: the name of the form and the canonical text of the receipt without its signature.
#[must_use]
pub fn signed_text(unsigned: &Value) -> String {
    format!("{FORMAT}\n{}", canonical::text(unsigned))
}

/// A receipt whose signature holds.
#[derive(Debug)]
pub struct Receipt {
    value: Value,
    events: Vec<(String, Hash)>,
}

impl Receipt {
    /// Reads a receipt and checks its signature.
    ///
    /// # Errors
    /// What does not hold, in words.
    pub fn open(text: &str, brought: &Brought) -> Result<Self, String> {
        let text = text.trim_end_matches('\n');
        let text = text
            .split_once("udit-receipt: ")
            .or_else(|| text.split_once("udit-Receipt: "))
            .map_or(text, |(_, rest)| rest);
        let mut value: Value =
            serde_json::from_str(text).map_err(|error| format!("the receipt is no JSON: {error}"))?;
        if canonical::text(&value) != text {
            return Err("the receipt is not in its canonical form (RFC 8785)".to_owned());
        }
        let fields = ["answer", "count", "events", "format", "key", "request", "root", "signature", "time"];
        let object = value.as_object_mut().ok_or("the receipt is no object")?;
        if object.keys().any(|name| !fields.contains(&name.as_str())) {
            return Err("the receipt holds what is none of its fields".to_owned());
        }
        let signature = object.remove("signature").unwrap_or_default();
        if value["format"] != FORMAT {
            return Err(format!("the form is not {FORMAT:?}"));
        }
        let key =
            NamedKey::read(value["key"].as_str().unwrap_or_default()).map_err(|error| format!("its key: {error}"))?;
        if key.kind != KeyKind::Note || !brought.is(&key) {
            return Err(format!("its key is not the one you brought: its fingerprint is {}", key.fingerprint()));
        }
        let bytes = from_base64(signature.as_str().unwrap_or_default()).map_err(|error| error.to_string())?;
        let signature = ed25519_dalek::Signature::from_slice(&bytes).map_err(|_error| "it has no signature")?;
        key.key
            .verify_strict(signed_text(&value).as_bytes(), &signature)
            .map_err(|_error| "its signature does not hold: it was altered")?;
        let named = value["events"].as_array().cloned().unwrap_or_default();
        let events: Option<Vec<(String, Hash)>> = named
            .iter()
            .map(|event| Some((event["id"].as_str()?.to_owned(), hash_of(event["leaf"].as_str()?).ok()?)))
            .collect();
        Ok(Self { events: events.ok_or("an event of it is none")?, value })
    }

    fn words(&self, field: &str) -> &str {
        self.value[field].as_str().unwrap_or_default()
    }

    /// What it says, and whether the answer and a bundle at hand agree with it.
    ///
    /// # Errors
    /// An answer or a log that contradicts what was promised, in words.
    pub fn check(&self, answer: Option<&[u8]>, bundle: Option<&Bundle>) -> Result<Found, String> {
        let mut found = Found::default();
        let count = self.value["count"].as_u64().and_then(|count| usize::try_from(count).ok()).unwrap_or_default();
        found.proved.push(format!(
            "the key you brought promised {} at {}, in answer to request {}",
            counted(count, "event"),
            self.words("time"),
            self.words("request")
        ));
        match (answer, self.value["answer"].as_str()) {
            (Some(bytes), Some(digest)) if hex::encode(Sha256::digest(bytes)) == digest => {
                found.proved.push("the answer is the one that was sent with it".to_owned());
            }
            (Some(_), _) => return Err("the answer is not the one that was sent with it".to_owned()),
            (None, _) => {}
        }
        match bundle {
            Some(bundle) => self.held_against(bundle, &mut found)?,
            None => {
                found.cannot.push("whether the log holds what was promised: bring a bundle with --bundle".to_owned())
            }
        }
        Ok(found)
    }

    fn held_against(&self, bundle: &Bundle, found: &mut Found) -> Result<(), String> {
        for (id, leaf) in &self.events {
            match bundle.events().find(|event| event.id == *id) {
                Some(event) if event.leaf == *leaf => {
                    found.proved.push(format!("event {id} is in the log as it was promised"));
                }
                Some(_) => {
                    return Err(format!("event {id} in the log is not the one that was promised: it was altered"));
                }
                None if self.must_be_in(bundle) => {
                    return Err(format!(
                        "event {id} was promised at {}, and the log goes on without it: it was suppressed",
                        self.words("time")
                    ));
                }
                None => found.cannot.push(format!("whether event {id} is in the log: this bundle does not cover it")),
            }
        }
        if self.events.is_empty() { self.held_by_root(bundle, found) } else { Ok(()) }
    }

    /// Too many events to be named: those of the request, in the order of their making, have the root that was promised.
    fn held_by_root(&self, bundle: &Bundle, found: &mut Found) -> Result<(), String> {
        let mut made: Vec<_> =
            bundle.events().filter(|event| event.request.as_deref() == Some(self.words("request"))).collect();
        made.sort_by(|a, b| (&a.at, &a.id).cmp(&(&b.at, &b.id)));
        let leaves: Vec<Hash> = made.iter().map(|event| event.leaf).collect();
        let count = self.value["count"].as_u64();
        if count == Some(leaves.len() as u64) && base64(&root(&leaves)) == self.words("root") {
            found.proved.push(format!("all {} are in the log as they were promised", counted(leaves.len(), "event")));
            return Ok(());
        }
        if self.must_be_in(bundle) {
            return Err(format!(
                "{} events were promised at {}, and the log has others of that request: one was altered or suppressed",
                count.unwrap_or_default(),
                self.words("time")
            ));
        }
        found.cannot.push("whether its events are in the log: this bundle does not cover all of them".to_owned());
        Ok(())
    }

    /// Whether a bundle holds every event of a time well before and well after this.
    fn must_be_in(&self, bundle: &Bundle) -> bool {
        let Some(time) = seconds(self.words("time")) else { return false };
        let times: Vec<u64> = bundle.content.events.iter().filter_map(|event| seconds(&event.at)).collect();
        let before = times.iter().any(|at| at + SEALED_WITHIN < time);
        let after = times.iter().any(|at| time + SEALED_WITHIN < *at);
        bundle.is_whole() && before && after
    }
}

/// Seconds since 1970 of an RFC 3339 time in UTC.
fn seconds(text: &str) -> Option<u64> {
    let part = |range: std::ops::Range<usize>| text.get(range)?.parse::<u64>().ok();
    let (year, month, day) = (part(0..4)?, part(5..7)?, part(8..10)?);
    let (hour, minute, second) = (part(11..13)?, part(14..16)?, part(17..19)?);
    // Days are counted from 1 March of year 0, so that the leap day is the last of its year.
    let (year, month) = if month > 2 { (year, month - 3) } else { (year.checked_sub(1)?, month + 9) };
    let days = 365 * year + year / 4 - year / 100 + year / 400 + (153 * month + 2) / 5 + day - 1;
    Some((days.checked_sub(719_468)? * 24 + hour) * 3600 + minute * 60 + second)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sentences::utc;

    #[test]
    fn a_time_is_read_as_it_is_shown() {
        for at in [0, 951_782_400, 1_679_315_147, 4_102_444_799] {
            let shown = utc(at).replace(" UTC", "Z").replacen(' ', "T", 1);
            assert_eq!(seconds(&shown), Some(at), "{shown}");
        }
        assert_eq!(seconds("yesterday"), None);
    }
}
