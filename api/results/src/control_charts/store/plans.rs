//! Table of plans of quality control.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::web::json::Json;
use ferrotitre_base::web::versions::versioned;
use ferrotitre_schema::qc_plans;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// A chart of which every run needs values.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlannedChart {
    /// Chart.
    pub chart: Uuid,
    /// Fewest values of a run; 0 for a chart that is filled when there is something to fill it with.
    #[schema(example = 1)]
    pub values: u32,
}

/// Quality control that every run of a method version needs. A run goes by the version of the plan in force when it was opened.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = qc_plans)]
#[serde(deny_unknown_fields)]
pub struct QcPlanFacts {
    /// Method version.
    #[diesel(column_name = method_id)]
    pub method: MethodId,
    /// Charts, each with the values that a run needs; none if absent.
    #[serde(default = "no_charts")]
    #[schema(value_type = Vec<PlannedChart>)]
    pub charts: Json<Vec<PlannedChart>>,
    /// Fewest blanks.
    #[schema(example = 1)]
    pub blanks: i32,
    /// Fewest samples determined in duplicate.
    #[schema(example = 1)]
    pub duplicates: i32,
}

fn no_charts() -> Json<Vec<PlannedChart>> {
    Json(Vec::new())
}

impl QcPlanFacts {
    /// Whether a run can lack anything by this plan.
    pub fn demands_something(&self) -> bool {
        self.blanks > 0 || self.duplicates > 0 || self.charts.0.iter().any(|planned| planned.values > 0)
    }

    /// What is wrong with it by itself.
    pub fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        errors.require((0..=20).contains(&self.blanks), "blanks", "range", "must be from 0 to 20", self.blanks);
        let duplicates = (0..=50).contains(&self.duplicates);
        errors.require(duplicates, "duplicates", "range", "must be from 0 to 50", self.duplicates);
        errors.require(self.charts.0.len() <= 50, "charts", "length", "at most 50 charts", self.charts.0.len());
        for (i, planned) in self.charts.0.iter().enumerate() {
            let at = format!("charts[{i}]");
            let once = self.charts.0.iter().filter(|other| other.chart == planned.chart).count() == 1;
            errors.require(once, &format!("{at}.chart"), "once", "is named twice", planned.chart);
            let few = planned.values <= 50;
            errors.require(few, &format!("{at}.values"), "range", "must be from 0 to 50", planned.values);
        }
        errors.check()
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "qc_plans_method_once",
        code: Code::AlreadyExists,
        field: "method",
        detail: "the method version has a plan; correct that one",
    },
    ConstraintMeaning {
        constraint: "qc_plans_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
];

versioned! {
    table: qc_plans,
    id: QcPlanId,
    facts: QcPlanFacts,
    kind: ferrotitre_core::lifecycle::EntityKind::Method,
    path: "/api/v1/qc-plans",
    meanings: super::MEANINGS,
    also: [read, list],
}

/// The present plan of a method version.
pub async fn of_method(mut connection: &Connection, method: MethodId) -> Result<Option<versions::Row>, Refusal> {
    Ok(qc_plans::table
        .filter(qc_plans::method_id.eq(method))
        .order(qc_plans::version.desc())
        .select(versions::Row::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}

/// The plan of a method version in force at a time.
pub async fn in_force(
    mut connection: &Connection,
    method: MethodId,
    at: DateTime<Utc>,
) -> Result<Option<versions::Row>, Refusal> {
    Ok(qc_plans::table
        .filter(qc_plans::method_id.eq(method))
        .filter(qc_plans::recorded_at.le(at))
        .order(qc_plans::version.desc())
        .select(versions::Row::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}
