//! What things are called: codes by identity, for pages and lists, in one query per kind.

use std::collections::HashMap;

use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::db::{Connection, Db};
use crate::refusal::Refusal;

#[derive(QueryableByName)]
struct Label {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Text)]
    label: String,
}

/// The query of a kind; none for kinds that have no code of their own.
fn query(kind: EntityKind) -> Option<&'static str> {
    match kind {
        EntityKind::Account => Some("SELECT id, display_name AS label FROM accounts WHERE id = ANY($1)"),
        EntityKind::Run => Some("SELECT id, code AS label FROM runs WHERE id = ANY($1)"),
        EntityKind::Determination => Some("SELECT id, code AS label FROM determinations WHERE id = ANY($1)"),
        EntityKind::IronResult => Some("SELECT id, code AS label FROM iron_results WHERE id = ANY($1)"),
        EntityKind::Standardisation => Some("SELECT id, code AS label FROM standardisations WHERE id = ANY($1)"),
        EntityKind::Titrant => Some("SELECT id, code AS label FROM titrants WHERE id = ANY($1)"),
        // A run names a version of its method.
        EntityKind::Method => Some("SELECT id, code || ' v' || version AS label FROM methods WHERE id = ANY($1)"),
        EntityKind::Sample => Some(
            "SELECT DISTINCT ON (record_id) record_id AS id, code AS label FROM samples WHERE record_id = ANY($1) \
             ORDER BY record_id, version DESC",
        ),
        EntityKind::Equipment => Some(
            "SELECT DISTINCT ON (record_id) record_id AS id, code AS label FROM equipment WHERE record_id = ANY($1) \
             ORDER BY record_id, version DESC",
        ),
        // A preparation names a version of its standard.
        EntityKind::PrimaryStandard => Some("SELECT id, code AS label FROM primary_standards WHERE id = ANY($1)"),
        EntityKind::ControlChart => Some("SELECT id, code AS label FROM control_charts WHERE id = ANY($1)"),
        EntityKind::ProficiencyRound => Some(
            "SELECT DISTINCT ON (record_id) record_id AS id, code AS label FROM proficiency_rounds \
             WHERE record_id = ANY($1) ORDER BY record_id, version DESC",
        ),
        EntityKind::Nonconformity => Some("SELECT id, code AS label FROM nonconformities WHERE id = ANY($1)"),
        EntityKind::ControlMaterial => Some(
            "SELECT DISTINCT ON (record_id) record_id AS id, code AS label FROM control_materials \
             WHERE record_id = ANY($1) ORDER BY record_id, version DESC",
        ),
        EntityKind::ValidationStudy => Some("SELECT id, code AS label FROM validation_studies WHERE id = ANY($1)"),
        EntityKind::ValidationConclusion => Some(
            "SELECT c.id, s.code || ' conclusion ' || c.number AS label FROM validation_conclusions c \
             JOIN validation_studies s ON s.id = c.study_id WHERE c.id = ANY($1)",
        ),
        EntityKind::DecisionRule => {
            Some("SELECT id, code || ' v' || version AS label FROM decision_rules WHERE id = ANY($1)")
        }
        EntityKind::Specification => {
            Some("SELECT id, code || ' v' || version AS label FROM specifications WHERE id = ANY($1)")
        }
        EntityKind::Certificate => {
            Some("SELECT id, number || ' issue ' || issue AS label FROM certificates WHERE id = ANY($1)")
        }
        EntityKind::TrailReview => {
            Some("SELECT id, 'review ' || number AS label FROM trail_reviews WHERE id = ANY($1)")
        }
        EntityKind::ServiceToken
        | EntityKind::ValidationAmendment
        | EntityKind::ValidationExclusion
        | EntityKind::Reagent
        | EntityKind::StandardisationTitration
        | EntityKind::Blank
        | EntityKind::Titration
        | EntityKind::Concession
        | EntityKind::ChartPhase
        | EntityKind::ControlValue => None,
    }
}

/// Codes (of accounts the printed names) of things of one kind; what does not exist is left out.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of(db: &Db, kind: EntityKind, ids: &[Uuid]) -> Result<HashMap<Uuid, String>, Refusal> {
    db.read(async |connection| on(connection, kind, ids).await).await
}

/// The same over a connection at hand.
///
/// # Errors
/// A store that cannot be reached.
pub async fn on(mut connection: &Connection, kind: EntityKind, ids: &[Uuid]) -> Result<HashMap<Uuid, String>, Refusal> {
    let Some(query) = query(kind).filter(|_| !ids.is_empty()) else { return Ok(HashMap::new()) };
    let rows: Vec<Label> = diesel::sql_query(query)
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(ids)
        .load(&mut connection)
        .await?;
    Ok(rows.into_iter().map(|row| (row.id, row.label)).collect())
}
