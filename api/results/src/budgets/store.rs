//! Table of decisions on refuted budgets, and rounds that hold against a budget.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, BudgetDecisionId, ChartPhaseId, ControlChartId, MethodId};
use ferrotitre_base::kept::kept;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_schema::budget_decisions;
use uuid::Uuid;

/// A decision as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = budget_decisions)]
pub(super) struct Row {
    pub(super) id: BudgetDecisionId,
    pub(super) method_id: MethodId,
    pub(super) chart_id: ControlChartId,
    pub(super) phase_id: Option<ChartPhaseId>,
    pub(super) seen: String,
    pub(super) reason: String,
    #[diesel(skip_insertion)]
    pub(super) recorded_at: DateTime<Utc>,
    pub(super) recorded_by: AccountId,
}

pub(super) async fn insert(mut connection: &Connection, row: &Row) -> Result<Row, Refusal> {
    Ok(diesel::insert_into(budget_decisions::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await?)
}

/// Decisions on a method version, oldest first.
pub(super) async fn of_version(mut connection: &Connection, method: MethodId) -> Result<Vec<Row>, Refusal> {
    Ok(budget_decisions::table
        .filter(budget_decisions::method_id.eq(method))
        .order(budget_decisions::id)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

#[derive(QueryableByName)]
struct Newest {
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Uuid>)]
    id: Option<Uuid>,
}

/// The newest row that can change what a chart says of a budget.
pub(super) async fn newest(mut connection: &Connection) -> Result<Option<Uuid>, Refusal> {
    let of = ["control_values", "state_moves", "budget_decisions", "chart_phases", "control_materials"];
    let newest = of.map(|table| format!("(SELECT id FROM {table} ORDER BY id DESC LIMIT 1)"));
    let sql = format!("SELECT GREATEST({}) AS id", newest.join(", "));
    let found: Newest = diesel::sql_query(sql).get_result(&mut connection).await?;
    Ok(found.id)
}

/// A round of a proficiency test whose own result comes from a determination by a method.
#[derive(Debug, Clone, QueryableByName)]
pub(super) struct Round {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub(super) determination: Uuid,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub(super) unit: String,
    #[diesel(sql_type = diesel::sql_types::Numeric)]
    pub(super) assigned_value: Decimal,
    #[diesel(sql_type = diesel::sql_types::Numeric)]
    pub(super) assigned_u: Decimal,
}

/// The newest such rounds that were not withdrawn, each in its present version; the rounds themselves belong to a room above.
pub(super) async fn rounds(mut connection: &Connection, methods: &[MethodId]) -> Result<Vec<Round>, Refusal> {
    Ok(kept(
        "SELECT r.determination_id AS determination, r.unit, r.assigned_value, r.assigned_u FROM proficiency_rounds r \
         JOIN determinations d ON d.id = r.determination_id WHERE d.method_id = ANY($1) \
         AND NOT EXISTS (SELECT FROM proficiency_rounds later WHERE later.supersedes = r.id) \
         AND NOT EXISTS (SELECT FROM state_moves m WHERE m.entity_id = r.record_id AND m.to_state = 'withdrawn') \
         ORDER BY r.id DESC LIMIT 50",
    )
    .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(methods.to_vec())
    .load(&mut connection)
    .await?)
}
