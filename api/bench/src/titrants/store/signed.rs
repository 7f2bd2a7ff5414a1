//! Signatures on standardisations and on releases of prepared lots, with the rows they stand over and the factors they put into
//! force.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Bool, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{FactorId, SignOffId};
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

/// A signature over a factor, or over what gives one.
#[derive(Debug, Clone, QueryableByName)]
pub struct Signed {
    #[diesel(sql_type = SqlUuid)]
    pub id: SignOffId,
    #[diesel(sql_type = Text)]
    pub entity_kind: String,
    #[diesel(sql_type = SqlUuid)]
    pub entity_id: Uuid,
    #[diesel(sql_type = Text)]
    pub meaning: String,
    #[diesel(sql_type = Text)]
    pub content_digest: String,
    #[diesel(sql_type = Text)]
    pub formula_set: String,
    /// The concentration as it was kept, with an approval.
    #[diesel(sql_type = Nullable<Text>)]
    pub evaluation: Option<String>,
    #[diesel(sql_type = Timestamptz)]
    pub recorded_at: DateTime<Utc>,
    /// Rows it stands over, or its author's signature on the same content does; none of an early release.
    #[diesel(sql_type = Nullable<Array<SqlUuid>>)]
    pub rows: Option<Vec<Uuid>>,
    /// Whether it is on record that it fits no rows.
    #[diesel(sql_type = Bool)]
    pub marked: bool,
    /// Factors that came of it: one of an approval, none of another signature.
    #[diesel(sql_type = Array<SqlUuid>)]
    pub factors: Vec<Uuid>,
}

// An approval follows its factor in the same transaction, so that what came between the approval before and this one is its own.
const AFTER: &str = "SELECT s.id, s.entity_kind, s.entity_id, s.meaning, s.content_digest, s.formula_set, s.evaluation, \
    s.recorded_at, (SELECT p.row_ids FROM sign_offs a JOIN pins p ON p.sign_off_id = a.id \
     WHERE a.entity_id = s.entity_id AND a.content_digest = s.content_digest AND a.id <= s.id \
     AND a.meaning = CASE s.entity_kind WHEN 'titrants' THEN 'approved' ELSE 'authored' END \
     AND (s.entity_kind <> 'titrants' OR a.id = s.id) ORDER BY a.id DESC LIMIT 1) AS rows, \
    EXISTS (SELECT FROM sign_offs a JOIN unpinned_signatures n ON n.sign_off_id = a.id \
     WHERE a.entity_id = s.entity_id AND a.content_digest = s.content_digest) AS marked, \
    ARRAY(SELECT f.id FROM titrant_factors f WHERE s.meaning = 'approved' AND f.recorded_at <= s.recorded_at \
     AND CASE s.entity_kind WHEN 'titrants' THEN f.titrant_id = s.entity_id AND f.preparation_id IS NOT NULL \
         ELSE f.standardisation_id = s.entity_id END \
     AND NOT EXISTS (SELECT FROM sign_offs b WHERE b.entity_id = s.entity_id AND b.meaning = 'approved' \
         AND b.id <> s.id AND b.recorded_at >= f.recorded_at AND b.recorded_at < s.recorded_at)) AS factors \
    FROM sign_offs s WHERE s.entity_kind IN ('titrants', 'standardisations') \
    AND s.meaning IN ('authored', 'decided', 'approved') AND ($1 IS NULL OR s.id > $1) ORDER BY s.id LIMIT $2";

/// Signatures after one, in their order.
pub async fn after(mut connection: &Connection, after: Option<SignOffId>, limit: i64) -> Result<Vec<Signed>, Refusal> {
    Ok(diesel::sql_query(AFTER)
        .bind::<Nullable<SqlUuid>, _>(after)
        .bind::<BigInt, _>(limit)
        .load(&mut connection)
        .await?)
}

/// A factor with the code of its lot.
#[derive(Debug, QueryableByName)]
pub struct Unsigned {
    #[diesel(sql_type = SqlUuid)]
    pub id: FactorId,
    #[diesel(sql_type = Text)]
    pub lot: String,
}

/// Factors that no approval put into force.
pub async fn unsigned(mut connection: &Connection) -> Result<Vec<Unsigned>, Refusal> {
    let text = "SELECT f.id, t.code AS lot FROM titrant_factors f JOIN titrants t ON t.id = f.titrant_id \
        WHERE NOT EXISTS (SELECT FROM sign_offs s WHERE s.meaning = 'approved' AND s.recorded_at >= f.recorded_at \
        AND s.entity_id = CASE WHEN f.preparation_id IS NULL THEN f.standardisation_id ELSE f.titrant_id END \
        AND s.entity_kind = CASE WHEN f.preparation_id IS NULL THEN 'standardisations' ELSE 'titrants' END) ORDER BY f.id";
    Ok(diesel::sql_query(text).load(&mut connection).await?)
}

/// Factors that take the place of one they cannot: of another lot, of another origin, or from another moment.
pub async fn misplaced(mut connection: &Connection) -> Result<Vec<Unsigned>, Refusal> {
    let text = "SELECT f.id, t.code AS lot FROM factor_corrections c JOIN titrant_factors f ON f.id = c.factor_id \
        JOIN titrants t ON t.id = f.titrant_id JOIN titrant_factors o ON o.id = c.corrects_id \
        WHERE f.titrant_id <> o.titrant_id OR f.valid_from <> o.valid_from \
        OR f.standardisation_id IS DISTINCT FROM o.standardisation_id \
        OR (f.preparation_id IS NULL) <> (o.preparation_id IS NULL) ORDER BY f.id";
    Ok(diesel::sql_query(text).load(&mut connection).await?)
}
