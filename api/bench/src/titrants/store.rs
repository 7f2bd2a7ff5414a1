//! Tables of titrants, preparations, standardisations and factors.

pub mod behind;
pub mod corrections;
pub mod signed;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::among::among;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{
    AccountId, FactorId, PreparationId, PrimaryStandardId, StandardisationId, StandardisationLimitId,
    StandardisationTitrationId, TitrantId,
};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal, from_store};
use ferrotitre_base::web::decimal::{Decimal, in_range};
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::versions::versioned;
use ferrotitre_schema::{
    factor_corrections, standardisation_limits, standardisation_titrations, standardisations, titrant_factors,
    titrant_preparations, titrants,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// A titrant lot as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = titrants)]
pub struct TitrantRow {
    pub id: TitrantId,
    pub code: String,
    pub chemistry: String,
    pub nominal_concentration: Decimal,
    pub concentration_unit: String,
    pub nominal_mol_per_l: Decimal,
    pub route: String,
    pub factor_low: Decimal,
    pub factor_high: Decimal,
    pub storage: String,
    pub container: String,
    pub expires_at: DateTime<Utc>,
    pub observed_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const TITRANT_MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "titrants_code_once",
    code: Code::AlreadyExists,
    field: "code",
    detail: "there is a titrant lot with this code",
}];

pub async fn insert_titrant(mut connection: &Connection, row: &TitrantRow) -> Result<TitrantRow, Refusal> {
    diesel::insert_into(titrants::table)
        .values(row)
        .returning(TitrantRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, TITRANT_MEANINGS))
}

pub async fn titrant(mut connection: &Connection, id: Uuid) -> Result<TitrantRow, Refusal> {
    let row =
        titrants::table.find(TitrantId(id)).select(TitrantRow::as_select()).first(&mut connection).await.optional()?;
    row.ok_or_else(|| Refusal::not_found("titrant lot", id))
}

/// The newest lots; older ones than these are long used up.
pub async fn recent_titrants(mut connection: &Connection) -> Result<Vec<Uuid>, Refusal> {
    let ids: Vec<TitrantId> =
        titrants::table.order(titrants::id.desc()).limit(200).select(titrants::id).load(&mut connection).await?;
    Ok(ids.into_iter().map(|id| id.0).collect())
}

pub(super) async fn list_titrants(
    mut connection: &Connection,
    listing: &Listing,
    limit: i64,
) -> Result<Vec<TitrantRow>, Refusal> {
    Ok(titrants::table
        .filter(titrants::id.lt(TitrantId(listing.before())))
        .filter(titrants::recorded_at.ge(listing.window_start()))
        .filter(titrants::recorded_at.lt(listing.window_end()))
        .order(titrants::id.desc())
        .limit(limit)
        .select(TitrantRow::as_select())
        .load(&mut connection)
        .await?)
}

/// A direct preparation by mass.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = titrant_preparations)]
#[serde(deny_unknown_fields)]
pub struct PreparationFacts {
    /// Titrant lot.
    #[diesel(column_name = titrant_id)]
    pub titrant: Uuid,
    /// Version of the primary-standard lot.
    #[diesel(column_name = primary_standard_id)]
    pub primary_standard: PrimaryStandardId,
    /// Mass weighed, g, as read.
    #[schema(example = "4.9052")]
    pub mass_g: Decimal,
    /// Balance.
    #[diesel(column_name = balance_id)]
    pub balance: Uuid,
    /// Flask.
    #[diesel(column_name = flask_id)]
    pub flask: Uuid,
    /// Temperature at which the flask was made up, C.
    #[schema(example = "24.0")]
    pub solution_temperature: Decimal,
    /// When.
    pub observed_at: DateTime<Utc>,
}

impl PreparationFacts {
    fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        in_range(&mut errors, "mass_g", &self.mass_g, 0.000_001, 10_000.0, "g");
        in_range(&mut errors, "solution_temperature", &self.solution_temperature, 5.0, 40.0, "C");
        errors.check()
    }
}

const PREPARATION_MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "titrant_preparations_one_per_lot",
        code: Code::AlreadyExists,
        field: "",
        detail: "the lot has a preparation; correct that one",
    },
    ConstraintMeaning {
        constraint: "titrant_preparations_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
];

versioned! {
    table: titrant_preparations,
    id: PreparationId,
    facts: PreparationFacts,
    kind: ferrotitre_core::lifecycle::EntityKind::Titrant,
    path: "/api/v1/preparations",
    meanings: super::PREPARATION_MEANINGS,
    also: [exactly],
}

pub(super) async fn preparations(mut connection: &Connection, titrant: Uuid) -> Result<Vec<versions::Row>, Refusal> {
    Ok(titrant_preparations::table
        .filter(titrant_preparations::titrant_id.eq(titrant))
        .order(titrant_preparations::version)
        .select(versions::Row::as_select())
        .load(&mut connection)
        .await?)
}

/// A factor as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = titrant_factors)]
pub struct FactorRow {
    pub id: FactorId,
    pub titrant_id: TitrantId,
    pub preparation_id: Option<PreparationId>,
    pub standardisation_id: Option<StandardisationId>,
    pub concentration: Decimal,
    pub standard_uncertainty: Decimal,
    pub degrees_of_freedom: Option<Decimal>,
    pub factor: Decimal,
    pub valid_from: DateTime<Utc>,
    pub valid_to: DateTime<Utc>,
    pub evaluation: String,
    pub formula_set: String,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const FACTOR_MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "titrant_factors_start_once",
    code: Code::StateConflict,
    field: "",
    detail: "a factor of this lot begins at the same moment",
}];

pub async fn insert_factor(mut connection: &Connection, row: &FactorRow) -> Result<FactorRow, Refusal> {
    diesel::insert_into(titrant_factors::table)
        .values(row)
        .returning(FactorRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, FACTOR_MEANINGS))
}

/// The factor in force at a time: the latest that has begun and was not corrected.
pub async fn factor_at(
    mut connection: &Connection,
    titrant: TitrantId,
    at: DateTime<Utc>,
) -> Result<Option<FactorRow>, Refusal> {
    Ok(titrant_factors::table
        .filter(titrant_factors::titrant_id.eq(titrant))
        .filter(titrant_factors::valid_from.le(at))
        .filter(diesel::dsl::not(diesel::dsl::exists(
            factor_corrections::table.filter(factor_corrections::corrects_id.eq(titrant_factors::id)),
        )))
        .order(titrant_factors::valid_from.desc())
        .select(FactorRow::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}

/// Factors in force at a time with their lots, one for each lot that has one.
pub async fn in_force(
    mut connection: &Connection,
    lots: &[TitrantId],
    at: DateTime<Utc>,
) -> Result<Vec<(FactorRow, TitrantRow)>, Refusal> {
    Ok(titrant_factors::table
        .inner_join(titrants::table.on(titrants::id.eq(titrant_factors::titrant_id)))
        .filter(titrant_factors::titrant_id.eq_any(lots))
        .filter(titrant_factors::valid_from.le(at))
        .filter(diesel::dsl::not(diesel::dsl::exists(
            factor_corrections::table.filter(factor_corrections::corrects_id.eq(titrant_factors::id)),
        )))
        .distinct_on(titrant_factors::titrant_id)
        .order((titrant_factors::titrant_id, titrant_factors::valid_from.desc()))
        .select((FactorRow::as_select(), TitrantRow::as_select()))
        .load(&mut connection)
        .await?)
}

/// Factors of a lot that count, the newest first: each was in force from its moment on, and no other takes its place.
pub async fn factors(mut connection: &Connection, titrant: TitrantId) -> Result<Vec<FactorRow>, Refusal> {
    Ok(titrant_factors::table
        .filter(titrant_factors::titrant_id.eq(titrant))
        .filter(diesel::dsl::not(diesel::dsl::exists(
            factor_corrections::table.filter(factor_corrections::corrects_id.eq(titrant_factors::id)),
        )))
        .order(titrant_factors::valid_from.desc())
        .select(FactorRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Factors of some lots, those that were corrected among them, by their beginning.
pub async fn factors_of(mut connection: &Connection, lots: &[TitrantId]) -> Result<Vec<FactorRow>, Refusal> {
    Ok(titrant_factors::table
        .filter(titrant_factors::titrant_id.eq_any(lots))
        .order((titrant_factors::valid_from, titrant_factors::id))
        .select(FactorRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Factors with their lots, by id.
pub async fn factors_by_id(
    mut connection: &Connection,
    ids: &[FactorId],
) -> Result<Vec<(FactorRow, TitrantRow)>, Refusal> {
    Ok(titrant_factors::table
        .inner_join(titrants::table.on(titrants::id.eq(titrant_factors::titrant_id)))
        .filter(among(titrant_factors::id, ids))
        .select((FactorRow::as_select(), TitrantRow::as_select()))
        .load(&mut connection)
        .await?)
}

/// A standardisation as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = standardisations)]
pub struct StandardisationRow {
    pub id: StandardisationId,
    pub code: String,
    pub titrant_id: TitrantId,
    pub against: String,
    pub primary_standard_id: Option<PrimaryStandardId>,
    pub reference_factor_id: Option<FactorId>,
    pub balance_id: Option<Uuid>,
    pub pipette_id: Option<Uuid>,
    pub burette_id: Uuid,
    pub indicator: String,
    pub valid_days: i32,
    pub correct_burette: bool,
    pub correct_temperature: bool,
    pub correct_buoyancy: bool,
    pub observed_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const STANDARDISATION_MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "standardisations_code_once",
    code: Code::AlreadyExists,
    field: "code",
    detail: "there is a standardisation with this code",
}];

pub(super) async fn insert_standardisation(
    mut connection: &Connection,
    row: &StandardisationRow,
) -> Result<StandardisationRow, Refusal> {
    diesel::insert_into(standardisations::table)
        .values(row)
        .returning(StandardisationRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, STANDARDISATION_MEANINGS))
}

/// How far the replicates of a standardisation may differ, as stored.
#[derive(Debug, Insertable)]
#[diesel(table_name = standardisation_limits)]
struct LimitRow {
    id: StandardisationLimitId,
    standardisation_id: StandardisationId,
    agreement_percent: Decimal,
    recorded_by: AccountId,
}

pub(super) async fn insert_limit(
    mut connection: &Connection,
    of: &StandardisationRow,
    agreement_percent: Decimal,
) -> Result<(), Refusal> {
    let row = LimitRow {
        id: StandardisationLimitId::new(),
        standardisation_id: of.id,
        agreement_percent,
        recorded_by: of.recorded_by,
    };
    diesel::insert_into(standardisation_limits::table).values(&row).execute(&mut connection).await?;
    Ok(())
}

/// The limit stated with a standardisation, with its row.
pub(super) async fn limit_of(
    mut connection: &Connection,
    of: StandardisationId,
) -> Result<Option<(StandardisationLimitId, Decimal)>, Refusal> {
    Ok(standardisation_limits::table
        .filter(standardisation_limits::standardisation_id.eq(of))
        .select((standardisation_limits::id, standardisation_limits::agreement_percent))
        .first(&mut connection)
        .await
        .optional()?)
}

pub async fn standardisation(mut connection: &Connection, id: Uuid) -> Result<StandardisationRow, Refusal> {
    let row = standardisations::table
        .find(StandardisationId(id))
        .select(StandardisationRow::as_select())
        .first(&mut connection)
        .await
        .optional()?;
    row.ok_or_else(|| Refusal::not_found("standardisation", id))
}

pub(super) async fn standardisations_of(mut connection: &Connection, titrant: Uuid) -> Result<Vec<Uuid>, Refusal> {
    let ids: Vec<StandardisationId> = standardisations::table
        .filter(standardisations::titrant_id.eq(TitrantId(titrant)))
        .order(standardisations::id.desc())
        .limit(200)
        .select(standardisations::id)
        .load(&mut connection)
        .await?;
    Ok(ids.into_iter().map(|id| id.0).collect())
}

/// A titration of a standardisation as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = standardisation_titrations)]
pub struct StandardisationTitrationRow {
    pub id: StandardisationTitrationId,
    pub record_id: Uuid,
    pub version: i32,
    pub supersedes: Option<StandardisationTitrationId>,
    pub reason: Option<String>,
    pub standardisation_id: StandardisationId,
    pub position: i32,
    pub kind: String,
    pub mass_g: Option<Decimal>,
    pub initial_readings: Vec<Decimal>,
    pub final_readings: Vec<Decimal>,
    pub solution_temperature: Option<Decimal>,
    pub end_point: String,
    pub observed_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const TITRATION_MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "standardisation_titrations_order",
        code: Code::StateConflict,
        field: "",
        detail: "somebody recorded another one at the same moment; send it again",
    },
    ConstraintMeaning {
        constraint: "standardisation_titrations_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
];

pub(super) async fn insert_standardisation_titration(
    mut connection: &Connection,
    row: &StandardisationTitrationRow,
) -> Result<(), Refusal> {
    diesel::insert_into(standardisation_titrations::table)
        .values(row)
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, TITRATION_MEANINGS))?;
    Ok(())
}

pub(super) async fn standardisation_titrations(
    mut connection: &Connection,
    standardisation: StandardisationId,
) -> Result<Vec<StandardisationTitrationRow>, Refusal> {
    Ok(standardisation_titrations::table
        .filter(standardisation_titrations::standardisation_id.eq(standardisation))
        .order((standardisation_titrations::position, standardisation_titrations::version))
        .select(StandardisationTitrationRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Standardisation a titration belongs to.
pub(super) async fn standardisation_of_titration(mut connection: &Connection, record: Uuid) -> Result<Uuid, Refusal> {
    let found: Option<StandardisationId> = standardisation_titrations::table
        .filter(standardisation_titrations::record_id.eq(record))
        .select(standardisation_titrations::standardisation_id)
        .first(&mut connection)
        .await
        .optional()?;
    found.map(|id| id.0).ok_or_else(|| Refusal::not_found("standardisation titration", record))
}
