//! Table of control values.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Double, Timestamptz};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, ChartPhaseId, ControlChartId, ControlValueId, DeterminationId, FactorId, RunId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::json::Json;
use ferrotitre_schema::control_values;
use uuid::Uuid;

use crate::control_charts::wire::{PointListing, Statistic};

/// A control value as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = control_values)]
pub struct Row {
    pub id: ControlValueId,
    pub chart_id: ControlChartId,
    pub position: i32,
    pub source: String,
    pub run_id: Option<RunId>,
    pub determination_id: Option<DeterminationId>,
    pub second_determination_id: Option<DeterminationId>,
    pub factor_id: Option<FactorId>,
    pub value: Decimal,
    pub events: Option<i32>,
    pub trials: Option<i32>,
    pub history: Option<String>,
    pub note: Option<String>,
    pub observed_at: DateTime<Utc>,
    pub phase_id: Option<ChartPhaseId>,
    pub hits: Vec<i32>,
    pub verdict: String,
    pub statistic: Option<Json<Statistic>>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "control_values_determination_once",
        code: Code::AlreadyExists,
        field: "determination",
        detail: "the determination has its value on this chart",
    },
    ConstraintMeaning {
        constraint: "control_values_run_once",
        code: Code::AlreadyExists,
        field: "run",
        detail: "the run has its value on this chart",
    },
    ConstraintMeaning {
        constraint: "control_values_factor_once",
        code: Code::AlreadyExists,
        field: "factor",
        detail: "the factor has its value on this chart",
    },
];

pub async fn insert(mut connection: &Connection, row: &Row) -> Result<Row, Refusal> {
    diesel::insert_into(control_values::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

pub async fn find(mut connection: &Connection, id: Uuid) -> Result<Row, Refusal> {
    let row = control_values::table
        .find(ControlValueId(id))
        .select(Row::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    row.ok_or_else(|| Refusal::not_found("control value", id))
}

/// Position of the last point of a chart; 0 before the first. One entry of an index, however long the history.
pub async fn last_position(mut connection: &Connection, chart: ControlChartId) -> Result<i32, Refusal> {
    let last = control_values::table
        .filter(control_values::chart_id.eq(chart))
        .order(control_values::position.desc())
        .select(control_values::position)
        .first(&mut connection)
        .await
        .optional()?;
    Ok(last.unwrap_or(0))
}

/// The newest points of a phase, newest first: all that a verdict reads of the history.
pub async fn newest_of_phase(
    mut connection: &Connection,
    phase: ChartPhaseId,
    limit: i64,
) -> Result<Vec<Row>, Refusal> {
    Ok(control_values::table
        .filter(control_values::phase_id.eq(phase))
        .order(control_values::position.desc())
        .limit(limit)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// Values that completed a rule, observed at or after a time, newest first.
pub async fn with_hits_since(
    mut connection: &Connection,
    from: DateTime<Utc>,
    limit: i64,
) -> Result<Vec<Row>, Refusal> {
    Ok(control_values::table
        // Written out, so that the planner sees that the index of hits holds all of them.
        .filter(diesel::dsl::sql::<diesel::sql_types::Bool>("verdict IN ('out of control', 'investigate')"))
        .filter(control_values::observed_at.ge(from))
        .order(control_values::observed_at.desc())
        .limit(limit)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// Values of some charts that completed a rule and on which nobody has decided: identity, chart, place and verdict, newest first.
pub async fn open_hits(
    mut connection: &Connection,
    charts: &[ControlChartId],
    limit: i64,
) -> Result<Vec<(ControlValueId, ControlChartId, i32, String)>, Refusal> {
    Ok(control_values::table
        // Written out, so that the planner sees that the index of hits holds all of them.
        .filter(diesel::dsl::sql::<diesel::sql_types::Bool>("verdict IN ('out of control', 'investigate')"))
        .filter(diesel::dsl::sql::<diesel::sql_types::Bool>(
            "NOT EXISTS (SELECT 1 FROM state_moves m WHERE m.entity_id = control_values.id \
             AND m.to_state <> 'under investigation' AND NOT EXISTS (SELECT 1 FROM state_moves n \
             WHERE n.entity_id = m.entity_id AND n.position > m.position))",
        ))
        .filter(control_values::chart_id.eq_any(charts))
        .order((control_values::observed_at.desc(), control_values::position.desc()))
        .limit(limit)
        .select((control_values::id, control_values::chart_id, control_values::position, control_values::verdict))
        .load(&mut connection)
        .await?)
}

/// The newest points of a chart, newest first: by when they were observed, since history may be recorded later.
pub async fn newest(mut connection: &Connection, chart: ControlChartId, limit: i64) -> Result<Vec<Row>, Refusal> {
    Ok(control_values::table
        .filter(control_values::chart_id.eq(chart))
        .order((control_values::observed_at.desc(), control_values::position.desc()))
        .limit(limit)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// Which of some moments the chart has values of.
pub async fn observed_at_any(
    mut connection: &Connection,
    chart: ControlChartId,
    moments: &[DateTime<Utc>],
) -> Result<std::collections::HashSet<DateTime<Utc>>, Refusal> {
    let there: Vec<DateTime<Utc>> = control_values::table
        .filter(control_values::chart_id.eq(chart))
        .filter(control_values::observed_at.eq_any(moments))
        .select(control_values::observed_at)
        .load(&mut connection)
        .await?;
    Ok(there.into_iter().collect())
}

/// A stretch of a long series, as much as a picture can show of it.
#[derive(Debug, Clone, Copy, QueryableByName)]
pub struct Stretch {
    #[diesel(sql_type = Double)]
    pub low: f64,
    #[diesel(sql_type = Double)]
    pub high: f64,
    #[diesel(sql_type = BigInt)]
    pub points: i64,
    /// Points that completed a rule.
    #[diesel(sql_type = BigInt)]
    pub hits: i64,
    #[diesel(sql_type = Timestamptz)]
    pub first: DateTime<Utc>,
    #[diesel(sql_type = Timestamptz)]
    pub last: DateTime<Utc>,
}

/// A chart in at most `stretches` parts of equally many points, oldest first: one pass, however long it is.
pub async fn stretches(
    mut connection: &Connection,
    chart: ControlChartId,
    (points, stretches): (i32, i32),
) -> Result<Vec<Stretch>, Refusal> {
    let sql = "SELECT min(value)::float8 AS low, max(value)::float8 AS high, count(*) AS points, \
               count(*) FILTER (WHERE hits <> '{}') AS hits, min(observed_at) AS first, max(observed_at) AS last \
               FROM (SELECT value, hits, observed_at, row_number() OVER (ORDER BY observed_at, position) AS place \
                     FROM control_values WHERE chart_id = $1) v \
               GROUP BY ((place - 1) * $3 / $2) ORDER BY min(place)";
    Ok(diesel::sql_query(sql)
        .bind::<diesel::sql_types::Uuid, _>(chart.0)
        .bind::<BigInt, _>(i64::from(points.max(1)))
        .bind::<BigInt, _>(i64::from(stretches))
        .load(&mut connection)
        .await?)
}

/// A value with the titrant lot it was found with.
#[derive(Debug, Clone, Copy, QueryableByName)]
pub struct OfLot {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub determination_id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub titrant_id: Uuid,
    #[diesel(sql_type = Double)]
    pub value: f64,
}

/// Values of a chart whose determinations used one of these lots and no other, oldest first.
pub async fn by_lot(mut connection: &Connection, chart: ControlChartId, lots: &[Uuid]) -> Result<Vec<OfLot>, Refusal> {
    let sql = "SELECT v.id, v.determination_id, min(f.titrant_id::text)::uuid AS titrant_id, v.value::float8 AS value \
               FROM control_values v JOIN titrations t ON t.determination_id = v.determination_id \
               JOIN titrant_factors f ON f.id = t.factor_id WHERE v.chart_id = $1 \
               GROUP BY v.id, v.determination_id, v.value, v.position \
               HAVING count(DISTINCT f.titrant_id) = 1 AND min(f.titrant_id::text)::uuid = ANY($2) ORDER BY v.position";
    Ok(diesel::sql_query(sql)
        .bind::<diesel::sql_types::Uuid, _>(chart.0)
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(lots)
        .load(&mut connection)
        .await?)
}

/// A page of points, newest first: by when they were observed, then by position.
pub async fn page(
    mut connection: &Connection,
    chart: ControlChartId,
    listing: &PointListing,
    limit: i64,
) -> Result<Vec<Row>, Refusal> {
    let mut query = control_values::table
        .filter(control_values::chart_id.eq(chart))
        .order((control_values::observed_at.desc(), control_values::position.desc()))
        .limit(limit)
        .select(Row::as_select())
        .into_boxed();
    if let Some(before) = listing.before {
        let at: Option<DateTime<Utc>> = control_values::table
            .filter(control_values::chart_id.eq(chart))
            .filter(control_values::position.eq(before))
            .select(control_values::observed_at)
            .first(&mut connection)
            .await
            .optional()?;
        query = match at {
            Some(at) => {
                let same = control_values::observed_at.eq(at).and(control_values::position.lt(before));
                query.filter(control_values::observed_at.lt(at).or(same))
            }
            None => query.filter(control_values::position.lt(before)),
        };
    }
    if let Some(from) = listing.from {
        query = query.filter(control_values::observed_at.ge(from));
    }
    if let Some(until) = listing.until {
        query = query.filter(control_values::observed_at.lt(until));
    }
    if let Some(verdict) = &listing.verdict {
        query = query.filter(control_values::verdict.eq(verdict));
    }
    Ok(query.load(&mut connection).await?)
}

/// Points between two positions, both included, oldest first.
pub async fn between(
    mut connection: &Connection,
    chart: ControlChartId,
    (first, last): (i32, i32),
) -> Result<Vec<Row>, Refusal> {
    Ok(control_values::table
        .filter(control_values::chart_id.eq(chart))
        .filter(control_values::position.between(first, last))
        .order(control_values::position)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// Values of a run on any chart, in the order of recording.
pub async fn of_run(mut connection: &Connection, run: RunId) -> Result<Vec<Row>, Refusal> {
    Ok(control_values::table
        .filter(control_values::run_id.eq(run))
        .order(control_values::id)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// When the newest value of a chart that was observed at or after a time was observed.
pub async fn observed_since(
    mut connection: &Connection,
    chart: ControlChartId,
    from: DateTime<Utc>,
) -> Result<Option<DateTime<Utc>>, Refusal> {
    Ok(control_values::table
        .filter(control_values::chart_id.eq(chart))
        .filter(control_values::observed_at.ge(from))
        .order(control_values::observed_at.desc())
        .select(control_values::observed_at)
        .first(&mut connection)
        .await
        .optional()?)
}

/// The last value of a chart before a position whose verdict was in control.
pub async fn last_good(
    mut connection: &Connection,
    chart: ControlChartId,
    before: i32,
) -> Result<Option<Row>, Refusal> {
    Ok(control_values::table
        .filter(control_values::chart_id.eq(chart))
        .filter(control_values::position.lt(before))
        .filter(control_values::verdict.eq_any(["in control", "investigate"]))
        .order(control_values::position.desc())
        .select(Row::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}

/// The last value of a chart that was observed by a time, and the first that was observed at or after another.
pub async fn around(
    mut connection: &Connection,
    chart: ControlChartId,
    (first, last): (DateTime<Utc>, DateTime<Utc>),
) -> Result<(Option<Row>, Option<Row>), Refusal> {
    let before = control_values::table
        .filter(control_values::chart_id.eq(chart))
        .filter(control_values::observed_at.le(first))
        .order((control_values::observed_at.desc(), control_values::position.desc()))
        .select(Row::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    let after = control_values::table
        .filter(control_values::chart_id.eq(chart))
        .filter(control_values::observed_at.ge(last))
        .order((control_values::observed_at, control_values::position))
        .select(Row::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    Ok((before, after))
}
