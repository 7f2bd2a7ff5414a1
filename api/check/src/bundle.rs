//! A bundle: events, their proof, a signed head, and figures with the working that leads to them. `openapi/PROOF.md` is its page.

mod certificate;
mod chart;
mod figures;
mod parts;
mod study;

pub use parts::{Content, Event};

use std::collections::HashSet;

use ferrotitre_core::merkle::Hash;
use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::canonical;
use crate::json::Row;
use crate::note::{Checkpoint, KeyKind, NamedKey, Note, hash_of};
use crate::proof::root_of_many;
use crate::sentences::{Found, counted, utc};

/// Name of the form and its version.
pub const FORMAT: &str = "ferrotitre bundle 1";

/// A key as the reader brings it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Brought {
    /// SHA-256 of the public key, 64 hexadecimal digits.
    Fingerprint(String),
    /// The key itself.
    Key(Box<NamedKey>),
}

impl Brought {
    /// Reads a fingerprint, which may be in groups, or a key as NAME+ID+KEY.
    ///
    /// # Errors
    /// Anything else.
    pub fn read(text: &str) -> Result<Self, String> {
        if text.contains('+') {
            return NamedKey::read(text.trim()).map(|key| Self::Key(Box::new(key))).map_err(|error| error.to_string());
        }
        let digits: String =
            text.chars().filter(|c| !c.is_whitespace() && *c != ':').collect::<String>().to_lowercase();
        let right = digits.len() == 64 && digits.bytes().all(|byte| byte.is_ascii_hexdigit());
        if right { Ok(Self::Fingerprint(digits)) } else { Err("a fingerprint has 64 hexadecimal digits".to_owned()) }
    }

    /// Whether a key is this one.
    #[must_use]
    pub fn is(&self, key: &NamedKey) -> bool {
        match self {
            Self::Fingerprint(digits) => *digits == key.fingerprint(),
            Self::Key(brought) => brought.key == key.key,
        }
    }
}

/// What a bundle is held against.
#[derive(Debug, Clone)]
pub struct Against<'a> {
    /// The log's key.
    pub key: &'a Brought,
    /// Keys of witnesses that the reader trusts.
    pub witnesses: &'a [NamedKey],
    /// How many of them must have countersigned.
    pub needed: usize,
}

/// The signed part of a bundle.
struct Log {
    key: NamedKey,
    checkpoint: Checkpoint,
    /// When which witness countersigned.
    countersigned: Vec<(NamedKey, u64)>,
    /// The event that puts the bundle on record, with its leaf.
    export: (u64, Event),
    leaves: Vec<u64>,
    proof: Vec<Hash>,
}

type Refused = String;

fn text<'a>(value: &'a Value, field: &str) -> Result<&'a str, Refused> {
    value[field].as_str().ok_or_else(|| format!("{field} is missing"))
}

fn list<'a>(value: &'a Value, field: &str) -> Result<&'a Vec<Value>, Refused> {
    value[field].as_array().ok_or_else(|| format!("{field} is missing"))
}

/// Exactly these fields: a reader of the page would pass over others.
fn only(value: &Value, fields: &[&str], what: &str) -> Result<(), Refused> {
    let object = value.as_object().ok_or_else(|| format!("{what} is missing"))?;
    match object.keys().find(|name| !fields.contains(&name.as_str())) {
        Some(stray) => Err(format!("{what} holds {stray:?}, which is none of its fields")),
        None => Ok(()),
    }
}

impl Log {
    fn read(value: &Value, against: &Against<'_>) -> Result<Self, Refused> {
        only(value, &["checkpoint", "export", "key", "leaves", "proof", "witnesses"], "log")?;
        let key = NamedKey::read(text(value, "key")?).map_err(|error| format!("the key of the log: {error}"))?;
        if key.kind != KeyKind::Note || !against.key.is(&key) {
            return Err(format!("the log's key is not the one you brought: its fingerprint is {}", key.fingerprint()));
        }
        let mut keys = vec![key.clone()];
        for witness in list(value, "witnesses")? {
            let read = witness.as_str().ok_or("a witness is no key".to_owned());
            let read = NamedKey::read(read?).map_err(|error| format!("the key of a witness: {error}"))?;
            if read.kind != KeyKind::Cosignature || read.key == key.key || keys.contains(&read) {
                return Err(
                    "a witness has the log's own key, one that is no witness's, or stands there twice".to_owned()
                );
            }
            keys.push(read);
        }
        let note = Note::read(text(value, "checkpoint")?).map_err(|error| format!("the head: {error}"))?;
        let signed = note.signed_by(&keys).map_err(|error| format!("the head: {error}"))?;
        // One line each, in the order of the keys, and no other: a line that is passed over could say anything.
        if signed.len() != note.signatures.len()
            || signed.len() != keys.len()
            || !signed.iter().map(|(key, _)| *key).eq(&keys)
        {
            return Err(
                "the head is not signed by its log and the witnesses named, once each and in their order".to_owned()
            );
        }
        let checkpoint = Checkpoint::read(&note.text).map_err(|error| format!("the head: {error}"))?;
        if checkpoint.text() != note.text || checkpoint.origin != key.name {
            return Err("the head is of another log, or has lines that nobody checks".to_owned());
        }
        let times = signed.iter().skip(1).map(|(key, line)| ((*key).clone(), line.time().unwrap_or_default()));
        let countersigned: Vec<(NamedKey, u64)> = times.collect();
        let leaves =
            list(value, "leaves")?.iter().map(|leaf| leaf.as_u64().ok_or_else(|| "a leaf is no number".to_owned()));
        let proof = list(value, "proof")?.iter().map(|node| hash_of(node.as_str().unwrap_or_default()));
        let export = &value["export"];
        only(export, &["event", "leaf"], "export")?;
        Ok(Self {
            key,
            checkpoint,
            countersigned,
            export: (
                export["leaf"].as_u64().ok_or("the leaf of the export is missing")?,
                Event::read(text(export, "event")?)?,
            ),
            leaves: leaves.collect::<Result<_, _>>()?,
            proof: proof.collect::<Result<_, _>>().map_err(|error| format!("the proof: {error}"))?,
        })
    }

    /// Every event is under the signed root, each at its own leaf.
    fn holds(&self, events: &[Event]) -> Result<(), Refused> {
        if events.len() != self.leaves.len() {
            return Err(format!("{} events have {} leaves", events.len(), self.leaves.len()));
        }
        let mut leaves: Vec<(u64, Hash)> =
            self.leaves.iter().copied().zip(events.iter().map(|event| event.leaf)).collect();
        leaves.push((self.export.0, self.export.1.leaf));
        let root = root_of_many(self.checkpoint.size, &leaves, &self.proof)
            .map_err(|error| format!("the proof does not fit its leaves: {error}"))?;
        if root != self.checkpoint.root {
            return Err(
                "the events do not lead to the signed root: an event, its place or the proof was altered".to_owned()
            );
        }
        Ok(())
    }

    /// The log says that exactly this content was handed out.
    fn put_on_record(&self, content: &str) -> Result<(), Refused> {
        let (_, export) = &self.export;
        let digest = hex::encode(Sha256::digest(content.as_bytes()));
        let row = export.row.as_ref().ok_or("the event of the export holds no row")?;
        let said = (export.kind.as_str(), row.words("format"), row.words("digest"));
        if said != ("exports", Some("bundle".to_owned()), Some(digest)) {
            return Err("the content is not what the log says was handed out: something in it was altered".to_owned());
        }
        Ok(())
    }

    fn say(&self, against: &Against<'_>, found: &mut Found) {
        let root = hex::encode(self.checkpoint.root);
        found.proved.push(format!(
            "the log {} signed a head over {} events, root {root}; its key is the one you brought (SHA-256 {})",
            self.checkpoint.origin,
            self.checkpoint.size,
            self.key.fingerprint()
        ));
        for (key, time) in &self.countersigned {
            let when = utc(*time);
            if against.witnesses.contains(key) {
                found.proved.push(format!(
                    "witness {}, whose key you brought, countersigned this head on {when}: up to then it was shown one log only",
                    key.name
                ));
            } else {
                found.noted.push(format!(
                    "a witness {} (SHA-256 {}) countersigned this head on {when}; bring its key with --witness if you trust it",
                    key.name,
                    key.fingerprint()
                ));
            }
        }
        if self.trusted(against) == 0 {
            found.cannot.push(
                "that nobody was shown another log: no witness you trust has countersigned this head; compare it with one kept elsewhere"
                    .to_owned(),
            );
        }
    }

    /// How many of the witnesses that the reader brought countersigned; one with two names is one.
    fn trusted(&self, against: &Against<'_>) -> usize {
        let keys = self.countersigned.iter().filter(|(key, _)| against.witnesses.contains(key));
        keys.map(|(key, _)| key.key.to_bytes()).collect::<HashSet<_>>().len()
    }

    fn countersigned_by_enough(&self, against: &Against<'_>) -> Result<(), Refused> {
        let trusted = self.trusted(against);
        if trusted < against.needed {
            return Err(format!(
                "{trusted} of the witnesses you brought countersigned the head, {} must have",
                against.needed
            ));
        }
        Ok(())
    }
}

/// A bundle that was read and whose every proof and signature holds.
pub struct Bundle {
    /// What it holds.
    pub content: Content,
    log: Log,
}

impl Bundle {
    /// Reads a bundle and checks its form, its key, its head, its proof and its record.
    ///
    /// # Errors
    /// The first thing that does not hold, in words.
    pub fn open(file: &[u8], against: &Against<'_>) -> Result<Self, Refused> {
        let page = std::str::from_utf8(file).map_err(|_error| "the file is no text")?;
        let value: Value = serde_json::from_str(page).map_err(|error| format!("the file is no JSON: {error}"))?;
        only(&value, &["content", "format", "log"], "the bundle")?;
        if value["format"] != FORMAT {
            return Err(format!("the form is not {FORMAT:?}"));
        }
        let content = canonical::text(&value["content"]);
        let whole =
            format!("{{\"content\":{content},\"format\":\"{FORMAT}\",\"log\":{}}}", canonical::text(&value["log"]));
        if whole != page {
            return Err(
                "the file is not in its canonical form (RFC 8785): something was added or written otherwise".to_owned()
            );
        }
        let log = Log::read(&value["log"], against)?;
        log.countersigned_by_enough(against)?;
        log.put_on_record(&content)?;
        let content = Content::read(&value["content"])?;
        log.holds(&content.events)?;
        let bundle = Self { content, log };
        if bundle.content.is_period() && !bundle.is_whole() {
            return Err("events between the first and the last of the period are missing".to_owned());
        }
        Ok(bundle)
    }

    /// Checks everything.
    ///
    /// # Errors
    /// The first thing that does not hold, in words.
    pub fn check(file: &[u8], against: &Against<'_>) -> Result<Found, Refused> {
        Self::open(file, against)?.proves(against)
    }

    /// Checks everything that its events and figures say.
    ///
    /// # Errors
    /// The first thing that does not hold, in words.
    pub fn proves(&self, against: &Against<'_>) -> Result<Found, Refused> {
        let mut found = Found::default();
        self.log.say(against, &mut found);
        let (events, leaves) = (&self.content.events, &self.log.leaves);
        if let (Some(first), Some(last)) = (leaves.first(), leaves.last()) {
            found.proved.push(format!(
                "{} of the bundle, leaves {first} to {last}, stand under this head: nothing of them was altered since they were sealed{}",
                counted(events.len(), "event"),
                if self.content.is_period() { "; every event between the first and the last is here, so none was left out" } else { "" }
            ));
        }
        let export = &self.log.export.1;
        found.proved.push(format!(
            "exactly this content was put on record when it was taken out, as leaf {} at {}",
            self.log.export.0, export.at
        ));
        self.content.check(&mut found)?;
        found.cannot.push(match leaves.first().zip(leaves.last()).filter(|_| self.content.is_period()) {
            Some((first, last)) => format!(
                "whether events of that time stand before leaf {first} or after leaf {last}: only what lies between is known to be complete"
            ),
            None => "that nothing else was recorded of it before: only the bundle of a period shows that no event was left out"
                .to_owned(),
        });
        if self.content.has_figures() {
            found.cannot.push(
                "that the formulae of a working are those of its sources: each is written beside its figure, to be read".to_owned(),
            );
        }
        found.cannot.extend([
            format!("anything that was recorded after leaf {}, when this bundle was taken out", self.log.export.0),
            "that what was entered is what the instrument showed, or that a password was used by its owner".to_owned(),
            "the times: they are the service's own, bounded only by countersignatures and by receipts".to_owned(),
        ]);
        Ok(found)
    }

    /// What a document is that somebody holds: which issue of the certificate went out as exactly these bytes.
    ///
    /// # Errors
    /// A document that is none of them, in words.
    pub fn paper(&self, file: &[u8]) -> Result<String, Refused> {
        certificate::paper(&self.content, file)
    }

    /// Size and root of the head.
    #[must_use]
    pub fn head(&self) -> (u64, Hash) {
        (self.log.checkpoint.size, self.log.checkpoint.root)
    }

    /// Whether it holds every event between its first and its last.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        let leaves = &self.log.leaves;
        leaves.first().zip(leaves.last()).is_some_and(|(first, last)| last - first + 1 == leaves.len() as u64)
    }

    /// Every event, that of its own record included.
    pub fn events(&self) -> impl Iterator<Item = &Event> {
        self.content.events.iter().chain(std::iter::once(&self.log.export.1))
    }
}

/// A row of an event, where it has one.
pub(crate) fn row_of(text: Option<&str>) -> Option<Row> {
    Row::read(text?)
}
