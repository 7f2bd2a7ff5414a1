//! Table of control charts.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, ControlChartId, TitrantId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::json::Json;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_schema::{chart_phases, control_charts, control_values};
use uuid::Uuid;

use crate::control_charts::rules::{Design, RuleText};

/// A chart as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = control_charts)]
pub struct Row {
    pub id: ControlChartId,
    pub code: String,
    pub title: String,
    pub quantity: String,
    pub material_id: Option<Uuid>,
    pub method_id: Option<Uuid>,
    pub titrant_id: Option<TitrantId>,
    pub unit: String,
    pub resolution: Option<Decimal>,
    pub replicates: Option<i32>,
    pub rules: Json<Vec<RuleText>>,
    pub design: Option<Json<Design>>,
    pub baseline_minimum: i32,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "control_charts_code_once",
    code: Code::AlreadyExists,
    field: "code",
    detail: "there is a chart with this code",
}];

pub async fn insert(mut connection: &Connection, row: &Row) -> Result<Row, Refusal> {
    diesel::insert_into(control_charts::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

pub async fn find(mut connection: &Connection, id: Uuid) -> Result<Row, Refusal> {
    let row = control_charts::table
        .find(ControlChartId(id))
        .select(Row::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    row.ok_or_else(|| Refusal::not_found("control chart", id))
}

pub async fn many(mut connection: &Connection, ids: &[Uuid]) -> Result<Vec<Row>, Refusal> {
    let ids: Vec<ControlChartId> = ids.iter().copied().map(ControlChartId).collect();
    Ok(control_charts::table
        .filter(control_charts::id.eq_any(ids))
        .order(control_charts::id)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// Charts of single values of control materials by a method, in any version; of one material the plain ones first.
pub async fn of_method(mut connection: &Connection, method: Uuid) -> Result<Vec<Row>, Refusal> {
    let mut found: Vec<Row> = control_charts::table
        .filter(control_charts::method_id.eq(method))
        .filter(control_charts::material_id.is_not_null())
        .filter(control_charts::quantity.eq_any(["x", "cusum", "ewma"]))
        .order(control_charts::id)
        .select(Row::as_select())
        .load(&mut connection)
        .await?;
    found.sort_by_key(|chart| (chart.material_id, chart.unit.clone(), chart.quantity != "x"));
    Ok(found)
}

/// The newest chart of ranges of the same material by the same method.
pub async fn ranges_beside(mut connection: &Connection, chart: &Row) -> Result<Option<Row>, Refusal> {
    let (Some(material), Some(method)) = (chart.material_id, chart.method_id) else { return Ok(None) };
    Ok(control_charts::table
        .filter(control_charts::quantity.eq("range"))
        .filter(control_charts::material_id.eq(material))
        .filter(control_charts::method_id.eq(method))
        .order(control_charts::id.desc())
        .select(Row::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}

/// Those of some charts that somebody defined, recorded a value on or proposed limits of.
pub async fn taken_part_in(
    mut connection: &Connection,
    charts: &[Uuid],
    person: AccountId,
) -> Result<Vec<Uuid>, Refusal> {
    let mut found: Vec<ControlChartId> = control_charts::table
        .filter(control_charts::id.eq_any(charts))
        .filter(control_charts::recorded_by.eq(person))
        .select(control_charts::id)
        .load(&mut connection)
        .await?;
    let limited: Vec<ControlChartId> = chart_phases::table
        .filter(chart_phases::chart_id.eq_any(charts))
        .filter(chart_phases::recorded_by.eq(person))
        .select(chart_phases::chart_id)
        .distinct()
        .load(&mut connection)
        .await?;
    let valued: Vec<ControlChartId> = control_values::table
        .filter(control_values::chart_id.eq_any(charts))
        .filter(control_values::recorded_by.eq(person))
        .select(control_values::chart_id)
        .distinct()
        .load(&mut connection)
        .await?;
    found.extend(limited);
    found.extend(valued);
    Ok(found.into_iter().map(|id| id.0).collect())
}

pub async fn list(mut connection: &Connection, listing: &Listing, limit: i64) -> Result<Vec<Row>, Refusal> {
    Ok(control_charts::table
        .filter(control_charts::id.lt(ControlChartId(listing.before())))
        .filter(control_charts::recorded_at.ge(listing.window_start()))
        .filter(control_charts::recorded_at.lt(listing.window_end()))
        .order(control_charts::id.desc())
        .limit(limit)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// Holds a chart until the end of the transaction, so that appends to it take turns. Not a row lock: the service's role may not
/// lock rows of records.
pub async fn hold(mut connection: &Connection, id: ControlChartId) -> Result<(), Refusal> {
    diesel::sql_query("SELECT pg_advisory_xact_lock(hashtextextended('control chart ' || $1::text, 0))")
        .bind::<diesel::sql_types::Uuid, _>(id.0)
        .execute(&mut connection)
        .await?;
    Ok(())
}
