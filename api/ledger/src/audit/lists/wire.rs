//! Lists of the audit trail on the wire.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::audit::wire::RecordName;

/// What a list is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Of {
    /// Titres, blanks, runs, control values, points of baselines and data of studies that were rejected or left out.
    Exclusions,
    /// What superseded, competes with or invalidates rows under signatures, and signed records that were amended.
    Corrections,
    /// Results approved while a chart of their method was out of control or their run had no control value that passed and was to have one.
    Released,
    /// Sign-ins and signatures refused, passwords set, one-time codes set up, ended and reset.
    RefusedSignIns,
    /// The same with sign-ins that succeeded and ends of sessions.
    SignIns,
}

impl Of {
    /// Every list.
    pub const ALL: [Self; 5] =
        [Self::Exclusions, Self::Corrections, Self::Released, Self::RefusedSignIns, Self::SignIns];

    /// As in addresses.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Exclusions => "exclusions",
            Self::Corrections => "corrections-after-signature",
            Self::Released => "released-while-out",
            Self::RefusedSignIns => "refused-sign-ins",
            Self::SignIns => "sign-ins",
        }
    }

    /// As people call it.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::Exclusions => "Exclusions",
            Self::Corrections => "Corrections after signature",
            Self::Released => "Results approved while a control was out or lacking",
            Self::RefusedSignIns => "Sign-ins refused and passwords set",
            Self::SignIns => "Sign-ins and sign-outs",
        }
    }

    /// Whether it is asked by account and address.
    #[must_use]
    pub fn is_of_sign_ins(self) -> bool {
        matches!(self, Self::SignIns | Self::RefusedSignIns)
    }
}

/// Which part of a list.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AuditListing {
    /// How many rows at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// Cursor from the field `next` of the page before.
    pub after: Option<Uuid>,
    /// Only what was recorded at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only what was recorded before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only of this account, by its identity, sign-in name or printed name; for lists of sign-ins.
    pub account: Option<String>,
    /// Only from this network address; for lists of sign-ins.
    pub address: Option<String>,
}

/// A row of a list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AuditListRow {
    /// Identity.
    pub id: Uuid,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// What it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub record: Option<RecordName>,
    /// What happened.
    #[schema(example = "rejected")]
    pub what: String,
    /// Printed name of who did it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "Analyst 1")]
    pub by: Option<String>,
    /// Cause, of the list there is for it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "air bubble")]
    pub cause: Option<String>,
    /// Evidence or reason given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub evidence: Option<String>,
    /// What was decided on it: approved, released, rejected; for corrections how many results stay and how many were amended.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "approved")]
    pub decision: Option<String>,
    /// Printed name of who decided.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "Manager 1")]
    pub decided_by: Option<String>,
    /// When.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decided_at: Option<DateTime<Utc>>,
    /// Of a correction, how many signed results rest on what it touched; 101 stands for more than 100.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub results_touched: Option<i64>,
    /// The first of those.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub results: Vec<RecordName>,
    /// Concession under which it was approved.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub concession: Option<RecordName>,
    /// Network address it came from.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "192.0.2.7")]
    pub source_address: Option<String>,
    /// The audit event that proves it.
    pub event: Uuid,
}
