//! Certificates on the wire.

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::{AccountId, CertificateDeliveryId, CertificateId, SignOffId};
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::answer::Located;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::certificates::document::Document;
use crate::certificates::store::{CopyRow, DeliveryRow};

/// A certificate as it is drawn up.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CertificateFacts {
    /// Customer.
    #[schema(example = "Pickling line, Portmere Steel")]
    pub customer: String,
    /// Address of the customer.
    #[schema(example = "Quay 4, Portmere")]
    pub customer_address: String,
    /// Results: determinations and iron results, approved, of customers' samples. Iron(III) brings both its determinations along.
    pub results: Vec<Uuid>,
    /// Specifications of the samples, as assigned to them, whose statements of conformity were agreed with the customer.
    #[serde(default)]
    pub specifications: Vec<Uuid>,
    /// Additions to, deviations from or exclusions from the method, in words; what is on record with the results is printed anyway.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remarks: Option<String>,
    /// What differs from the issue before; in every issue but the first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "iron(II) determined anew, 119.9 g/L in place of 120.4 g/L")]
    pub what_changed: Option<String>,
}

/// Why a draft is given up.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Discarding {
    /// Why, at least 5 characters.
    #[schema(example = "the customer wants both baths on one certificate")]
    pub reason: String,
}

/// Who was sent an issue.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewDelivery {
    /// Issue that was sent.
    #[schema(example = 1)]
    pub issue: i32,
    /// Who got it.
    #[schema(example = "pickling line, shift manager")]
    pub recipient: String,
    /// How.
    #[schema(example = "by e-mail")]
    pub means: String,
    /// When it was sent or handed over; not before it was issued.
    pub delivered_at: DateTime<Utc>,
}

/// Who was sent an issue, as recorded.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct DeliveryView {
    /// Identity.
    pub id: CertificateDeliveryId,
    /// Issue.
    pub issue: i32,
    /// Who got it.
    pub recipient: String,
    /// How.
    pub means: String,
    /// When it was sent or handed over.
    pub delivered_at: DateTime<Utc>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Who recorded it.
    pub recorded_by: AccountId,
}

impl DeliveryView {
    pub(super) fn of(row: DeliveryRow, issue: i32) -> Self {
        Self {
            id: row.id,
            issue,
            recipient: row.recipient,
            means: row.means,
            delivered_at: row.delivered_at,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
        }
    }
}

/// A document that was taken out of the service.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CopyView {
    /// Issue.
    pub issue: i32,
    /// When.
    pub taken_at: DateTime<Utc>,
    /// By whom.
    pub taken_by: AccountId,
}

impl CopyView {
    pub(super) fn of(row: &CopyRow, issue: i32) -> Self {
        Self { issue, taken_at: row.recorded_at, taken_by: row.recorded_by }
    }
}

/// A result on a certificate.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ResultOnCertificate {
    /// determinations or iron_results.
    #[schema(example = "determinations")]
    pub kind: String,
    /// The result.
    pub id: Uuid,
    /// Signature of its author that is certified.
    pub sign_off: SignOffId,
}

/// A draft or issue of a certificate.
#[derive(Debug, Serialize, ToSchema)]
pub struct IssueView {
    /// This version.
    pub version_id: CertificateId,
    /// Number of the version, counting drafts.
    #[schema(example = 1)]
    pub version: i32,
    /// Issue.
    #[schema(example = 1)]
    pub issue: i32,
    /// draft, issued, superseded, withdrawn or discarded.
    #[schema(example = "issued")]
    pub state: String,
    /// What the state means for somebody who holds this issue.
    #[schema(example = "replaced by issue 2")]
    pub status: String,
    /// Why it was drawn up anew, or why the issue before is replaced.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// What was entered when it was drawn up.
    pub facts: CertificateFacts,
    /// Everything it says.
    pub document: Document,
    /// SHA-256 of what it says: what is signed, and what stands in its symbol.
    pub content_digest: String,
    /// SHA-256 of its document as PDF; absent until it is issued.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pdf_digest: Option<String>,
    /// Results with the signatures that are certified.
    pub results: Vec<ResultOnCertificate>,
    /// Signatures.
    pub sign_offs: Vec<SignOff>,
    /// Moves between states.
    pub moves: Vec<StateMove>,
    /// Server time of drawing up.
    pub recorded_at: DateTime<Utc>,
    /// Who drew it up.
    pub recorded_by: AccountId,
}

/// A certificate with all its issues.
#[derive(Debug, Serialize, ToSchema)]
pub struct CertificateView {
    /// Identity.
    pub id: Uuid,
    /// Number.
    #[schema(example = "C-2026-0001")]
    pub number: String,
    /// State of the latest version.
    #[schema(example = "issued")]
    pub state: String,
    /// The latest version; named in If-Match when it is drawn up anew or amended.
    pub version_id: CertificateId,
    /// The issue that holds now; absent where none does.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub current_issue: Option<i32>,
    /// SHA-256 of what can be signed now: the draft, to authorise it; otherwise the issue that holds, to withdraw it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub content_digest: Option<String>,
    /// What happened since to results of the issue that holds; empty where it stands as it went out.
    pub marks: Vec<String>,
    /// Drafts and issues, oldest first.
    pub issues: Vec<IssueView>,
    /// Who was sent which issue.
    pub deliveries: Vec<DeliveryView>,
    /// Documents that were taken out, newest first; the latest 200.
    pub copies: Vec<CopyView>,
}

impl Located for CertificateView {
    fn location(&self) -> String {
        format!("/api/v1/certificates/{}", self.id)
    }
}

/// A line of the list of certificates.
#[derive(Debug, Serialize, ToSchema)]
pub struct CertificateLine {
    /// Identity.
    pub id: Uuid,
    /// This version.
    pub version_id: CertificateId,
    /// Number.
    #[schema(example = "C-2026-0001")]
    pub number: String,
    /// Issue.
    pub issue: i32,
    /// draft, issued, superseded, withdrawn or discarded.
    pub state: String,
    /// Customer.
    pub customer: String,
    /// Codes of the samples.
    pub samples: Vec<String>,
    /// The issue in force, which may be another than this version; absent where none is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub current_issue: Option<i32>,
    /// Whether something happened to one of the results of the issue in force since it was issued.
    pub marked: bool,
    /// Server time of drawing up.
    pub recorded_at: DateTime<Utc>,
    /// Who drew it up.
    pub recorded_by: AccountId,
}

/// Which certificates.
#[derive(Debug, Default, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct CertificateListing {
    /// How many at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// Cursor from `next` of the page before.
    pub after: Option<Uuid>,
    /// Only drawn up at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only drawn up before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only drafts and issues in this state, each by itself; certificates in their latest version if not given.
    pub state: Option<String>,
    /// Only the certificate of this number.
    pub number: Option<String>,
}
