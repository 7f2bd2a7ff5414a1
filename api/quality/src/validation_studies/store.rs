//! Tables of validation studies.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{
    AccountId, DeterminationId, ImportedFileId, IronResultId, MethodId, ValidationAmendmentId,
    ValidationCharacteristicId, ValidationConclusionId, ValidationDatumId, ValidationExclusionId,
    ValidationIronDatumId, ValidationStudyId,
};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::json::Json;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_schema::{
    validation_amendments, validation_characteristics, validation_conclusions, validation_data, validation_exclusions,
    validation_iron_data, validation_studies,
};
use uuid::Uuid;

use crate::validation_studies::data::Labels;
use crate::validation_studies::kinds::{Design, Limit};

/// A study as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = validation_studies)]
pub(super) struct StudyRow {
    pub(super) id: ValidationStudyId,
    pub(super) code: String,
    pub(super) title: String,
    pub(super) purpose: String,
    pub(super) method_id: MethodId,
    #[diesel(skip_insertion)]
    pub(super) recorded_at: DateTime<Utc>,
    pub(super) recorded_by: AccountId,
}

/// A characteristic as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = validation_characteristics)]
pub(super) struct CharacteristicRow {
    pub(super) id: ValidationCharacteristicId,
    pub(super) study_id: ValidationStudyId,
    pub(super) position: i32,
    pub(super) kind: String,
    pub(super) title: String,
    pub(super) unit: String,
    pub(super) planned_n: i32,
    pub(super) design: Json<Design>,
    pub(super) limits: Json<Vec<Limit>>,
    pub(super) recorded_by: AccountId,
}

/// A late change as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = validation_amendments)]
pub(super) struct AmendmentRow {
    pub(super) id: ValidationAmendmentId,
    pub(super) characteristic_id: ValidationCharacteristicId,
    pub(super) number: i32,
    pub(super) old_limits: Json<Vec<Limit>>,
    pub(super) limits: Json<Vec<Limit>>,
    pub(super) reason: String,
    #[diesel(skip_insertion)]
    pub(super) recorded_at: DateTime<Utc>,
    pub(super) recorded_by: AccountId,
}

/// A datum as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = validation_data)]
pub(super) struct DatumRow {
    pub(super) id: ValidationDatumId,
    pub(super) characteristic_id: ValidationCharacteristicId,
    pub(super) position: i32,
    pub(super) value: Decimal,
    pub(super) standard_uncertainty: Option<Decimal>,
    pub(super) labels: Json<Labels>,
    pub(super) source: String,
    pub(super) determination_id: Option<DeterminationId>,
    pub(super) content_digest: Option<String>,
    pub(super) file_id: Option<ImportedFileId>,
    pub(super) line: Option<i32>,
    #[diesel(skip_insertion)]
    pub(super) recorded_at: DateTime<Utc>,
    pub(super) recorded_by: AccountId,
}

/// The iron result that gave a datum, as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = validation_iron_data)]
pub(super) struct IronDatumRow {
    pub(super) id: ValidationIronDatumId,
    pub(super) datum_id: ValidationDatumId,
    pub(super) characteristic_id: ValidationCharacteristicId,
    pub(super) iron_result_id: IronResultId,
    pub(super) total: Decimal,
    pub(super) recorded_by: AccountId,
}

/// An exclusion as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = validation_exclusions)]
pub(super) struct ExclusionRow {
    pub(super) id: ValidationExclusionId,
    pub(super) datum_id: ValidationDatumId,
    pub(super) cause: String,
    pub(super) evidence: String,
    #[diesel(skip_insertion)]
    pub(super) recorded_at: DateTime<Utc>,
    pub(super) recorded_by: AccountId,
}

/// A conclusion as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = validation_conclusions)]
pub(super) struct ConclusionRow {
    pub(super) id: ValidationConclusionId,
    pub(super) study_id: ValidationStudyId,
    pub(super) number: i32,
    pub(super) fit: bool,
    pub(super) words: String,
    pub(super) validated_low: Decimal,
    pub(super) validated_high: Decimal,
    pub(super) unit: String,
    pub(super) matrix: String,
    pub(super) limitations: String,
    #[diesel(skip_insertion)]
    pub(super) recorded_at: DateTime<Utc>,
    pub(super) recorded_by: AccountId,
}

const fn meaning(constraint: &'static str, code: Code, field: &'static str, detail: &'static str) -> ConstraintMeaning {
    ConstraintMeaning { constraint, code, field, detail }
}

const MEANINGS: &[ConstraintMeaning] = &[
    meaning("validation_studies_code_once", Code::AlreadyExists, "code", "a study has this code"),
    meaning("validation_studies_method_id", Code::UnknownReference, "method", "there is no such method version"),
    meaning(
        "validation_plan_frozen",
        Code::StateConflict,
        "",
        "the plan is frozen since it was decided on: a late change of its limits is an amendment",
    ),
    meaning(
        "validation_study_running",
        Code::StateConflict,
        "",
        "the study is not running: data, exclusions and amendments follow the approval of the plan and precede the conclusion",
    ),
    meaning(
        "validation_data_determination_once",
        Code::AlreadyExists,
        "determination",
        "the determination is a datum of this characteristic already",
    ),
    meaning(
        "validation_iron_data_once",
        Code::AlreadyExists,
        "iron_result",
        "the iron result is a datum of this characteristic already",
    ),
    meaning(
        "validation_data_position_once",
        Code::StateConflict,
        "",
        "somebody recorded data at the same moment; send it again",
    ),
    meaning(
        "validation_amendments_number_once",
        Code::StateConflict,
        "",
        "somebody amended at the same moment; read it again",
    ),
    meaning(
        "validation_conclusions_number_once",
        Code::StateConflict,
        "",
        "somebody concluded at the same moment; read it again",
    ),
];

macro_rules! inserts {
    ($($name:ident into $table:ident of $row:ident;)+) => {$(
        pub(super) async fn $name(mut connection: &Connection, row: &$row) -> Result<$row, Refusal> {
            diesel::insert_into($table::table)
                .values(row)
                .returning($row::as_returning())
                .get_result(&mut connection)
                .await
                .map_err(|error| from_store(error, MEANINGS))
        }
    )+};
}

inserts! {
    insert_study into validation_studies of StudyRow;
    insert_amendment into validation_amendments of AmendmentRow;
    insert_exclusion into validation_exclusions of ExclusionRow;
    insert_conclusion into validation_conclusions of ConclusionRow;
}

pub(super) async fn insert_characteristics(
    mut connection: &Connection,
    rows: &[CharacteristicRow],
) -> Result<(), Refusal> {
    diesel::insert_into(validation_characteristics::table)
        .values(rows)
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))?;
    Ok(())
}

pub(super) async fn insert_data(mut connection: &Connection, rows: &[DatumRow]) -> Result<(), Refusal> {
    // A statement has at most 65 535 parameters.
    for rows in rows.chunks(1000) {
        diesel::insert_into(validation_data::table)
            .values(rows)
            .execute(&mut connection)
            .await
            .map_err(|error| from_store(error, MEANINGS))?;
    }
    Ok(())
}

pub(super) async fn insert_iron_data(mut connection: &Connection, rows: &[IronDatumRow]) -> Result<(), Refusal> {
    diesel::insert_into(validation_iron_data::table)
        .values(rows)
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))?;
    Ok(())
}

/// Iron results that gave data of characteristics.
pub(super) async fn iron_data(
    mut connection: &Connection,
    of: &[ValidationCharacteristicId],
) -> Result<Vec<IronDatumRow>, Refusal> {
    Ok(validation_iron_data::table
        .filter(validation_iron_data::characteristic_id.eq_any(of))
        .select(IronDatumRow::as_select())
        .load(&mut connection)
        .await?)
}

macro_rules! finds {
    ($($name:ident in $table:ident of $row:ident by $id:ident as $noun:literal;)+) => {$(
        pub(super) async fn $name(mut connection: &Connection, id: Uuid) -> Result<$row, Refusal> {
            let row = $table::table.find($id(id)).select($row::as_select()).first(&mut connection).await.optional()?;
            row.ok_or_else(|| Refusal::not_found($noun, id))
        }
    )+};
}

finds! {
    study in validation_studies of StudyRow by ValidationStudyId as "validation study";
    characteristic in validation_characteristics of CharacteristicRow by ValidationCharacteristicId as "characteristic";
    amendment in validation_amendments of AmendmentRow by ValidationAmendmentId as "amendment of limits";
    datum in validation_data of DatumRow by ValidationDatumId as "datum";
    conclusion in validation_conclusions of ConclusionRow by ValidationConclusionId as "conclusion";
    exclusion in validation_exclusions of ExclusionRow by ValidationExclusionId as "exclusion of a datum";
}

/// Studies, newest first, one more than the limit.
pub(super) async fn list(mut connection: &Connection, listing: &Listing) -> Result<Vec<StudyRow>, Refusal> {
    Ok(validation_studies::table
        .filter(validation_studies::id.lt(ValidationStudyId(listing.before())))
        .filter(validation_studies::recorded_at.ge(listing.window_start()))
        .filter(validation_studies::recorded_at.lt(listing.window_end()))
        .order(validation_studies::id.desc())
        .limit(listing.limit()? + 1)
        .select(StudyRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Those of some studies that somebody planned, recorded data for or concluded.
pub(super) async fn taken_part_in(
    mut connection: &Connection,
    studies: &[Uuid],
    person: AccountId,
) -> Result<Vec<Uuid>, Refusal> {
    let mut found: Vec<ValidationStudyId> = validation_studies::table
        .filter(validation_studies::id.eq_any(studies))
        .filter(validation_studies::recorded_by.eq(person))
        .select(validation_studies::id)
        .load(&mut connection)
        .await?;
    let measured: Vec<ValidationStudyId> = validation_characteristics::table
        .inner_join(validation_data::table.on(validation_data::characteristic_id.eq(validation_characteristics::id)))
        .filter(validation_characteristics::study_id.eq_any(studies))
        .filter(validation_data::recorded_by.eq(person))
        .select(validation_characteristics::study_id)
        .distinct()
        .load(&mut connection)
        .await?;
    let concluded: Vec<ValidationStudyId> = validation_conclusions::table
        .filter(validation_conclusions::study_id.eq_any(studies))
        .filter(validation_conclusions::recorded_by.eq(person))
        .select(validation_conclusions::study_id)
        .distinct()
        .load(&mut connection)
        .await?;
    found.extend(measured);
    found.extend(concluded);
    Ok(found.into_iter().map(|id| id.0).collect())
}

/// The plan of a study, in its order.
pub(super) async fn plan(
    mut connection: &Connection,
    study: ValidationStudyId,
) -> Result<Vec<CharacteristicRow>, Refusal> {
    Ok(validation_characteristics::table
        .filter(validation_characteristics::study_id.eq(study))
        .order(validation_characteristics::position)
        .select(CharacteristicRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Late changes of characteristics, oldest first.
pub(super) async fn amendments(
    mut connection: &Connection,
    of: &[ValidationCharacteristicId],
) -> Result<Vec<AmendmentRow>, Refusal> {
    Ok(validation_amendments::table
        .filter(validation_amendments::characteristic_id.eq_any(of))
        .order((validation_amendments::characteristic_id, validation_amendments::number))
        .select(AmendmentRow::as_select())
        .load(&mut connection)
        .await?)
}

/// A page of the data of a characteristic in the order of recording, after a position and up to another.
pub(super) async fn data_between(
    mut connection: &Connection,
    of: ValidationCharacteristicId,
    (after, last): (i32, i32),
    limit: i64,
) -> Result<Vec<DatumRow>, Refusal> {
    Ok(validation_data::table
        .filter(validation_data::characteristic_id.eq(of))
        .filter(validation_data::position.gt(after))
        .filter(validation_data::position.le(last))
        .order(validation_data::position)
        .limit(limit)
        .select(DatumRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Data by their ids, in no order.
pub(super) async fn data_by_id(
    mut connection: &Connection,
    ids: &[ValidationDatumId],
) -> Result<Vec<DatumRow>, Refusal> {
    Ok(validation_data::table
        .filter(validation_data::id.eq_any(ids))
        .select(DatumRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Position of the last datum; 0 without any.
pub(super) async fn last_position(mut connection: &Connection, of: ValidationCharacteristicId) -> Result<i32, Refusal> {
    let last: Option<i32> = validation_data::table
        .filter(validation_data::characteristic_id.eq(of))
        .select(diesel::dsl::max(validation_data::position))
        .first(&mut connection)
        .await?;
    Ok(last.unwrap_or(0))
}

/// Exclusions of data, oldest first.
pub(super) async fn exclusions(
    mut connection: &Connection,
    of: &[ValidationDatumId],
) -> Result<Vec<ExclusionRow>, Refusal> {
    Ok(validation_exclusions::table
        .filter(validation_exclusions::datum_id.eq_any(of))
        .order(validation_exclusions::id)
        .select(ExclusionRow::as_select())
        .load(&mut connection)
        .await?)
}

/// Conclusions of a study, oldest first.
pub(super) async fn conclusions(
    mut connection: &Connection,
    study: ValidationStudyId,
) -> Result<Vec<ConclusionRow>, Refusal> {
    Ok(validation_conclusions::table
        .filter(validation_conclusions::study_id.eq(study))
        .order(validation_conclusions::number)
        .select(ConclusionRow::as_select())
        .load(&mut connection)
        .await?)
}
