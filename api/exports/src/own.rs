//! Whose data somebody takes out: an analyst own data, a manager or auditor everything. The rule itself is in `auth`.

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::{exports_own_data_only, may_take_out};
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::service as accounts;
use ferrotitre_quality::validation_studies::reading as studies;
use ferrotitre_results::control_charts::service as charts;
use ferrotitre_results::determinations::wire::DeterminationView;
use uuid::Uuid;

fn refused(user: &CurrentUser, what: &str, by: &str) -> Refusal {
    let detail = format!("analysts export only their own data, and {} {by} {what}", user.code);
    Refusal::new(Code::Forbidden, detail)
}

/// Refuses a determination that somebody who exports own data only neither opened nor titrated.
pub(super) fn determination(user: &CurrentUser, of: &DeterminationView) -> Result<(), Refusal> {
    if may_take_out(&user.roles, of.is_work_of(user.account)) {
        return Ok(());
    }
    Err(refused(user, &format!("determination {}", of.code), "neither opened nor titrated"))
}

/// Those of some charts or studies that somebody may take out. They are shared results, which mean nothing in parts: whoever
/// contributed to one takes it out whole.
pub(super) async fn shared(db: &Db, user: &CurrentUser, kind: EntityKind, ids: &[Uuid]) -> Result<Vec<Uuid>, Refusal> {
    if !exports_own_data_only(&user.roles) {
        return Ok(ids.to_vec());
    }
    match kind {
        EntityKind::ControlChart => charts::taken_part_in(db, ids, user.account).await,
        _ => studies::taken_part_in(db, ids, user.account).await,
    }
}

/// Refuses a chart or study to which somebody who exports own data only contributed nothing.
pub(super) async fn contributed(db: &Db, user: &CurrentUser, kind: EntityKind, id: Uuid) -> Result<(), Refusal> {
    if shared(db, user, kind, &[id]).await?.contains(&id) {
        return Ok(());
    }
    let code = labels::of(db, kind, &[id]).await?.remove(&id).ok_or_else(|| Refusal::not_found(kind.noun(), id))?;
    Err(refused(user, &format!("{} {code}", kind.noun()), "recorded nothing for"))
}

/// Whose determinations a table holds, with the sign-in name; nobody's in particular for those who take out everything.
pub(super) async fn recorder(
    db: &Db,
    user: &CurrentUser,
    asked: Option<Uuid>,
) -> Result<Option<(AccountId, String)>, Refusal> {
    let own = exports_own_data_only(&user.roles);
    match asked {
        Some(person) if own && person != user.account.0 => {
            let detail = format!("analysts export only their own data: recorded_by can only be {}", user.account);
            Err(Refusal::new(Code::Forbidden, detail).at("recorded_by", "own_data", person))
        }
        _ if own => Ok(Some((user.account, user.code.clone()))),
        None => Ok(None),
        Some(person) => {
            let account = accounts::read(db, person).await.map_err(|refusal| match refusal.code {
                Code::NotFound => {
                    Refusal::new(Code::UnknownReference, refusal.detail).at("recorded_by", "exists", person)
                }
                _ => refusal,
            })?;
            Ok(Some((AccountId(person), account.code)))
        }
    }
}
