//! Decisions on several things: one transaction, and in it for each the service that decides on one, with its record, signature and event.

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db, Held, acting, hold};
use ferrotitre_base::labels;
use ferrotitre_base::locks;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs::{self, NewSignature};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_bench::standards::{primary, reagents};
use ferrotitre_bench::{methods, titrants};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::service as accounts;
use ferrotitre_ledger::accounts::signing;
use ferrotitre_ledger::accounts::store::competences::Competence;
use ferrotitre_ledger::accounts::wire::NewCompetences;
use uuid::Uuid;

use crate::control_charts::phases;
use crate::control_materials::service as materials;
use crate::control_materials::store as material_store;
use crate::decisions::what::What;
use crate::decisions::wire::{DecidedOne, DecidedSeveral, NewAuthorisation, NewManyDecisions, ToDecide};
use crate::determinations::steps::{self, Step};
use crate::determinations::store as results;
use crate::runs;

pub use crate::decisions::waiting::{of_lots_and_methods, waiting};

/// Most decisions of one request: as many as somebody can have looked at.
pub const MOST: usize = 100;

/// A thing with its kind and its place in the request.
struct Asked {
    at: usize,
    what: What,
    of: ToDecide,
}

/// All of them in the order of decisions, each once.
fn in_order(of: Vec<ToDecide>) -> Result<Vec<Asked>, Refusal> {
    if !(1..=MOST).contains(&of.len()) {
        let message = format!("name at least one and at most {MOST}");
        return Err(Refusal::invalid("of", "count", message, of.len()));
    }
    let mut asked: Vec<Asked> = Vec::with_capacity(of.len());
    for (at, of) in of.into_iter().enumerate() {
        let Some(what) = What::of(&of.kind) else {
            let known: Vec<&str> = What::ALL.map(|what| what.kind().table()).to_vec();
            let message = format!("must be one of {}", known.join(", "));
            return Err(Refusal::invalid(&format!("of[{at}].kind"), "one_of", message, &of.kind));
        };
        if asked.iter().any(|other| other.of.id == of.id) {
            return Err(Refusal::invalid(&format!("of[{at}].id"), "once", "is named twice", of.id));
        }
        asked.push(Asked { at, what, of });
    }
    // Stable, so that those of one kind keep the order of the request.
    asked.sort_by_key(|one| one.what);
    Ok(asked)
}

/// Decides on all of them, or on none.
///
/// # Errors
/// The secret; what any of them is refused for, with its place in the request and what it is called.
pub async fn decide(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    new: NewManyDecisions,
) -> Result<Answer, Refusal> {
    let asked = in_order(new.of)?;
    if new.authorise.is_some() && asked.iter().all(|one| one.what != What::Method) {
        let message = "is for methods that are approved in this request, and none is";
        return Err(Refusal::invalid("authorise", "method", message, ""));
    }
    signing::confirm(db, act, policy, new.password.clone()).await?;
    let mut failed = None;
    let outcome = db
        .write(act, async |connection| {
            hold_all(connection, &asked).await?;
            let mut decided = Vec::with_capacity(asked.len());
            for one in &asked {
                let signature = NewSignature {
                    password: new.password.clone(),
                    content_digest: Some(one.of.content_digest.clone()),
                    reason: new.reason.clone(),
                };
                match decide_one(connection, act, user, (one.what, one.of.id), signature).await {
                    Ok(state) => decided.push((one.at, one.what.kind().table(), one.of.id, state)),
                    Err(refusal) => {
                        failed = Some(one);
                        return Err(refusal);
                    }
                }
            }
            let authorised = match &new.authorise {
                Some(authorisation) => authorise(connection, act, &asked, authorisation).await?,
                None => Vec::new(),
            };
            decided.sort_by_key(|(at, ..)| *at);
            let decided = decided.into_iter().map(|(_, kind, id, state)| DecidedOne { kind, id, state }).collect();
            Ok(DecidedSeveral { decided, authorised })
        })
        .await;
    match (outcome, failed) {
        (Err(refusal), Some(one)) => Err(named(db, one, refusal).await),
        (outcome, _) => outcome,
    }
}

/// Takes what is decided on out of others' hands in the order that everything takes it in: runs, iron results, determinations one at
/// a time, charts, all the rest at once.
async fn hold_all(connection: &Connection, asked: &[Asked]) -> Result<(), Refusal> {
    let ids = |wanted: What| asked.iter().filter(move |one| one.what == wanted).map(|one| one.of.id);
    let mut determinations: Vec<Uuid> = ids(What::Determination).collect();
    let mut parts = determinations.clone();
    for id in ids(What::IronResult) {
        let row = known(results::iron_result(connection, id).await)?;
        parts.extend(row.into_iter().flat_map(|row| [row.total_id.0, row.iron2_id.0]));
    }
    let mut held: Vec<Held> = ids(What::Run).map(Held::Run).collect();
    for id in parts {
        let row = known(results::determination(connection, id).await)?;
        held.extend(row.map(|row| Held::Run(row.run_id.0)));
    }
    hold(connection, &held).await?;
    locks::hold(connection, &ids(What::Run).collect::<Vec<_>>()).await?;
    locks::hold(connection, &ids(What::IronResult).collect::<Vec<_>>()).await?;
    determinations.sort_unstable();
    for id in determinations {
        locks::determination(connection, id).await?;
    }
    let phases: Vec<Uuid> = ids(What::ChartPhase).collect();
    known(phases::hold_charts(connection, &phases).await)?;
    let rest = asked.iter().filter(|one| one.what < What::Run).map(|one| one.of.id);
    locks::hold(connection, &rest.collect::<Vec<_>>()).await
}

/// What does not exist is told where it is decided on, with its place.
fn known<T>(outcome: Result<T, Refusal>) -> Result<Option<T>, Refusal> {
    match outcome {
        Err(refusal) if refusal.code == Code::NotFound => Ok(None),
        outcome => outcome.map(Some),
    }
}

/// Refuses a decision where the thing is no longer what was looked at.
async fn unchanged(
    connection: &Connection,
    what: What,
    (stateful, version): (Uuid, Uuid),
    signature: &NewSignature,
) -> Result<(), Refusal> {
    let state = states::present(connection, what.kind(), stateful).await?.state;
    sign_offs::seen(signature, &what.digest(version, &state), || serde_json::Value::Null)
}

/// Decides on one, by its own permission and rules; its state then.
async fn decide_one(
    connection: &Connection,
    act: &Act,
    user: &CurrentUser,
    (what, id): (What, Uuid),
    signature: NewSignature,
) -> Result<String, Refusal> {
    let act = act.by(what.action());
    acting(connection, &act).await?;
    let to = |state: &str| NewMove { to: state.to_owned(), reason: signature.reason.clone() };
    Ok(match what {
        What::PrimaryStandard => {
            let row = primary::versions::current(connection, id).await?;
            unchanged(connection, what, (id, row.id.0), &signature).await?;
            primary::versions::advance_in(connection, &act, id, &to("released")).await?.to_state
        }
        What::Reagent => {
            let row = reagents::versions::current(connection, id).await?;
            unchanged(connection, what, (id, row.id.0), &signature).await?;
            reagents::versions::advance_in(connection, &act, id, &to("released")).await?.to_state
        }
        What::ControlMaterial => {
            let row = material_store::versions::current(connection, id).await?;
            unchanged(connection, what, (id, row.id.0), &signature).await?;
            materials::advance_in(connection, &act, id, to("released")).await?.to_state
        }
        What::Method => {
            let row = methods::store::versions::current(connection, id).await?;
            unchanged(connection, what, (row.id.0, row.id.0), &signature).await?;
            methods::service::advance_in(connection, &act, id, &to("approved")).await?.to_state
        }
        What::Titrant => titrants::service::release_in(connection, &act, user, id, &signature).await?.state,
        What::ChartPhase => phases::decide_in(connection, &act, user, (id, true), &signature).await?.state,
        What::Run => runs::service::judge_in(connection, &act, user, (id, true), &signature).await?.state,
        What::Determination => {
            steps::determination_in(connection, &act, user, (id, Step::Approve), signature).await?;
            states::present(connection, EntityKind::Determination, id).await?.state
        }
        What::IronResult => {
            steps::iron_result_in(connection, &act, user, (id, Step::Approve), signature).await?;
            states::present(connection, EntityKind::IronResult, id).await?.state
        }
    })
}

/// Authorises people for the methods that were approved.
async fn authorise(
    connection: &Connection,
    act: &Act,
    asked: &[Asked],
    new: &NewAuthorisation,
) -> Result<Vec<Competence>, Refusal> {
    let mut methods = Vec::new();
    for one in asked.iter().filter(|one| one.what == What::Method) {
        methods.push(methods::store::versions::current(connection, one.of.id).await?.facts.code);
    }
    let new = NewCompetences {
        people: new.people.clone(),
        methods,
        valid_from: new.valid_from,
        valid_to: new.valid_to,
        evidence: new.evidence.clone(),
    };
    let act = act.by(ferrotitre_base::auth::permissions::Action::AuthoriseCompetence);
    acting(connection, &act).await?;
    let made = accounts::record_competences_in(connection, &act, new).await;
    made.map_err(|refusal| refusal.under("authorise", |_| None))
}

/// The refusal of one, with its place in the request and what it is called.
async fn named(db: &Db, one: &Asked, mut refusal: Refusal) -> Refusal {
    if matches!(refusal.code, Code::Internal | Code::StoreUnavailable) {
        return refusal;
    }
    if refusal.code == Code::NotFound {
        refusal.code = Code::UnknownReference;
    }
    let called = db.read(async |connection| called(connection, one.what, one.of.id).await).await.ok().flatten();
    if let Some(called) = called {
        refusal.detail = format!("{called}: {}", refusal.detail);
    }
    refusal.fields.clear();
    refusal.at(&format!("of[{}]", one.at), "decidable", one.of.id)
}

/// What a thing is called.
pub(super) async fn called(connection: &Connection, what: What, id: Uuid) -> Result<Option<String>, Refusal> {
    Ok(match what {
        What::PrimaryStandard => Some(primary::versions::current(connection, id).await?.facts.code),
        What::Reagent => Some(reagents::versions::current(connection, id).await?.facts.code),
        What::Method => Some(methods::store::versions::current(connection, id).await?.facts.code),
        What::ChartPhase => Some(phases::called(connection, id).await?),
        What::Titrant | What::ControlMaterial | What::Run | What::Determination | What::IronResult => {
            labels::on(connection, what.kind(), &[id]).await?.remove(&id)
        }
    })
}
