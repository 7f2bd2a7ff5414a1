//! Alerts on the wire.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// How far ahead is looked.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Horizon {
    /// Days ahead, 0 to 365; 14 if not given.
    #[param(minimum = 0, maximum = 365, example = 14)]
    pub(crate) days: Option<i64>,
}

/// Whether it can wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Urgency {
    /// Overdue or out of limits: something is refused or must be looked into today.
    Now,
    /// Due within the horizon.
    Soon,
}

/// Something that needs attention.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Alert {
    /// What is wrong.
    #[schema(example = "calibration due")]
    pub(crate) kind: &'static str,
    /// Whether it can wait.
    pub(crate) urgency: Urgency,
    /// Kind of record, by the name in its path.
    #[schema(example = "equipment")]
    pub(crate) subject_kind: &'static str,
    /// The record.
    pub(crate) subject: Uuid,
    /// Its code.
    #[schema(example = "B-01")]
    pub(crate) code: String,
    /// In words.
    #[schema(example = "the calibration of B-01 ends on 2026-12-01")]
    pub(crate) message: String,
    /// When it becomes, or became, pressing.
    pub(crate) due_at: Option<DateTime<Utc>>,
}

/// Everything that needs attention.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Alerts {
    /// When it was asked.
    pub(crate) at: DateTime<Utc>,
    /// Most pressing first.
    pub(crate) items: Vec<Alert>,
}
