//! Alerts on the wire.

use chrono::{DateTime, Utc};
use ferrotitre_base::alert::Alert;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// How far ahead is looked.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Horizon {
    /// Days ahead, 0 to 365; 14 if not given.
    #[param(minimum = 0, maximum = 365, example = 14)]
    pub days: Option<i64>,
}

/// Everything that needs attention.
#[derive(Debug, Serialize, ToSchema)]
pub struct Alerts {
    /// When it was asked.
    pub at: DateTime<Utc>,
    /// Most pressing first.
    pub items: Vec<Alert>,
}
