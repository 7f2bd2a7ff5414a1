//! Results that can go on a certificate, found in one statement: what is of customers' samples, before any limit.

use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

/// A result that can be chosen.
#[derive(Debug, Clone, diesel::QueryableByName)]
pub(crate) struct Candidate {
    /// determinations or iron_results.
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub(crate) kind: String,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub(crate) id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub(crate) code: String,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub(crate) sample: Uuid,
    /// Method version of a determination.
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Uuid>)]
    pub(crate) method: Option<Uuid>,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub(crate) state: String,
}

/// Both kinds of results of customers' samples, as `r`, with their states, as `t`.
const RESULTS: &str = "(SELECT 'determinations' AS kind, id, code, sample_id AS sample, method_id AS method FROM determinations \
    WHERE purpose = 'sample' UNION ALL SELECT 'iron_results', id, code, sample_id, NULL FROM iron_results) r \
    JOIN present_states t ON t.entity_kind = r.kind AND t.entity_id = r.id";

/// Approved results, of a sample or of all, the newest so many of each kind; if asked for, only those that are on no draft.
pub(crate) async fn approved(
    mut connection: &Connection,
    (sample, drafted): (Option<Uuid>, bool),
    limit: i64,
) -> Result<Vec<Candidate>, Refusal> {
    let of = |kind: &str| {
        format!(
            "(SELECT r.*, t.state FROM {RESULTS} WHERE r.kind = '{kind}' AND t.state = 'approved' \
             AND ($1 IS NULL OR r.sample = $1) AND ($2 OR NOT EXISTS (SELECT FROM certificate_results c \
             JOIN present_states s ON s.entity_id = c.certificate_id WHERE c.result_id = r.id AND s.state = 'draft')) \
             ORDER BY r.id DESC LIMIT $3)"
        )
    };
    Ok(diesel::sql_query(format!("{} UNION ALL {}", of("iron_results"), of("determinations")))
        .bind::<diesel::sql_types::Nullable<diesel::sql_types::Uuid>, _>(sample)
        .bind::<diesel::sql_types::Bool, _>(drafted)
        .bind::<diesel::sql_types::BigInt, _>(limit)
        .load(&mut connection)
        .await?)
}

/// Results by their identities, in whatever state they are now.
pub(crate) async fn these(mut connection: &Connection, ids: &[Uuid]) -> Result<Vec<Candidate>, Refusal> {
    if ids.is_empty() {
        return Ok(Vec::new());
    }
    Ok(diesel::sql_query(format!(
        "SELECT r.*, t.state FROM {RESULTS} WHERE r.id = ANY($1) ORDER BY r.kind DESC, r.id DESC"
    ))
    .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(ids)
    .load(&mut connection)
    .await?)
}
