//! Tables of determinations, titrations and iron results.

pub mod frozen;
pub mod listing;
pub mod parties;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::among::among;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{
    AccountId, CalibrationId, ConcessionId, DeterminationId, FactorId, IronResultId, MethodId, RunId, SupervisionId,
    TitrantId, TitrationId,
};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::json::Json;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_schema::{determinations, iron_results, titration_supervisions, titrations};
use uuid::Uuid;

use crate::determinations::bulk::Selection;
use crate::determinations::wire::ReductionText;

/// A determination as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = determinations)]
pub struct DeterminationRow {
    pub id: DeterminationId,
    pub code: String,
    pub run_id: RunId,
    pub method_id: MethodId,
    pub sample_id: Uuid,
    pub portion_id: Uuid,
    pub purpose: String,
    pub observed_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const DETERMINATION_MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "determinations_code_once",
    code: Code::AlreadyExists,
    field: "code",
    detail: "there is a determination with this code",
}];

pub(super) async fn insert_determination(
    mut connection: &Connection,
    row: &DeterminationRow,
) -> Result<DeterminationRow, Refusal> {
    diesel::insert_into(determinations::table)
        .values(row)
        .returning(DeterminationRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, DETERMINATION_MEANINGS))
}

pub async fn determination(mut connection: &Connection, id: Uuid) -> Result<DeterminationRow, Refusal> {
    let row = determinations::table
        .find(DeterminationId(id))
        .select(DeterminationRow::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    row.ok_or_else(|| Refusal::not_found("determination", id))
}

/// Which determinations to list.
pub(super) struct Filter<'a> {
    pub(super) listing: &'a Listing,
    pub(super) wanted: &'a Selection,
}

impl<'a> Filter<'a> {
    pub(super) fn of(listing: &'a Listing, wanted: &'a Selection) -> Self {
        Self { listing, wanted }
    }
}

pub(super) async fn list_determinations(
    mut connection: &Connection,
    filter: &Filter<'_>,
    limit: i64,
) -> Result<Vec<DeterminationRow>, Refusal> {
    let mut query = determinations::table
        .filter(determinations::id.lt(DeterminationId(filter.listing.before())))
        .filter(determinations::recorded_at.ge(filter.listing.window_start()))
        .filter(determinations::recorded_at.lt(filter.listing.window_end()))
        .order(determinations::id.desc())
        .limit(limit)
        .select(DeterminationRow::as_select())
        .into_boxed();
    if let Some(run) = filter.wanted.run {
        query = query.filter(determinations::run_id.eq(RunId(run)));
    }
    if let Some(method) = filter.wanted.method {
        query = query.filter(determinations::method_id.eq(method));
    }
    if let Some(person) = filter.wanted.recorded_by {
        let titrated = titrations::table
            .filter(titrations::determination_id.eq(determinations::id))
            .filter(titrations::recorded_by.eq(person));
        query = query.filter(determinations::recorded_by.eq(person).or(diesel::dsl::exists(titrated)));
    }
    Ok(query.load(&mut connection).await?)
}

/// The newest determinations with a titration by one of these factors.
pub(super) async fn newest_with_factors(
    mut connection: &Connection,
    factors: &[FactorId],
    limit: i64,
) -> Result<Vec<DeterminationRow>, Refusal> {
    let used = titrations::table.filter(titrations::factor_id.eq_any(factors)).select(titrations::determination_id);
    Ok(determinations::table
        .filter(determinations::id.eq_any(used))
        .order(determinations::id.desc())
        .limit(limit)
        .select(DeterminationRow::as_select())
        .load(&mut connection)
        .await?)
}

/// The newest determinations by versions of a method, samples and controls.
pub(super) async fn newest_by_methods(
    mut connection: &Connection,
    methods: &[MethodId],
    limit: i64,
) -> Result<Vec<DeterminationRow>, Refusal> {
    Ok(determinations::table
        .filter(determinations::method_id.eq_any(methods))
        .order(determinations::id.desc())
        .limit(limit)
        .select(DeterminationRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Determinations of a run, in the order of recording.
pub(super) async fn of_run(mut connection: &Connection, run: RunId) -> Result<Vec<DeterminationRow>, Refusal> {
    Ok(determinations::table
        .filter(determinations::run_id.eq(run))
        .order(determinations::id)
        .select(DeterminationRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Determinations of test portions, in whatever state.
pub async fn of_portions(mut connection: &Connection, portions: &[Uuid]) -> Result<Vec<DeterminationRow>, Refusal> {
    Ok(determinations::table
        .filter(among(determinations::portion_id, portions))
        .select(DeterminationRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Determinations of samples by versions of a method, observed in a stretch of time.
pub(super) async fn of_samples_between(
    mut connection: &Connection,
    methods: &[MethodId],
    (after, until): (DateTime<Utc>, DateTime<Utc>),
    limit: i64,
) -> Result<Vec<DeterminationRow>, Refusal> {
    Ok(determinations::table
        .filter(determinations::method_id.eq_any(methods))
        .filter(determinations::purpose.eq("sample"))
        .filter(determinations::observed_at.gt(after))
        .filter(determinations::observed_at.le(until))
        .order(determinations::observed_at)
        .limit(limit)
        .select(DeterminationRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Determinations of samples, newest first; controls are not among them.
pub(super) async fn of_samples(
    mut connection: &Connection,
    samples: &[Uuid],
) -> Result<Vec<DeterminationRow>, Refusal> {
    Ok(determinations::table
        .filter(determinations::sample_id.eq_any(samples))
        .filter(determinations::purpose.eq("sample"))
        .order(determinations::id.desc())
        .select(DeterminationRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Determinations by their ids, newest first.
pub(super) async fn determinations_by_id(
    mut connection: &Connection,
    ids: &[Uuid],
) -> Result<Vec<DeterminationRow>, Refusal> {
    let ids: Vec<DeterminationId> = ids.iter().copied().map(DeterminationId).collect();
    Ok(determinations::table
        .filter(determinations::id.eq_any(ids))
        .order(determinations::id.desc())
        .select(DeterminationRow::as_select())
        .load(&mut connection)
        .await?)
}

/// A titration as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = titrations)]
pub struct TitrationRow {
    pub id: TitrationId,
    pub record_id: Uuid,
    pub version: i32,
    pub supersedes: Option<TitrationId>,
    pub reason: Option<String>,
    pub determination_id: DeterminationId,
    pub position: i32,
    pub kind: String,
    pub titrant_id: TitrantId,
    pub factor_id: FactorId,
    pub burette_id: Uuid,
    pub calibration_id: CalibrationId,
    pub initial_readings: Vec<Decimal>,
    pub final_readings: Vec<Decimal>,
    pub solution_temperature: Option<Decimal>,
    pub indicator: String,
    pub indicator_drops: Option<i32>,
    pub end_point: String,
    pub end_point_note: Option<String>,
    pub reduction: Option<Json<ReductionText>>,
    pub oxidant_factor_id: Option<FactorId>,
    pub oxidant_pipette_id: Option<Uuid>,
    pub waste_stream: String,
    pub concession_id: Option<ConcessionId>,
    pub late: bool,
    pub observed_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const TITRATION_MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "titrations_order",
        code: Code::StateConflict,
        field: "",
        detail: "somebody recorded another titration at the same moment; send it again",
    },
    ConstraintMeaning {
        constraint: "titrations_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
];

pub(super) async fn insert_titration(mut connection: &Connection, row: &TitrationRow) -> Result<TitrationRow, Refusal> {
    diesel::insert_into(titrations::table)
        .values(row)
        .returning(TitrationRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, TITRATION_MEANINGS))
}

/// All versions of all titrations of several determinations, those of one together and in order.
/// The determination that somebody titrated last.
pub(super) async fn titrated_last_by(
    mut connection: &Connection,
    account: AccountId,
) -> Result<Option<DeterminationId>, Refusal> {
    Ok(titrations::table
        .filter(titrations::recorded_by.eq(account))
        .order(titrations::id.desc())
        .select(titrations::determination_id)
        .first(&mut connection)
        .await
        .optional()?)
}

pub(super) async fn titrations_of(
    mut connection: &Connection,
    determinations: &[DeterminationId],
) -> Result<Vec<TitrationRow>, Refusal> {
    Ok(titrations::table
        .filter(among(titrations::determination_id, determinations))
        .order((titrations::determination_id, titrations::position, titrations::version))
        .select(TitrationRow::as_select())
        .load(&mut connection)
        .await?)
}

/// All versions of one titration, oldest first.
pub(super) async fn versions(mut connection: &Connection, record: Uuid) -> Result<Vec<TitrationRow>, Refusal> {
    let rows: Vec<TitrationRow> = titrations::table
        .filter(titrations::record_id.eq(record))
        .order(titrations::version)
        .select(TitrationRow::as_select())
        .load(&mut connection)
        .await?;
    if rows.is_empty() { Err(Refusal::not_found("titration", record)) } else { Ok(rows) }
}

/// Whose supervision a titration was made under, as stored.
#[derive(Debug, Insertable)]
#[diesel(table_name = titration_supervisions)]
struct SupervisionRow {
    id: SupervisionId,
    titration_id: TitrationId,
    supervisor_id: AccountId,
    recorded_by: AccountId,
}

pub(super) async fn insert_supervision(
    mut connection: &Connection,
    titration: &TitrationRow,
    supervisor: AccountId,
) -> Result<(), Refusal> {
    let row = SupervisionRow {
        id: SupervisionId::new(),
        titration_id: titration.id,
        supervisor_id: supervisor,
        recorded_by: titration.recorded_by,
    };
    let meaning = ConstraintMeaning {
        constraint: "titration_supervisions_not_of_oneself",
        code: Code::Invalid,
        field: "supervisor",
        detail: "must be another person than the one who records",
    };
    diesel::insert_into(titration_supervisions::table)
        .values(&row)
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, &[meaning]))?;
    Ok(())
}

/// Supervisors of titrations, by version.
pub(super) async fn supervisions(
    mut connection: &Connection,
    titrations: &[Uuid],
) -> Result<Vec<(TitrationId, AccountId)>, Refusal> {
    if titrations.is_empty() {
        return Ok(Vec::new());
    }
    Ok(titration_supervisions::table
        .filter(titration_supervisions::titration_id.eq_any(titrations))
        .select((titration_supervisions::titration_id, titration_supervisions::supervisor_id))
        .load(&mut connection)
        .await?)
}

/// An iron(III) result as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = iron_results)]
pub struct IronResultRow {
    pub id: IronResultId,
    pub code: String,
    pub sample_id: Uuid,
    pub total_id: DeterminationId,
    pub iron2_id: DeterminationId,
    pub observed_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const IRON_RESULT_MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "iron_results_code_once",
    code: Code::AlreadyExists,
    field: "code",
    detail: "there is an iron result with this code",
}];

pub(super) async fn insert_iron_result(
    mut connection: &Connection,
    row: &IronResultRow,
) -> Result<IronResultRow, Refusal> {
    diesel::insert_into(iron_results::table)
        .values(row)
        .returning(IronResultRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, IRON_RESULT_MEANINGS))
}

pub(crate) async fn iron_result(mut connection: &Connection, id: Uuid) -> Result<IronResultRow, Refusal> {
    let row = iron_results::table
        .find(IronResultId(id))
        .select(IronResultRow::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    row.ok_or_else(|| Refusal::not_found("iron result", id))
}

pub(super) async fn list_iron_results(
    mut connection: &Connection,
    listing: &Listing,
    limit: i64,
) -> Result<Vec<IronResultRow>, Refusal> {
    Ok(iron_results::table
        .filter(iron_results::id.lt(IronResultId(listing.before())))
        .filter(iron_results::recorded_at.ge(listing.window_start()))
        .filter(iron_results::recorded_at.lt(listing.window_end()))
        .order(iron_results::id.desc())
        .limit(limit)
        .select(IronResultRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Iron results by their identities, newest first.
pub(super) async fn iron_results_by_id(
    mut connection: &Connection,
    ids: &[Uuid],
) -> Result<Vec<IronResultRow>, Refusal> {
    Ok(iron_results::table
        .filter(iron_results::id.eq_any(ids))
        .order(iron_results::id.desc())
        .select(IronResultRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Those of these codes that an iron result has.
pub(super) async fn iron_result_codes(mut connection: &Connection, codes: &[String]) -> Result<Vec<String>, Refusal> {
    Ok(iron_results::table
        .filter(iron_results::code.eq_any(codes))
        .select(iron_results::code)
        .load(&mut connection)
        .await?)
}

/// Iron results that were computed from any of these determinations.
pub(super) async fn iron_results_from(
    mut connection: &Connection,
    determinations: &[DeterminationId],
) -> Result<Vec<IronResultRow>, Refusal> {
    let from = iron_results::total_id.eq_any(determinations).or(iron_results::iron2_id.eq_any(determinations));
    Ok(iron_results::table
        .filter(from)
        .order(iron_results::id)
        .select(IronResultRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Iron results of samples, newest first.
pub(super) async fn iron_results_of_samples(
    mut connection: &Connection,
    samples: &[Uuid],
) -> Result<Vec<IronResultRow>, Refusal> {
    Ok(iron_results::table
        .filter(iron_results::sample_id.eq_any(samples))
        .order(iron_results::id.desc())
        .select(IronResultRow::as_select())
        .load(&mut connection)
        .await?)
}
