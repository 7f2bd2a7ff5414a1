//! Signatures that factors come from, and what those stand over.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{PreparationId, SignOffId, TitrantId};
use ferrotitre_base::pins::{Sight, Used};
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

type Sql<T> = diesel::sql_types::Array<T>;

/// The signature behind a factor.
#[derive(Debug, diesel::QueryableByName)]
pub struct Behind {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub factor: Uuid,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub sign_off: SignOffId,
    #[diesel(sql_type = Sql<diesel::sql_types::Text>)]
    kinds: Vec<String>,
    #[diesel(sql_type = Sql<diesel::sql_types::Uuid>)]
    row_ids: Vec<Uuid>,
    #[diesel(sql_type = Sql<diesel::sql_types::Timestamptz>)]
    used_at: Vec<DateTime<Utc>>,
}

impl Behind {
    /// What is read under it.
    pub fn sight(&self) -> Sight {
        Sight::Pinned(Arc::new(self.row_ids.iter().copied().collect()))
    }

    /// Adds the rows it stands over.
    pub fn add_to(&self, used: &mut Used) {
        for ((kind, id), at) in self.kinds.iter().zip(&self.row_ids).zip(&self.used_at) {
            used.add(kind, *id, *at);
        }
    }
}

/// A standardisation is signed before its factor is approved; a release stands over the version of the preparation.
const BEHIND: &str = "SELECT f.id AS factor, b.* FROM titrant_factors f CROSS JOIN LATERAL \
    (SELECT s.id AS sign_off, p.kinds, p.row_ids, p.used_at FROM sign_offs s JOIN pins p ON p.sign_off_id = s.id \
    WHERE s.entity_id = coalesce(f.standardisation_id, f.titrant_id) AND CASE WHEN f.preparation_id IS NULL \
    THEN s.meaning = 'authored' AND s.recorded_at <= f.recorded_at \
    ELSE s.meaning = 'approved' AND p.row_ids @> ARRAY[f.preparation_id] END ORDER BY s.id DESC LIMIT 1) b \
    WHERE f.id = ANY($1)";

/// The signatures behind factors; none for one whose signature has no pins.
pub async fn of_factors(mut connection: &Connection, factors: &[Uuid]) -> Result<Vec<Behind>, Refusal> {
    if factors.is_empty() {
        return Ok(Vec::new());
    }
    Ok(diesel::sql_query(BEHIND).bind::<Sql<diesel::sql_types::Uuid>, _>(factors).load(&mut connection).await?)
}

#[derive(diesel::QueryableByName)]
struct Rows {
    #[diesel(sql_type = Sql<diesel::sql_types::Uuid>)]
    row_ids: Vec<Uuid>,
}

/// What is read under the release that was signed over a version of a preparation; none for one that nobody released.
pub async fn of_preparation(
    mut connection: &Connection,
    titrant: TitrantId,
    version: PreparationId,
) -> Result<Option<Sight>, Refusal> {
    let rows: Vec<Rows> = diesel::sql_query(
        "SELECT p.row_ids FROM sign_offs s JOIN pins p ON p.sign_off_id = s.id WHERE s.entity_id = $1 \
         AND s.meaning = 'approved' AND p.row_ids @> ARRAY[$2] ORDER BY s.id DESC LIMIT 1",
    )
    .bind::<diesel::sql_types::Uuid, _>(titrant.0)
    .bind::<diesel::sql_types::Uuid, _>(version.0)
    .load(&mut connection)
    .await?;
    let sight = |rows: Rows| Sight::Pinned(Arc::new(rows.row_ids.into_iter().collect()));
    Ok(rows.into_iter().next().map(sight))
}
