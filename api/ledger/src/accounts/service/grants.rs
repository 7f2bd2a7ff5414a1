//! Roles: asked for by one, decided on by another.

use std::collections::HashMap;

use chrono::DateTime;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::ids::{AccountId, RoleGrantDecisionId, RoleGrantId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::paging::{Listing, Page};
use uuid::Uuid;

use crate::accounts::service::existing;
use crate::accounts::signing;
use crate::accounts::store::grants::{self, RoleGrant, RoleGrantDecision};
use crate::accounts::wire::{NewDecision, NewRoleGrant};
pub async fn request_grant(db: &Db, act: &Act, account: Uuid, new: NewRoleGrant) -> Result<Answer, Refusal> {
    let row = RoleGrant {
        id: RoleGrantId::new(),
        account_id: AccountId(account),
        role: new.role,
        effect: new.effect,
        reason: new.reason,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: act.actor,
    };
    db.write(act, async |connection| {
        let target = existing(connection, account).await?;
        let fits = (target.kind == "service") == (row.role == Role::Instrument.text());
        if !fits {
            return Err(Refusal::invalid(
                "role",
                "kind",
                "the role instrument is for service accounts, all others for persons",
                &row.role,
            ));
        }
        grants::insert_grant(connection, &row).await
    })
    .await
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
    db.write(act, async |connection| {
        let grant =
            grants::grant(connection, RoleGrantId(id)).await?.ok_or_else(|| Refusal::not_found("role grant", id))?;
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
    })
    .await
}
