//! Which results stand on which certificates of analysis. Certificates are drawn up in a room above; whoever touches a result
//! below it says which of them are concerned.

use diesel_async::RunQueryDsl;
use uuid::Uuid;

use crate::db::Connection;
use crate::refusal::Refusal;

/// A result on an issue of a certificate.
#[derive(Debug, Clone, PartialEq, Eq, diesel::QueryableByName)]
pub struct Certified {
    /// The determination or iron result.
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub result: Uuid,
    /// The issue.
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub certificate: Uuid,
    /// Number of the certificate.
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub number: String,
    /// Which issue.
    #[diesel(sql_type = diesel::sql_types::Integer)]
    pub issue: i32,
    /// draft, issued, superseded or withdrawn.
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub state: String,
}

impl Certified {
    /// Whether it is the issue that holds now.
    pub fn is_issued(&self) -> bool {
        self.state == "issued"
    }
}

/// Drafts and issues that results are on, the latest first; such as were discarded are left out.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of(mut connection: &Connection, results: &[Uuid]) -> Result<Vec<Certified>, Refusal> {
    if results.is_empty() {
        return Ok(Vec::new());
    }
    Ok(diesel::sql_query(
        "SELECT r.result_id AS result, c.id AS certificate, c.number, c.issue, s.state FROM certificate_results r \
         JOIN certificates c ON c.id = r.certificate_id JOIN present_states s ON s.entity_id = c.id \
         WHERE r.result_id = ANY($1) AND s.state <> 'discarded' ORDER BY c.id DESC, r.position",
    )
    .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(results)
    .load(&mut connection)
    .await?)
}

/// Issued certificates that any of these results is on, by identity and what they are called.
///
/// # Errors
/// A store that cannot be reached.
pub async fn issued(connection: &Connection, results: &[Uuid]) -> Result<Vec<(Uuid, String)>, Refusal> {
    let all = of(connection, results).await?;
    let mut found: Vec<(Uuid, String)> = Vec::new();
    for one in all.into_iter().filter(Certified::is_issued) {
        if !found.iter().any(|(id, _)| *id == one.certificate) {
            found.push((one.certificate, format!("issued certificate {} (issue {})", one.number, one.issue)));
        }
    }
    Ok(found)
}
