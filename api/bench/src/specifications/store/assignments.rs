//! Tables of what samples were given, and of what was taken off them.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::among::among;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, SampleSpecificationId, SpecificationId, SpecificationRemovalId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_schema::{decision_rules, sample_specifications, specification_removals, specifications as table};
use uuid::Uuid;

use crate::specifications::store::{rules, specifications};

/// A specification of a sample as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = sample_specifications)]
pub struct AssignmentRow {
    pub id: SampleSpecificationId,
    pub sample_id: Uuid,
    pub specification_id: SpecificationId,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// Its end as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = specification_removals)]
pub struct RemovalRow {
    pub id: SpecificationRemovalId,
    pub sample_specification_id: SampleSpecificationId,
    pub reason: String,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// A specification of a sample with everything a statement needs.
#[derive(Debug, Clone)]
pub struct Assigned {
    pub assignment: AssignmentRow,
    pub specification: specifications::versions::Row,
    /// Its own decision rule; without one, that of the method version counts.
    pub rule: Option<rules::versions::Row>,
    pub removal: Option<RemovalRow>,
}

/// Everything that samples were ever given, that of one together and oldest first.
pub async fn of_samples(mut connection: &Connection, samples: &[Uuid]) -> Result<Vec<Assigned>, Refusal> {
    type Joined = (AssignmentRow, specifications::versions::Row, Option<rules::versions::Row>, Option<RemovalRow>);
    let rows: Vec<Joined> = sample_specifications::table
        .inner_join(table::table.on(table::id.eq(sample_specifications::specification_id)))
        .left_join(decision_rules::table.on(decision_rules::id.nullable().eq(table::decision_rule_id)))
        .left_join(
            specification_removals::table
                .on(specification_removals::sample_specification_id.eq(sample_specifications::id)),
        )
        .filter(among(sample_specifications::sample_id, samples))
        .order((sample_specifications::sample_id, sample_specifications::id))
        .select((
            AssignmentRow::as_select(),
            specifications::versions::Row::as_select(),
            Option::<rules::versions::Row>::as_select(),
            Option::<RemovalRow>::as_select(),
        ))
        .load(&mut connection)
        .await?;
    let assigned = |(assignment, specification, rule, removal)| Assigned { assignment, specification, rule, removal };
    Ok(rows.into_iter().map(assigned).collect())
}

/// One assignment.
pub async fn find(mut connection: &Connection, id: Uuid) -> Result<AssignmentRow, Refusal> {
    sample_specifications::table
        .find(SampleSpecificationId(id))
        .select(AssignmentRow::as_select())
        .first(&mut connection)
        .await
        .optional()?
        .ok_or_else(|| Refusal::not_found("specification of a sample", id))
}

/// Samples that have some version of a specification now, newest assigned first.
pub async fn samples_of(mut connection: &Connection, record: Uuid, limit: i64) -> Result<Vec<Uuid>, Refusal> {
    let removed = specification_removals::table
        .filter(specification_removals::sample_specification_id.eq(sample_specifications::id));
    Ok(sample_specifications::table
        .inner_join(table::table.on(table::id.eq(sample_specifications::specification_id)))
        .filter(table::record_id.eq(record))
        .filter(diesel::dsl::not(diesel::dsl::exists(removed)))
        .order(sample_specifications::id.desc())
        .limit(limit)
        .select(sample_specifications::sample_id)
        .load(&mut connection)
        .await?)
}

/// Records an assignment.
pub async fn insert(mut connection: &Connection, row: &AssignmentRow) -> Result<AssignmentRow, Refusal> {
    diesel::insert_into(sample_specifications::table)
        .values(row)
        .returning(AssignmentRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

/// Records its end.
pub async fn insert_removal(mut connection: &Connection, row: &RemovalRow) -> Result<RemovalRow, Refusal> {
    diesel::insert_into(specification_removals::table)
        .values(row)
        .returning(RemovalRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "sample_specifications_sample_id",
        code: Code::NotFound,
        field: "",
        detail: "there is no such sample",
    },
    ConstraintMeaning {
        constraint: "specification_removals_once",
        code: Code::StateConflict,
        field: "",
        detail: "it was taken off the sample already",
    },
];
