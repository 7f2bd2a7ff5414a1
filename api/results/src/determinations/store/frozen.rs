//! Signatures with the evaluation that was kept with them and the rows they stand over.

use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Nullable, Text, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::SignOffId;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

/// A signature over a figure.
#[derive(Debug, Clone, QueryableByName)]
pub struct Frozen {
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
    #[diesel(sql_type = Text)]
    pub evaluation: String,
    /// Rows its author's signature on the same content stands over; none of an early release.
    #[diesel(sql_type = Nullable<Array<SqlUuid>>)]
    pub rows: Option<Vec<Uuid>>,
}

// Of iron(III) only what stands now: the sight of an earlier signature is that of signatures on its parts.
const AFTER: &str = "SELECT s.id, s.entity_kind, s.entity_id, s.meaning, s.content_digest, s.formula_set, s.evaluation, \
    (SELECT p.row_ids FROM sign_offs a JOIN pins p ON p.sign_off_id = a.id \
     WHERE a.entity_id = s.entity_id AND a.content_digest = s.content_digest AND a.meaning = 'authored' AND a.id <= s.id \
     ORDER BY a.id DESC LIMIT 1) AS rows \
    FROM sign_offs s WHERE s.evaluation IS NOT NULL AND s.meaning NOT IN ('rejected', 'witnessed') \
    AND (s.entity_kind = 'determinations' OR (s.entity_kind = 'iron_results' \
         AND s.content_digest = (SELECT a.content_digest FROM sign_offs a \
             WHERE a.entity_id = s.entity_id AND a.meaning = 'authored' ORDER BY a.id DESC LIMIT 1) \
         AND coalesce((SELECT m.to_state FROM state_moves m WHERE m.entity_id = s.entity_id \
             AND m.to_state <> 'invalidated' ORDER BY m.id DESC LIMIT 1), 'in progress') \
             NOT IN ('in progress', 'returned', 'amended'))) \
    AND ($1 IS NULL OR s.id > $1) ORDER BY s.id LIMIT $2";

/// Signatures over figures after one, in their order.
pub async fn after(mut connection: &Connection, after: Option<SignOffId>, limit: i64) -> Result<Vec<Frozen>, Refusal> {
    Ok(diesel::sql_query(AFTER)
        .bind::<Nullable<SqlUuid>, _>(after)
        .bind::<BigInt, _>(limit)
        .load(&mut connection)
        .await?)
}
