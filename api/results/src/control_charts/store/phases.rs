//! Tables of chart phases and their baselines.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, BaselinePointId, ChartPhaseId, ControlChartId, ControlValueId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_schema::{chart_baseline_points, chart_phases, control_values, state_moves};
use uuid::Uuid;

/// A phase as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = chart_phases)]
pub struct Row {
    pub id: ChartPhaseId,
    pub chart_id: ControlChartId,
    pub number: i32,
    pub label: String,
    pub origin: String,
    pub spread: Option<String>,
    pub centre: Decimal,
    pub s: Option<Decimal>,
    pub lower_action: Option<Decimal>,
    pub lower_warning: Option<Decimal>,
    pub upper_warning: Option<Decimal>,
    pub upper_action: Option<Decimal>,
    pub n: Option<i32>,
    pub valid_from: DateTime<Utc>,
    pub reason: String,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "chart_phases_number_once",
    code: Code::StateConflict,
    field: "",
    detail: "somebody proposed a phase at the same moment; send it again",
}];

pub async fn insert(mut connection: &Connection, row: &Row) -> Result<Row, Refusal> {
    diesel::insert_into(chart_phases::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

pub async fn find(mut connection: &Connection, id: Uuid) -> Result<Row, Refusal> {
    let row =
        chart_phases::table.find(ChartPhaseId(id)).select(Row::as_select()).first(&mut connection).await.optional()?;
    row.ok_or_else(|| Refusal::not_found("chart phase", id))
}

/// All phases of charts, by chart and number.
pub async fn of_charts(mut connection: &Connection, charts: &[ControlChartId]) -> Result<Vec<Row>, Refusal> {
    Ok(chart_phases::table
        .filter(chart_phases::chart_id.eq_any(charts))
        .order((chart_phases::chart_id, chart_phases::number))
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// States in which a phase was approved; it keeps its time when a later one supersedes it.
const APPROVED: [&str; 2] = ["preliminary", "established"];

/// Approved phases of a chart, in the order of their times.
pub async fn approved(mut connection: &Connection, chart: ControlChartId) -> Result<Vec<Row>, Refusal> {
    Ok(chart_phases::table
        .inner_join(state_moves::table.on(state_moves::entity_id.eq(chart_phases::id)))
        .filter(state_moves::to_state.eq_any(APPROVED))
        .filter(chart_phases::chart_id.eq(chart))
        .order((chart_phases::valid_from, chart_phases::number))
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// A point of a baseline as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = chart_baseline_points)]
pub struct BaselinePoint {
    pub id: BaselinePointId,
    pub phase_id: ChartPhaseId,
    pub value_id: ControlValueId,
    pub excluded: bool,
    pub cause: Option<String>,
    pub reason: Option<String>,
    pub recorded_by: AccountId,
}

pub async fn insert_baseline(mut connection: &Connection, points: &[BaselinePoint]) -> Result<(), Refusal> {
    diesel::insert_into(chart_baseline_points::table).values(points).execute(&mut connection).await?;
    Ok(())
}

/// The baseline of a phase, in the order of the chart.
pub async fn baseline(mut connection: &Connection, phase: ChartPhaseId) -> Result<Vec<BaselinePoint>, Refusal> {
    Ok(chart_baseline_points::table
        .inner_join(control_values::table.on(control_values::id.eq(chart_baseline_points::value_id)))
        .filter(chart_baseline_points::phase_id.eq(phase))
        .order(control_values::position)
        .select(BaselinePoint::as_select())
        .load(&mut connection)
        .await?)
}

/// Points left out of baselines of these phases, with their positions.
pub async fn exclusions(
    mut connection: &Connection,
    phases: &[ChartPhaseId],
) -> Result<Vec<(BaselinePoint, i32)>, Refusal> {
    Ok(chart_baseline_points::table
        .inner_join(control_values::table.on(control_values::id.eq(chart_baseline_points::value_id)))
        .filter(chart_baseline_points::phase_id.eq_any(phases))
        .filter(chart_baseline_points::excluded)
        .order(control_values::position)
        .select((BaselinePoint::as_select(), control_values::position))
        .load(&mut connection)
        .await?)
}

/// Causes of these values having been left out of an approved phase, by the value.
pub async fn causes(
    mut connection: &Connection,
    values: &[ControlValueId],
) -> Result<Vec<(ControlValueId, Option<String>)>, Refusal> {
    let approved = state_moves::table
        .filter(state_moves::to_state.eq_any(APPROVED))
        .filter(state_moves::entity_id.eq(chart_baseline_points::phase_id));
    Ok(chart_baseline_points::table
        .filter(chart_baseline_points::value_id.eq_any(values))
        .filter(chart_baseline_points::excluded)
        .filter(diesel::dsl::exists(approved))
        .select((chart_baseline_points::value_id, chart_baseline_points::cause))
        .load(&mut connection)
        .await?)
}
