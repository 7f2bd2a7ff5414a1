//! Reviews of the audit trail on the wire.

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::{AccountId, TrailReviewId};
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::web::answer::Located;
use secrecy::SecretString;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// How many rows of a list a period has.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ListCount {
    /// The list, as in its address.
    #[schema(example = "exclusions")]
    pub list: &'static str,
    /// What people call it.
    #[schema(example = "Exclusions")]
    pub title: &'static str,
    /// Rows.
    #[schema(example = 4)]
    pub rows: i64,
}

/// Up to which head.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct UpTo {
    /// Size of a signed tree head; the newest if not given.
    pub until_size: Option<i64>,
}

/// What the next review is over: everything since the last one.
#[derive(Debug, Serialize, ToSchema)]
pub struct TrailReviewProposal {
    /// Number it would have.
    #[schema(example = 2)]
    pub number: i32,
    /// Events that earlier reviews looked at.
    #[schema(example = 1204)]
    pub from_size: i64,
    /// Events up to its end: the size of the signed tree head that covers it.
    #[schema(example = 5310)]
    pub until_size: i64,
    /// Root of that head, hexadecimal.
    pub root_hash: String,
    /// Time of the end of the review before, or of the first event.
    pub from: DateTime<Utc>,
    /// Time of signing of that head.
    pub until: DateTime<Utc>,
    /// Events in it.
    #[schema(example = 4106)]
    pub events: i64,
    /// Rows of each list in it.
    pub lists: Vec<ListCount>,
    /// SHA-256 of all this; a signature names it.
    pub content_digest: String,
}

/// A review to be signed.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTrailReview {
    /// Size of the signed tree head up to which was looked.
    #[schema(example = 5310)]
    pub until_size: i64,
    /// What was found, in words; also where nothing was.
    pub findings: String,
    /// Codes of the nonconformities that were opened for it.
    #[serde(default)]
    #[schema(example = json!(["NC-7"]))]
    pub nonconformities: Vec<String>,
    /// Own password, asked again for every signature.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
    /// Digest of what was looked at; without it, or if there is more by now, nothing is signed.
    pub content_digest: Option<String>,
}

/// A review of the audit trail.
#[derive(Debug, Serialize, ToSchema)]
pub struct TrailReview {
    /// Identity.
    pub id: TrailReviewId,
    /// Number, from 1.
    #[schema(example = 2)]
    pub number: i32,
    /// Events that earlier reviews looked at.
    #[schema(example = 1204)]
    pub from_size: i64,
    /// Events up to its end: the size of the signed tree head that covers it.
    #[schema(example = 5310)]
    pub until_size: i64,
    /// Root of that head, hexadecimal.
    pub root_hash: String,
    /// Time of the end of the review before, or of the first event.
    pub from: DateTime<Utc>,
    /// Time of signing of that head.
    pub until: DateTime<Utc>,
    /// Events in it.
    #[schema(example = 4106)]
    pub events: i64,
    /// Rows of each list in it.
    pub lists: Vec<ListCount>,
    /// What was found.
    pub findings: String,
    /// Codes of the nonconformities that were opened for it.
    pub nonconformities: Vec<String>,
    /// SHA-256 of what was signed.
    pub content_digest: String,
    /// The signature.
    pub sign_offs: Vec<SignOff>,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Who reviewed.
    pub recorded_by: AccountId,
}

impl Located for TrailReview {
    fn location(&self) -> String {
        format!("/api/v1/trail-reviews/{}", self.id)
    }
}
