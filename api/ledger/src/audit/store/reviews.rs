//! Table of reviews of the audit trail.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, TrailReviewId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_schema::{audit_tree_heads, nonconformities, trail_reviews};
use uuid::Uuid;

use crate::audit::store::HeadRow;

/// A review as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = trail_reviews)]
pub struct ReviewRow {
    pub id: TrailReviewId,
    pub number: i32,
    /// First leaf that it looks at.
    pub from_size: i64,
    /// Leaves up to its end.
    pub until_size: i64,
    pub root_hash: Vec<u8>,
    pub from_at: DateTime<Utc>,
    pub until_at: DateTime<Utc>,
    pub exclusions: i64,
    pub corrections: i64,
    pub released: i64,
    pub refused_sign_ins: i64,
    pub sign_ins: i64,
    pub findings: String,
    pub nonconformities: Vec<String>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

const AT_THE_SAME_MOMENT: &str =
    "somebody reviewed this time at the same moment: read the review, and what is new since";

const fn taken(constraint: &'static str) -> ConstraintMeaning {
    ConstraintMeaning { constraint, code: Code::StaleVersion, field: "", detail: AT_THE_SAME_MOMENT }
}

const MEANINGS: &[ConstraintMeaning] =
    &[taken("trail_reviews_join"), taken("trail_reviews_number_once"), taken("trail_reviews_from_once")];

pub async fn insert_review(mut connection: &Connection, row: &ReviewRow) -> Result<ReviewRow, Refusal> {
    diesel::insert_into(trail_reviews::table)
        .values(row)
        .returning(ReviewRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

/// The newest review.
pub async fn last_review(mut connection: &Connection) -> Result<Option<ReviewRow>, Refusal> {
    Ok(trail_reviews::table
        .order(trail_reviews::number.desc())
        .select(ReviewRow::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}

/// Reviews made before one, newest first.
pub async fn reviews(mut connection: &Connection, before: Uuid, limit: i64) -> Result<Vec<ReviewRow>, Refusal> {
    Ok(trail_reviews::table
        .filter(trail_reviews::id.lt(TrailReviewId(before)))
        .order(trail_reviews::id.desc())
        .limit(limit)
        .select(ReviewRow::as_select())
        .load(&mut connection)
        .await?)
}

pub async fn review(mut connection: &Connection, id: Uuid) -> Result<Option<ReviewRow>, Refusal> {
    let found = trail_reviews::table.find(TrailReviewId(id)).select(ReviewRow::as_select());
    Ok(found.first(&mut connection).await.optional()?)
}

/// Every review, oldest first.
pub async fn every_review(mut connection: &Connection) -> Result<Vec<ReviewRow>, Refusal> {
    Ok(trail_reviews::table.order(trail_reviews::number).select(ReviewRow::as_select()).load(&mut connection).await?)
}

/// The signed head of a size.
pub async fn head_of(mut connection: &Connection, size: i64) -> Result<Option<HeadRow>, Refusal> {
    Ok(audit_tree_heads::table.find(size).select(HeadRow::as_select()).first(&mut connection).await.optional()?)
}

/// Which of some codes are of nonconformities.
pub async fn nonconformities_of(mut connection: &Connection, codes: &[String]) -> Result<Vec<String>, Refusal> {
    Ok(nonconformities::table
        .filter(nonconformities::code.eq_any(codes))
        .select(nonconformities::code)
        .load(&mut connection)
        .await?)
}
