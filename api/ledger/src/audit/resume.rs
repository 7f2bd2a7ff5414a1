//! Going on after a break: two people decide that a log counts although it does not extend what was signed before, for example
//! after a store was restored from an older backup, or after the sealing key was lost.

use chrono::Utc;
use ferrotitre_base::auth::passwords::{self, Asker};
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::merkle::Frontier;
use secrecy::SecretString;
use uuid::Uuid;

use crate::accounts::store as accounts;
use crate::audit::memory::{Break, Memory, Remembered, SignedHead};
use crate::audit::seal::SealKey;
use crate::audit::store::{self, BreakRow};

/// Roles that may decide.
const DECIDE: [&str; 3] = ["manager", "auditor", "administrator"];

/// One of the two who decide.
#[derive(Debug)]
pub struct Decider {
    /// Sign-in name.
    pub account: String,
    /// Own password.
    pub password: SecretString,
}

struct Known {
    id: AccountId,
    name: String,
}

async fn known(db: &Db, decider: &Decider) -> Result<Known, Refusal> {
    let refused = |why: &str| Refusal::new(Code::Forbidden, format!("{}: {why}", decider.account));
    let found = db.read(async |connection| accounts::account_by_code(connection, &decider.account).await).await?;
    let account = found.ok_or_else(|| refused("there is no such account"))?;
    let (state, secret, roles) = db
        .read(async |connection| {
            Ok((
                states::present(connection, EntityKind::Account, account.id.0).await?.state,
                accounts::secret(connection, account.id).await?,
                accounts::roles(connection, account.id).await?,
            ))
        })
        .await?;
    if state != "active" {
        return Err(refused(&format!("the account is {state}")));
    }
    if !roles.iter().any(|role| DECIDE.contains(&role.as_str())) {
        return Err(refused("a manager, an auditor or an administrator decides"));
    }
    let right = match secret {
        Some((hash, false)) => passwords::verify(Asker::Known, decider.password.clone(), hash).await?,
        // A provisional password is known to whoever set it.
        _ => false,
    };
    if right { Ok(Known { id: account.id, name: account.display_name }) } else { Err(refused("the password is wrong")) }
}

/// Records the decision and lets the sealer go on from the log as it stands.
///
/// # Errors
/// Somebody who may not decide, one person twice, a reason too short, or a store or memory that cannot be used.
pub async fn resume(
    db: &Db,
    (key, memory): (&SealKey, &Memory),
    deciders: &[Decider; 2],
    reason: &str,
) -> Result<SignedHead, Refusal> {
    states::reason_given("reason", Some(reason))?;
    let (first, second) = (known(db, &deciders[0]).await?, known(db, &deciders[1]).await?);
    if first.id == second.id || first.name == second.name {
        return Err(Refusal::new(Code::OwnRecord, "two different people decide"));
    }
    let remembered = memory.read().map_err(Refusal::internal)?.unwrap_or_default();
    let before = remembered.promised.or(remembered.confirmed);
    let decided = db
        .transact(&Act::system("resume sealing"), async |connection| {
            if !store::try_lock(connection).await? {
                return Err(Refusal::new(Code::StateConflict, "a service seals this store: stop it first"));
            }
            let size = store::tree_size(connection).await?;
            let frontier = Frontier::of(&store::leaf_hashes(connection, (0, size)).await?);
            let root = |head: &SignedHead| hex::decode(&head.root).unwrap_or_default();
            let row = BreakRow {
                id: Uuid::now_v7(),
                before_size: before.as_ref().map(|head| head.tree_size.cast_signed()),
                before_root: before.as_ref().map(root),
                after_size: size,
                after_root: frontier.root().to_vec(),
                key_id: key.id(),
                reason: reason.to_owned(),
                first_person: first.id,
                second_person: second.id,
            };
            store::insert_break(connection, &row).await?;
            Ok(SignedHead::of(&frontier))
        })
        .await?;
    let mut breaks = remembered.breaks;
    breaks.push(Break {
        at: Utc::now().to_rfc3339(),
        before,
        after: decided.clone(),
        people: [first.name, second.name],
        reason: reason.to_owned(),
    });
    let going_on = Remembered { confirmed: Some(decided.clone()), promised: None, breaks };
    memory.write(&going_on).map_err(Refusal::internal)?;
    Ok(decided)
}
