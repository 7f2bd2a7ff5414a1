//! Where a result, a sample or a run says on which certificates it is.

use ferrotitre_base::certified::Certified;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_html::sheet::{Cell, Part, Section, Table};
use uuid::Uuid;

use crate::certificates::service;

/// Certificates that results are on; none where they are on none.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of_results(db: &Db, results: &[Uuid]) -> Result<Option<Section>, Refusal> {
    let mut all = service::of_results(db, results).await?;
    let mut seen = Vec::new();
    all.retain(|one| {
        let fresh = !seen.contains(&one.certificate);
        seen.push(one.certificate);
        fresh
    });
    if all.is_empty() {
        return Ok(None);
    }
    let row = |one: &Certified| {
        vec![
            Cell::link(one.number.clone(), format!("/certificates/{}", one.number)),
            Cell::number(one.issue.to_string()),
            Cell::state(one.state.clone()),
        ]
    };
    let columns = vec!["Certificate", "Issue", "State"];
    let table = Table { columns, rows: all.iter().map(row).collect(), ..Table::default() };
    Ok(Some(Section::new("certificates", "Certificates of analysis", Part::Table(table))))
}
