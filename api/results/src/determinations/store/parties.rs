//! Who had a hand in several determinations at once, for lists of what waits for whom; a signature looks at the record itself.

use std::collections::HashMap;

use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

#[derive(QueryableByName)]
struct PartyRow {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    party: AccountId,
}

/// One statement for all of them: who opened it, took its portion, titrated, rejected, supervised, recorded the run's blanks,
/// signed as its author or amended it.
const PARTIES: &str = "\
    SELECT id, recorded_by AS party FROM determinations WHERE id = ANY($1) \
    UNION SELECT d.id, p.recorded_by FROM determinations d JOIN LATERAL (SELECT recorded_by FROM test_portions \
        WHERE record_id = d.portion_id ORDER BY version DESC LIMIT 1) p ON true WHERE d.id = ANY($1) \
    UNION SELECT determination_id, recorded_by FROM titrations WHERE determination_id = ANY($1) \
    UNION SELECT t.determination_id, m.recorded_by FROM titrations t JOIN state_moves m ON m.entity_id = t.id \
        WHERE t.determination_id = ANY($1) AND m.recorded_by IS NOT NULL \
    UNION SELECT t.determination_id, s.supervisor_id FROM titrations t \
        JOIN titration_supervisions s ON s.titration_id = t.id WHERE t.determination_id = ANY($1) \
    UNION SELECT d.id, b.recorded_by FROM determinations d JOIN blanks b ON b.run_id = d.run_id WHERE d.id = ANY($1) \
    UNION SELECT entity_id, recorded_by FROM sign_offs WHERE entity_id = ANY($1) AND meaning = 'authored' \
    UNION SELECT entity_id, recorded_by FROM state_moves WHERE entity_id = ANY($1) AND to_state = 'amended' \
        AND recorded_by IS NOT NULL";

/// Who reviewed each since its latest amendment.
const REVIEWERS: &str = "\
    SELECT s.entity_id AS id, s.recorded_by AS party FROM sign_offs s WHERE s.entity_id = ANY($1) \
        AND s.meaning = 'reviewed' AND NOT EXISTS (SELECT FROM state_moves m WHERE m.entity_id = s.entity_id \
        AND m.to_state = 'amended' AND m.recorded_at > s.recorded_at)";

async fn grouped(
    mut connection: &Connection,
    query: &str,
    ids: &[Uuid],
) -> Result<HashMap<Uuid, Vec<AccountId>>, Refusal> {
    let mut found: HashMap<Uuid, Vec<AccountId>> = HashMap::new();
    if ids.is_empty() {
        return Ok(found);
    }
    let rows: Vec<PartyRow> = diesel::sql_query(query)
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(ids)
        .load(&mut connection)
        .await?;
    for row in rows {
        found.entry(row.id).or_default().push(row.party);
    }
    Ok(found)
}

/// Everybody who had a hand in each of these determinations.
pub async fn of(connection: &Connection, ids: &[Uuid]) -> Result<HashMap<Uuid, Vec<AccountId>>, Refusal> {
    grouped(connection, PARTIES, ids).await
}

/// Who reviewed each of these, determinations or iron results, since its latest amendment.
pub async fn reviewers(connection: &Connection, ids: &[Uuid]) -> Result<HashMap<Uuid, Vec<AccountId>>, Refusal> {
    grouped(connection, REVIEWERS, ids).await
}
