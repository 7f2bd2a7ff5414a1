//! Where a result, a sample or a run says on which certificates it is.

use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::certified::Certified;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_html::sheet::{Cell, Part, Section, Table, Way};
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::certificates::service;

/// Certificates that results are on; none where they are on none.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of_results(db: &Db, results: &[Uuid]) -> Result<Option<Section>, Refusal> {
    Ok(of(&service::of_results(db, results).await?))
}

/// The same of one result, with the way to amend what it is issued on where it is no longer what was certified.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of_result(shell: &Shell, db: &Db, (id, state): (Uuid, &str)) -> Result<Option<Section>, Refusal> {
    let all = service::of_results(db, &[id]).await?;
    let mut section = of(&all);
    let issued = all.iter().find(|one| one.is_issued() && state != "reported");
    if let (Some(section), Some(one), true) = (&mut section, issued, shell.may(Action::DraftCertificates)) {
        section.ways.push(Way {
            label: format!("Amend {}", one.number),
            address: format!("/certificates/{}/amendment", one.number),
            main: false,
        });
    }
    Ok(section)
}

fn of(all: &[Certified]) -> Option<Section> {
    let mut seen: Vec<&Certified> = Vec::new();
    for one in all {
        if !seen.iter().any(|of| of.certificate == one.certificate) {
            seen.push(one);
        }
    }
    if seen.is_empty() {
        return None;
    }
    let row = |one: &Certified| {
        vec![
            Cell::link(one.number.clone(), format!("/certificates/{}", one.number)),
            Cell::number(one.issue.to_string()),
            Cell::state(one.state.clone()),
        ]
    };
    let columns = vec!["Certificate", "Issue", "State"];
    let table = Table { columns, rows: seen.into_iter().map(row).collect(), ..Table::default() };
    Some(Section::new("certificates", "Certificates of analysis", Part::Table(table)))
}
