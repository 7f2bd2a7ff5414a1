//! Canonical bytes of events and tree heads: all that the writer and the check have in common.

use chrono::{DateTime, SecondsFormat, Utc};
use diesel::prelude::*;
use ferrotitre_core::merkle::{Hash, leaf_hash};
use ferrotitre_schema::audit_events;
use serde::Serialize;
use uuid::Uuid;

/// An event as stored; the order of the fields is the order of the keys in the canonical form.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, QueryableByName, Selectable)]
#[diesel(table_name = audit_events)]
pub struct Event {
    /// Identity.
    pub id: Uuid,
    /// Server time.
    pub at: DateTime<Utc>,
    /// Acting account.
    pub actor: Option<Uuid>,
    /// Kind of actor.
    pub actor_kind: String,
    /// Address of the request.
    pub source_address: Option<String>,
    /// What was done.
    pub action: String,
    /// Table of the row concerned.
    pub entity_kind: String,
    /// Row concerned.
    pub entity_id: Option<Uuid>,
    /// Superseded row as JSON text.
    pub before_row: Option<String>,
    /// New row as JSON text.
    pub after_row: Option<String>,
    /// Reason given.
    pub reason: Option<String>,
    /// Request it belongs to.
    pub request_id: Option<String>,
}

#[derive(Serialize)]
struct Canonical<'a> {
    id: Uuid,
    at: String,
    actor: Option<Uuid>,
    actor_kind: &'a str,
    source_address: Option<&'a str>,
    action: &'a str,
    entity_kind: &'a str,
    entity_id: Option<Uuid>,
    before_row: Option<&'a str>,
    after_row: Option<&'a str>,
    reason: Option<&'a str>,
    request_id: Option<&'a str>,
}

/// Time as in canonical forms: RFC 3339, UTC, microseconds, which is what the store keeps.
#[must_use]
pub fn canonical_time(time: DateTime<Utc>) -> String {
    time.to_rfc3339_opts(SecondsFormat::Micros, true)
}

impl Event {
    /// Canonical bytes.
    #[must_use]
    pub fn canonical(&self) -> Vec<u8> {
        let canonical = Canonical {
            id: self.id,
            at: canonical_time(self.at),
            actor: self.actor,
            actor_kind: &self.actor_kind,
            source_address: self.source_address.as_deref(),
            action: &self.action,
            entity_kind: &self.entity_kind,
            entity_id: self.entity_id,
            before_row: self.before_row.as_deref(),
            after_row: self.after_row.as_deref(),
            reason: self.reason.as_deref(),
            request_id: self.request_id.as_deref(),
        };
        let mut bytes = b"ferrotitre audit event 1\n".to_vec();
        // Strings and ids only: writing them to memory cannot fail.
        bytes.extend(serde_json::to_vec(&canonical).unwrap_or_default());
        bytes
    }

    /// Leaf hash.
    #[must_use]
    pub fn leaf(&self) -> Hash {
        leaf_hash(&self.canonical())
    }
}

/// Bytes a tree head's signature covers.
#[must_use]
pub fn head_text(tree_size: i64, root: &[u8], signed_at: DateTime<Utc>) -> String {
    format!("ferrotitre tree head 1\n{tree_size}\n{}\n{}\n", hex::encode(root), canonical_time(signed_at))
}
