//! Roles: asked for by one, decided on by another.

use std::collections::HashMap;

use chrono::DateTime;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, RoleGrantDecisionId, RoleGrantId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::paging::{Listing, Page};
use uuid::Uuid;

use crate::accounts::service::existing;
use crate::accounts::service::many::{of_item, several};
use crate::accounts::signing;
use crate::accounts::store::grants::{self, RoleGrant, RoleGrantDecision};
use crate::accounts::wire::{Decisions, NewDecision, NewDecisions, NewRoleGrant};

pub async fn request_grant(db: &Db, act: &Act, account: Uuid, new: NewRoleGrant) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let target = existing(connection, account).await?;
        ask(connection, act, (target.id, &target.kind), new).await
    })
    .await
}

/// Records that a role is asked for or withdrawn, for an account of a kind.
pub(super) async fn ask(
    connection: &Connection,
    act: &Act,
    (account, kind): (AccountId, &str),
    new: NewRoleGrant,
) -> Result<RoleGrant, Refusal> {
    let row = RoleGrant {
        id: RoleGrantId::new(),
        account_id: account,
        role: new.role,
        effect: new.effect,
        reason: new.reason,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: act.actor,
    };
    if (kind == "service") != (row.role == Role::Instrument.text()) {
        let message = "the role instrument is for service accounts, all others for persons";
        return Err(Refusal::invalid("role", "kind", message, &row.role));
    }
    grants::insert_grant(connection, &row).await
}

pub async fn grants(db: &Db, listing: &Listing) -> Result<Page<RoleGrant>, Refusal> {
    let limit = listing.limit()?;
    let rows = db.read(async |connection| grants::grants(connection, listing.before(), limit + 1).await).await?;
    Ok(Page::of(rows, limit, |row| row.id.0))
}

/// A grant, by whom it is asked for and for whom.
pub async fn grant(db: &Db, id: Uuid) -> Result<RoleGrant, Refusal> {
    let found = db.read(async |connection| grants::grant(connection, RoleGrantId(id)).await).await?;
    found.ok_or_else(|| Refusal::not_found("role grant", id))
}

/// What was decided of grants; one that waits is not there.
pub async fn decisions(db: &Db, grants: &[RoleGrantId]) -> Result<HashMap<RoleGrantId, String>, Refusal> {
    Ok(db.read(async |connection| grants::decisions(connection, grants).await).await?.into_iter().collect())
}

pub async fn decide_grant(db: &Db, act: &Act, id: Uuid, new: NewDecision) -> Result<Answer, Refusal> {
    let by = author(act)?;
    db.write(act, async |connection| decide(connection, by, id, new).await).await
}

/// Decides on several grants alike: a record for each, all of them or none.
pub async fn decide_grants(db: &Db, act: &Act, new: NewDecisions) -> Result<Answer, Refusal> {
    several("grants", new.grants.len())?;
    let by = author(act)?;
    db.write(act, async |connection| {
        let mut decisions = Vec::with_capacity(new.grants.len());
        for (at, id) in new.grants.iter().enumerate() {
            let one = NewDecision { decision: new.decision.clone(), reason: new.reason.clone() };
            let decided = decide(connection, by, *id, one).await;
            decisions.push(decided.map_err(|refusal| of_item(refusal, &format!("grants[{at}]"), id))?);
        }
        Ok(Decisions { decisions })
    })
    .await
}

/// Grants that wait for a decision, oldest first.
pub async fn waiting(db: &Db) -> Result<Vec<RoleGrant>, Refusal> {
    db.read(async |connection| grants::waiting(connection).await).await
}

async fn decide(
    connection: &Connection,
    by: AccountId,
    id: Uuid,
    new: NewDecision,
) -> Result<RoleGrantDecision, Refusal> {
    let grant =
        grants::grant(connection, RoleGrantId(id)).await?.ok_or_else(|| Refusal::not_found("role grant", id))?;
    if grant.effect != "grant" || grant.recorded_by.is_none() {
        let detail = "nothing is decided here: a withdrawal, and what was granted at the command line or with an empty store, counts at once; withdraw the role instead";
        return Err(Refusal::new(Code::StateConflict, detail));
    }
    let mut parties = vec![grant.account_id];
    parties.extend(grant.recorded_by);
    let detail = "nobody decides on a grant they asked for or would receive";
    signing::not_a_party(connection, by, &parties, detail).await?;
    let row = RoleGrantDecision {
        id: RoleGrantDecisionId::new(),
        role_grant_id: grant.id,
        decision: new.decision,
        reason: new.reason,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: by,
    };
    grants::insert_decision(connection, &row).await
}
