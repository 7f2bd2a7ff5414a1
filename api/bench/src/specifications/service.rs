//! Use cases of specifications.

use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::SpecificationId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::specifications::approval::approved_versions;
use crate::specifications::rules;
pub use crate::specifications::store::specifications::{ANALYTES, EXPRESSED, SpecificationFacts, UNITS};

const KIND: EntityKind = EntityKind::Specification;

approved_versions! { table: specifications, facts: SpecificationFacts, id: SpecificationId, kind: KIND }

async fn may_be_approved(connection: &Connection, row: &versions::Row) -> Result<(), Refusal> {
    rules::approved_if_named(connection, "decision_rule", row.facts.decision_rule).await
}

/// Drafts a specification; a rule it names must be approved.
pub async fn record(db: &Db, act: &Act, facts: SpecificationFacts) -> Result<Answer, Refusal> {
    let row = versions::first(act, facts)?;
    db.write(act, async |connection| {
        may_be_approved(connection, &row).await?;
        shown(connection, versions::insert(connection, &row).await?).await
    })
    .await
}

/// Drafts the next version of a specification. Samples keep the version they were given.
pub async fn revise(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<SpecificationFacts>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let next = draft_next(connection, act, id, if_match, correction).await?;
        rules::approved_if_named(connection, "facts.decision_rule", next.of.facts.decision_rule).await?;
        Ok(next)
    })
    .await
}

/// The newest version of a specification that was ever approved, else the newest.
pub async fn judged_by(connection: &Connection, id: Uuid) -> Result<versions::Row, Refusal> {
    let newest = versions::current(connection, id).await?;
    Ok(version_in_force(connection, newest.clone()).await?.unwrap_or(newest))
}
