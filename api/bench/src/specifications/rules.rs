//! Use cases of decision rules.

use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::DecisionRuleId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::specifications::approval::approved_versions;
pub use crate::specifications::store::rules::{COMPARED, DecisionRuleFacts, KINDS};

const KIND: EntityKind = EntityKind::DecisionRule;

approved_versions! { table: rules, facts: DecisionRuleFacts, id: DecisionRuleId, kind: KIND }

async fn may_be_approved(_: &Connection, _: &versions::Row) -> Result<(), Refusal> {
    Ok(())
}

/// Drafts a rule; without words on its risk, the computed ones are documented with it.
pub async fn record(db: &Db, act: &Act, facts: DecisionRuleFacts) -> Result<Answer, Refusal> {
    let row = versions::first(act, facts.documented())?;
    db.write(act, async |connection| shown(connection, versions::insert(connection, &row).await?).await).await
}

/// Drafts the next version of a rule.
pub async fn revise(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<DecisionRuleFacts>,
) -> Result<Answer, Refusal> {
    let correction = Correction { facts: correction.facts.documented(), reason: correction.reason };
    db.write(act, async |connection| draft_next(connection, act, id, if_match, correction).await).await
}

/// One version, in whatever state.
pub async fn version(connection: &Connection, id: DecisionRuleId) -> Result<versions::Row, Refusal> {
    versions::exactly(connection, id).await
}

/// A version that another record names, if it does, must be approved.
pub async fn approved_if_named(
    connection: &Connection,
    field: &str,
    named: Option<DecisionRuleId>,
) -> Result<(), Refusal> {
    match named {
        Some(version) => approved(connection, field, version).await.map(drop),
        None => Ok(()),
    }
}
