//! Events, heads and proofs on the wire.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::audit::changes::Change;
use crate::audit::entry::Event;
use crate::audit::store::{HeadRow, Named};

/// An audit event.
#[derive(Debug, Serialize, ToSchema)]
pub struct AuditEvent {
    /// Identity.
    pub id: Uuid,
    /// Server time.
    pub at: DateTime<Utc>,
    /// Acting account; absent for the system and for unknown names.
    pub actor: Option<Uuid>,
    /// person, service, system or nobody.
    #[schema(example = "person")]
    pub actor_kind: String,
    /// Address of the request.
    #[schema(example = "192.0.2.7")]
    pub source_address: Option<String>,
    /// What was done, by the name of the permission it needed.
    #[schema(example = "record_titrations")]
    pub action: String,
    /// Table of the row concerned.
    #[schema(example = "titrations")]
    pub entity_kind: String,
    /// Row concerned.
    pub entity_id: Option<Uuid>,
    /// The superseded row as JSON text, exactly as hashed.
    pub before_row: Option<String>,
    /// The new row as JSON text, exactly as hashed.
    pub after_row: Option<String>,
    /// Reason given.
    pub reason: Option<String>,
    /// Request it belongs to.
    pub request_id: Option<String>,
    /// Leaf hash, hexadecimal.
    pub leaf_hash: String,
    /// Printed name of the account that acted.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "Analyst 1")]
    pub actor_name: Option<String>,
    /// What kind of record it is about.
    #[schema(example = "titration")]
    pub record_kind: String,
    /// The record it is about, by its code and page.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub record: Option<RecordName>,
    /// In a line what was recorded or changed; absent for those who see no contents.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "final readings, mL: 23.10 → 23.15")]
    pub what: Option<String>,
    /// Every field that differs, of a correction.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub changed: Vec<Change>,
}

/// A record by its name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct RecordName {
    /// What kind of thing it is.
    #[schema(example = "titration")]
    pub kind: String,
    /// Its code, or what it belongs to.
    #[schema(example = "DET-000001, titration 2")]
    pub name: String,
    /// Address of its page; absent where it has none.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "/determinations/0199c0de-0000-7000-8000-000000000000")]
    pub page: Option<String>,
}

impl From<Named> for RecordName {
    fn from(named: Named) -> Self {
        Self { kind: named.noun.to_owned(), name: named.label, page: named.place }
    }
}

impl AuditEvent {
    /// The event with or without its contents.
    pub(super) fn of(event: Event, with_rows: bool) -> Self {
        let leaf_hash = hex::encode(event.leaf());
        let (before_row, after_row) = if with_rows { (event.before_row, event.after_row) } else { (None, None) };
        Self {
            id: event.id,
            at: event.at,
            actor: event.actor,
            actor_kind: event.actor_kind,
            source_address: event.source_address,
            action: event.action,
            entity_kind: event.entity_kind,
            entity_id: event.entity_id,
            before_row,
            after_row,
            reason: event.reason,
            request_id: event.request_id,
            leaf_hash,
            actor_name: None,
            record_kind: String::new(),
            record: None,
            what: None,
            changed: Vec::new(),
        }
    }
}

/// Which events.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EventListing {
    /// How many at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// Cursor from `next` of the page before.
    pub after: Option<Uuid>,
    /// Only of this row.
    pub entity_id: Option<Uuid>,
    /// Only of the thing with this code or identity, and of everything that belongs to it: versions, titrations, moves, signatures.
    pub thing: Option<String>,
    /// Only of this account.
    pub actor: Option<Uuid>,
    /// Only of the person or instrument with this sign-in name or printed name, under whichever account.
    pub person: Option<String>,
    /// Only of this act, by the name of the permission it needs.
    #[param(example = "record_titrations")]
    pub action: Option<String>,
    /// Only on records of this kind, by the name of the table.
    #[param(example = "titrations")]
    pub kind: Option<String>,
    /// Only at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only before this time.
    pub until: Option<DateTime<Utc>>,
}

/// A signed tree head. Keep it: it proves any later rewriting.
#[derive(Debug, Serialize, ToSchema)]
pub struct TreeHead {
    /// Number of events under the root.
    #[schema(example = 1234)]
    pub tree_size: i64,
    /// Root, hexadecimal.
    pub root_hash: String,
    /// Server time of signing.
    pub signed_at: DateTime<Utc>,
    /// Key.
    pub key_id: String,
    /// Ed25519 signature over the canonical text, hexadecimal.
    pub signature: String,
}

impl From<HeadRow> for TreeHead {
    fn from(row: HeadRow) -> Self {
        Self {
            tree_size: row.tree_size,
            root_hash: hex::encode(row.root_hash),
            signed_at: row.signed_at,
            key_id: row.key_id,
            signature: hex::encode(row.signature),
        }
    }
}

/// Which heads.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HeadListing {
    /// How many at most, 1 to 200; 50 if not given.
    pub limit: Option<i64>,
    /// Only heads of smaller trees; the cursor of this list.
    pub below: Option<i64>,
}

/// Which checkpoint.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct CheckpointOf {
    /// Number of events under it; the newest if not given.
    pub size: Option<i64>,
}

/// Proof that an event is in the tree of a head.
#[derive(Debug, Serialize, ToSchema)]
pub struct InclusionProof {
    /// Event.
    pub event_id: Uuid,
    /// Its leaf.
    pub leaf_index: u64,
    /// Hash of the leaf, hexadecimal.
    pub leaf_hash: String,
    /// Nodes from the leaf to the root, hexadecimal (RFC 9162, section 2.1.3).
    pub proof: Vec<String>,
    /// The head.
    pub head: TreeHead,
}

/// Which two heads.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Between {
    /// Size of the older tree.
    pub older: u64,
    /// Size of the newer tree; the present one if not given.
    pub newer: Option<u64>,
}

/// Proof that a newer tree continues an older one.
#[derive(Debug, Serialize, ToSchema)]
pub struct ConsistencyProof {
    /// Size of the older tree.
    pub older: u64,
    /// Root of the older tree, hexadecimal.
    pub older_root: String,
    /// Size of the newer tree.
    pub newer: u64,
    /// Root of the newer tree, hexadecimal.
    pub newer_root: String,
    /// Nodes, hexadecimal (RFC 9162, section 2.1.4).
    pub proof: Vec<String>,
}
