//! Use cases of decision rules.

use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::db::{Act, Connection, Db};
use crate::ids::DecisionRuleId;
use crate::refusal::{Code, Refusal};
use crate::specifications::approval::approved_versions;
pub(crate) use crate::specifications::store::rules::{COMPARED, DecisionRuleFacts, KINDS};
use crate::states;
use crate::web::answer::Answer;
use crate::web::versions::{Correction, VersionView};

const KIND: EntityKind = EntityKind::DecisionRule;

approved_versions! { table: rules, facts: DecisionRuleFacts, id: DecisionRuleId, kind: KIND }

async fn may_be_approved(_: &Connection, _: &versions::Row) -> Result<(), Refusal> {
    Ok(())
}

/// Drafts a rule; without words on its risk, the computed ones are documented with it.
pub(crate) async fn record(db: &Db, act: &Act, facts: DecisionRuleFacts) -> Result<Answer, Refusal> {
    let row = versions::first(act, facts.documented())?;
    db.write(act, async |connection| shown(connection, versions::insert(connection, &row).await?).await).await
}

/// Drafts the next version of a rule.
pub(crate) async fn revise(
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
pub(super) async fn version(connection: &Connection, id: DecisionRuleId) -> Result<versions::Row, Refusal> {
    versions::exactly(connection, id).await
}

/// A version that another record names, if it does, must be approved.
pub(crate) async fn approved_if_named(
    connection: &Connection,
    field: &str,
    named: Option<DecisionRuleId>,
) -> Result<(), Refusal> {
    match named {
        Some(version) => approved(connection, field, version).await.map(drop),
        None => Ok(()),
    }
}
