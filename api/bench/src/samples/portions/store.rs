//! Tables of test portions and their dilution steps.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::among::among;
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{AccountId, DilutionStepId, PortionId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_schema::{dilution_steps, test_portions};
use uuid::Uuid;

/// A portion as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = test_portions)]
pub struct Row {
    pub id: PortionId,
    pub record_id: Uuid,
    pub version: i32,
    pub supersedes: Option<PortionId>,
    pub reason: Option<String>,
    pub sample_id: Uuid,
    pub taken_by: String,
    pub mass_g: Option<Decimal>,
    pub balance_id: Option<Uuid>,
    pub pipette_id: Option<Uuid>,
    pub aliquot_pipette_id: Option<Uuid>,
    pub density: Option<Decimal>,
    pub density_u: Option<Decimal>,
    pub temperature: Option<Decimal>,
    pub observed_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// A dilution step as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = dilution_steps)]
pub struct StepRow {
    pub id: DilutionStepId,
    pub portion_id: PortionId,
    pub position: i32,
    pub pipette_id: Option<Uuid>,
    pub flask_id: Uuid,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "test_portions_supersedes_once",
    code: Code::StaleVersion,
    field: "",
    detail: "somebody corrected it at the same moment; read it again",
}];

/// Records a version of a portion with its steps.
///
/// # Errors
/// A version that somebody else has superseded; a store that cannot be reached.
pub(super) async fn insert(mut connection: &Connection, row: &Row, steps: &[StepRow]) -> Result<Row, Refusal> {
    let row: Row = diesel::insert_into(test_portions::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))?;
    diesel::insert_into(dilution_steps::table).values(steps).execute(&mut connection).await?;
    Ok(row)
}

/// All versions of the portions of a sample with their steps, newest first.
///
/// # Errors
/// A store that cannot be reached.
pub(super) async fn of_sample(mut connection: &Connection, sample: Uuid, most: i64) -> Result<Vec<Version>, Refusal> {
    let rows: Vec<Row> = test_portions::table
        .filter(test_portions::sample_id.eq(sample))
        .order(test_portions::id.desc())
        .limit(most)
        .select(Row::as_select())
        .load(&mut connection)
        .await?;
    with_steps(connection, rows).await
}

/// Versions with the steps of each.
async fn with_steps(mut connection: &Connection, rows: Vec<Row>) -> Result<Vec<Version>, Refusal> {
    let ids: Vec<PortionId> = rows.iter().map(|row| row.id).collect();
    let steps: Vec<StepRow> = dilution_steps::table
        .filter(among(dilution_steps::portion_id, &ids))
        .order((dilution_steps::portion_id, dilution_steps::position))
        .select(StepRow::as_select())
        .load(&mut connection)
        .await?;
    let mut of: HashMap<PortionId, Vec<StepRow>> = HashMap::new();
    for step in steps {
        of.entry(step.portion_id).or_default().push(step);
    }
    Ok(rows
        .into_iter()
        .map(|row| {
            let steps = of.remove(&row.id).unwrap_or_default();
            (row, steps)
        })
        .collect())
}

/// The newest portions of all samples, newest first: portion and sample.
///
/// # Errors
/// A store that cannot be reached.
pub async fn newest(mut connection: &Connection, most: i64) -> Result<Vec<(Uuid, Uuid)>, Refusal> {
    Ok(test_portions::table
        .filter(test_portions::version.eq(1))
        .order(test_portions::id.desc())
        .limit(most)
        .select((test_portions::record_id, test_portions::sample_id))
        .load(&mut connection)
        .await?)
}

/// The newest portions of one sample, newest first.
///
/// # Errors
/// A store that cannot be reached.
pub async fn newest_of(mut connection: &Connection, sample: Uuid, most: i64) -> Result<Vec<Uuid>, Refusal> {
    Ok(test_portions::table
        .filter(test_portions::sample_id.eq(sample))
        .filter(test_portions::version.eq(1))
        .order(test_portions::id.desc())
        .limit(most)
        .select(test_portions::record_id)
        .load(&mut connection)
        .await?)
}

#[derive(QueryableByName)]
struct Numbered {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    record_id: Uuid,
    #[diesel(sql_type = diesel::sql_types::BigInt)]
    number: i64,
}

/// Numbers of the portions of samples, by the order in which they were first recorded: a number once given stays.
pub async fn numbers(db: &Db, samples: &[Uuid]) -> Result<HashMap<Uuid, i64>, Refusal> {
    db.read(async |connection| numbers_in(connection, samples).await).await
}

/// The same in a read that does more.
///
/// # Errors
/// A store that cannot be reached.
pub async fn numbers_in(mut connection: &Connection, samples: &[Uuid]) -> Result<HashMap<Uuid, i64>, Refusal> {
    // Identities are made in the order of recording (RFC 9562, version 7).
    let query = "SELECT record_id, rank() OVER (PARTITION BY sample_id ORDER BY record_id) AS number FROM test_portions \
                 WHERE version = 1 AND sample_id = ANY($1)";
    let query = diesel::sql_query(query).bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(samples);
    let rows: Vec<Numbered> = query.load(&mut connection).await?;
    Ok(rows.into_iter().map(|row| (row.record_id, row.number)).collect())
}

/// A version of a portion with its steps.
pub type Version = (Row, Vec<StepRow>);

/// Present version of a portion with its steps.
pub async fn current(connection: &Connection, portion: Uuid) -> Result<Version, Refusal> {
    let found = every(connection, &[portion]).await?.remove(&portion).and_then(|mut versions| versions.pop());
    found.ok_or_else(|| Refusal::not_found("test portion", portion))
}

/// All versions of portions with their steps, oldest first.
pub async fn every(mut connection: &Connection, portions: &[Uuid]) -> Result<HashMap<Uuid, Vec<Version>>, Refusal> {
    let rows: Vec<Row> = test_portions::table
        .filter(among(test_portions::record_id, portions))
        .order((test_portions::record_id, test_portions::version))
        .select(Row::as_select())
        .load(&mut connection)
        .await?;
    let mut versions: HashMap<Uuid, Vec<Version>> = HashMap::new();
    for (row, steps) in with_steps(connection, rows).await? {
        versions.entry(row.record_id).or_default().push((row, steps));
    }
    Ok(versions)
}
