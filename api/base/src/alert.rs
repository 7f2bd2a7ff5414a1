//! Something that needs attention, as every feature tells it.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// Whether it can wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Urgency {
    /// Overdue or out of limits: something is refused or must be looked into today.
    Now,
    /// Due within the horizon.
    Soon,
}

/// Something that needs attention.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Alert {
    /// What is wrong.
    #[schema(example = "calibration due")]
    pub kind: &'static str,
    /// Whether it can wait.
    pub urgency: Urgency,
    /// Kind of record, by the name in its path.
    #[schema(example = "equipment")]
    pub subject_kind: &'static str,
    /// The record.
    pub subject: Uuid,
    /// Its code.
    #[schema(example = "B-01")]
    pub code: String,
    /// In words.
    #[schema(example = "the calibration of B-01 ends on 2026-12-01")]
    pub message: String,
    /// When it becomes, or became, pressing.
    pub due_at: Option<DateTime<Utc>>,
}

/// An alert for something that ends: pressing once it has ended, announced within the horizon.
pub fn ending(
    (now, until): (DateTime<Utc>, DateTime<Utc>),
    ends: DateTime<Utc>,
    alert: impl FnOnce(Urgency) -> Alert,
) -> Option<Alert> {
    match ends {
        ends if ends <= now => Some(alert(Urgency::Now)),
        ends if ends <= until => Some(alert(Urgency::Soon)),
        _ => None,
    }
}
