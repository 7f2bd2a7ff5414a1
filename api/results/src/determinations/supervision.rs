//! Competence at the bench: who titrates by a method is authorised for it at that time, or titrates under the eyes of somebody
//! who is and who countersigns before the determination is submitted (ISO/IEC 17025:2017 6.2.5 d and 6.2.6).

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, ActorKind, Connection, Db, Held, hold};
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::locks;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_core::determination::Detail;
use ferrotitre_ledger::accounts::signing;
use ferrotitre_ledger::accounts::store::{competences, persons};
use uuid::Uuid;

use crate::determinations::record::{KIND, Loaded, load};
use crate::determinations::wire::DeterminationView;
use crate::determinations::{service, store};

/// Who made a titration, by which method and when.
pub(super) struct Work<'a> {
    pub(super) observer: AccountId,
    pub(super) method: &'a str,
    pub(super) at: DateTime<Utc>,
}

/// The supervisor of a titration, if it has one or needs one.
///
/// Readings that an instrument sends have no observer; who signs them answers for them.
///
/// # Errors
/// [`Code::NotCompetent`]: the observer was not authorised at that time, and no supervisor who was is named.
pub(super) async fn of_work(
    connection: &Connection,
    act: &Act,
    work: &Work<'_>,
    supervisor: Option<Uuid>,
) -> Result<Option<AccountId>, Refusal> {
    let day = work.at.date_naive();
    if let Some(named) = supervisor.map(AccountId) {
        let others = persons::accounts_of(connection, &[work.observer]).await?;
        if others.contains(&named) {
            return Err(Refusal::invalid(
                "supervisor",
                "another",
                "must be another person than the one who titrates",
                named,
            ));
        }
        if !competences::competent(connection, named, work.method, day).await? {
            let detail = format!("the supervisor was not authorised for {} on {day}", work.method);
            return Err(Refusal::new(Code::NotCompetent, detail).at("supervisor", "competent", named));
        }
        return Ok(Some(named));
    }
    if act.kind != ActorKind::Person || competences::competent(connection, work.observer, work.method, day).await? {
        return Ok(None);
    }
    let detail = format!(
        "not authorised for {} on {day}: name a supervisor who is, and who countersigns before it is submitted",
        work.method
    );
    Err(Refusal::new(Code::NotCompetent, detail).at("supervisor", "required", ""))
}

/// Whoever signs for readings that only instruments sent is authorised for the method: nobody else was looked at.
///
/// # Errors
/// [`Code::NotCompetent`].
pub(super) async fn may_answer(connection: &Connection, loaded: &Loaded, user: &CurrentUser) -> Result<(), Refusal> {
    if !persons::names_of_people(connection, &loaded.observers()).await?.is_empty() {
        return Ok(());
    }
    let (method, today) = (&loaded.frame.method.facts.code, Utc::now().date_naive());
    if competences::competent(connection, user.account, method, today).await? {
        return Ok(());
    }
    let detail = format!("the readings came from instruments: who signs for them is authorised for {method} today");
    Err(Refusal::new(Code::NotCompetent, detail))
}

/// Refuses a submission that a supervisor has not countersigned as it now stands.
///
/// # Errors
/// [`Code::StateConflict`] with the names that are missing.
pub(super) async fn all_countersigned(connection: &Connection, loaded: &Loaded, digest: &str) -> Result<(), Refusal> {
    let missing = loaded.not_countersigned(digest);
    if missing.is_empty() {
        return Ok(());
    }
    let names = persons::names_of_people(connection, &missing).await?;
    let detail = format!(
        "titrations were made under supervision: it waits for the countersignature of {} on what is recorded now",
        names.join(" and ")
    );
    Err(Refusal::new(Code::StateConflict, detail))
}

/// Countersigns the titrations made under one's supervision, as they now stand.
pub async fn countersign(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| Ok(signed(connection, user, id, signature).await?)).await
}

async fn signed(
    connection: &Connection,
    user: &CurrentUser,
    id: Uuid,
    signature: NewSignature,
) -> Result<DeterminationView, Refusal> {
    let row = store::determination(connection, id).await?;
    hold(connection, &[Held::Run(row.run_id.0)]).await?;
    locks::determination(connection, id).await?;
    let loaded = load(connection, row).await?;
    if !matches!(loaded.state.as_str(), "in progress" | "returned" | "amended") {
        let detail = format!("the determination is {}: it is countersigned before it is submitted", loaded.state);
        return Err(Refusal::new(Code::StateConflict, detail));
    }
    if !loaded.supervisors().contains(&user.account) {
        return Err(Refusal::new(Code::Forbidden, "none of its titrations names you as the supervisor"));
    }
    let digest = Loaded::digest(&loaded.evaluate(Detail::Figures)?);
    sign_offs::seen(&signature, &digest, || {
        let changed = loaded.changed_since(signature.content_digest.as_deref().unwrap_or_default());
        let row = |(kind, id, at)| serde_json::json!({ "kind": kind, "id": id, "recorded_at": at });
        changed.into_iter().map(row).collect()
    })?;
    let content = Content { kind: KIND, id, digest: &digest, evaluation: None };
    sign_offs::sign(connection, user, Meaning::Witnessed, content, &signature).await?;
    service::shown(load(connection, loaded.row).await?)
}
