//! Where an alert is looked at, and who may.

use ferrotitre_base::alert::Alert;
use ferrotitre_base::auth::permissions::Action;

/// Page of what an alert is about, and what somebody must be allowed to do to open it.
#[must_use]
pub fn place(alert: &Alert) -> (String, Action) {
    let of = |folder: &str, end: &str| format!("/{folder}/{}{end}", alert.subject);
    match alert.subject_kind {
        "audit" => ("/audit".to_owned(), Action::ReadAuditTrail),
        "audit-reviews" => ("/audit/reviews".to_owned(), Action::ReviewTrail),
        "messages" => ("/messages".to_owned(), Action::ReadMessages),
        "certificates" => (format!("/certificates/{}", alert.code), Action::ReadRecords),
        "accounts" => (of("accounts", ""), Action::ReadAccounts),
        "primary-standards" => (of("stock/standards", ""), Action::ReadRecords),
        "reagents" => (of("stock/reagents", ""), Action::ReadRecords),
        "titrants" => (of("titrants", "/drift"), Action::ReadRecords),
        "budgets" => (of("methods", "/budget"), Action::ReadRecords),
        other => (of(other, ""), Action::ReadRecords),
    }
}
