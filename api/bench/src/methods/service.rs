//! Use cases of methods.

use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states::{self, NewMove, StateMove};
use ferrotitre_base::web::answer::{Answer, Versioned};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::versions::{Correction, History, VersionView};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use uuid::Uuid;

use crate::methods::store::{MethodFacts, versions};
use crate::methods::wire::{DraftedMethods, NewMethods};
use crate::specifications::rules as decision_rules;

pub use crate::methods::store::version_ids;

const KIND: EntityKind = EntityKind::Method;

/// A state belongs to a version: the newest may be a draft while the one before is in force.
fn ids(views: &[VersionView<MethodFacts>]) -> Vec<Uuid> {
    views.iter().map(|view| view.version_id).collect()
}

/// The newest version of every method.
pub async fn list(db: &Db, listing: &Listing) -> Result<Page<VersionView<MethodFacts>>, Refusal> {
    let mut page = versions::list(db, listing).await?;
    let ids = ids(&page.items);
    let known = db.read(async |connection| states::present_many(connection, KIND, &ids).await).await?;
    for view in &mut page.items {
        view.state = known.get(&view.version_id).cloned().unwrap_or_default();
    }
    Ok(page)
}

/// A method with all its versions.
pub async fn read(db: &Db, id: Uuid) -> Result<Versioned<History<MethodFacts>>, Refusal> {
    let mut found = versions::read(db, id).await?;
    let ids = ids(&found.resource.versions);
    let (known, moves) = db
        .read(async |connection| {
            futures_util::try_join!(states::present_many(connection, KIND, &ids), states::moves_of(connection, &ids))
        })
        .await?;
    for view in &mut found.resource.versions {
        view.state = known.get(&view.version_id).cloned().unwrap_or_default();
    }
    found.resource.moves = moves;
    Ok(found)
}

/// Versions that may be used now.
pub async fn in_force(db: &Db) -> Result<Vec<VersionView<MethodFacts>>, Refusal> {
    db.read(async |connection| {
        let ids = states::in_state(connection, KIND, "approved", (Uuid::max(), 200)).await?;
        let mut views = Vec::with_capacity(ids.len());
        for id in ids {
            views.push(
                versions::exactly(connection, ferrotitre_base::ids::MethodId(id)).await?.view("approved".to_owned()),
            );
        }
        Ok(views)
    })
    .await
}

/// One version.
pub async fn version(db: &Db, id: ferrotitre_base::ids::MethodId) -> Result<VersionView<MethodFacts>, Refusal> {
    db.read(async |connection| {
        let row = versions::exactly(connection, id).await?;
        Ok(row.view(states::present(connection, KIND, id.0).await?.state))
    })
    .await
}

/// Drafts a method.
pub async fn record(db: &Db, act: &Act, facts: MethodFacts) -> Result<Answer, Refusal> {
    let row = versions::first(act, facts)?;
    db.write(act, async |connection| insert_draft(connection, &row).await).await
}

async fn insert_draft(connection: &Connection, row: &versions::Row) -> Result<VersionView<MethodFacts>, Refusal> {
    may_judge(connection, "rules.decision_rule", &row.facts).await?;
    Ok(versions::insert(connection, row).await?.view(KIND.first_state().to_owned()))
}

/// Most drafts of one request.
const MOST: usize = 20;

/// Drafts several methods, all of them or none.
///
/// # Errors
/// What any of them is refused for, with its place before the field: of what is wrong with them by themselves all at once.
pub async fn record_several(db: &Db, act: &Act, new: NewMethods) -> Result<Answer, Refusal> {
    if !(1..=MOST).contains(&new.drafts.len()) {
        let message = format!("name at least one and at most {MOST}");
        return Err(Refusal::invalid("drafts", "count", message, new.drafts.len()));
    }
    let place = |at: usize| format!("drafts[{at}]");
    let mut errors = FieldErrors::default();
    let mut rows = Vec::with_capacity(new.drafts.len());
    for (at, facts) in new.drafts.into_iter().enumerate() {
        let row = versions::first(act, facts).map_err(|refusal| refusal.under(&place(at), |_| None));
        errors.take(row.map(|row| rows.push(row)))?;
    }
    errors.check()?;
    db.write(act, async |connection| {
        let mut methods = Vec::with_capacity(rows.len());
        for (at, row) in rows.iter().enumerate() {
            let drafted = insert_draft(connection, row).await;
            methods.push(drafted.map_err(|refusal| refusal.under(&place(at), |_| None))?);
        }
        Ok(DraftedMethods { methods })
    })
    .await
}

/// A decision rule that a method names must be approved.
async fn may_judge(connection: &Connection, field: &str, facts: &MethodFacts) -> Result<(), Refusal> {
    decision_rules::approved_if_named(connection, field, facts.rules.0.decision_rule).await
}

/// Drafts the next version. Each version has a state of its own: the approved one stays in force until this is approved.
pub async fn correct(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<MethodFacts>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let present = versions::current(connection, id).await?;
        let row = versions::next(act, &present, if_match, correction)?;
        if row.facts.code != present.facts.code {
            return Err(Refusal::invalid(
                "facts.code",
                "same_code",
                "a version keeps the code of its method",
                &row.facts.code,
            ));
        }
        may_judge(connection, "facts.rules.decision_rule", &row.facts).await?;
        Ok(versions::insert(connection, &row).await?.view(KIND.first_state().to_owned()))
    })
    .await
}

/// Moves the newest version. Approval needs someone other than its author and supersedes the version before.
pub async fn advance(db: &Db, act: &Act, id: Uuid, asked: NewMove) -> Result<Answer, Refusal> {
    db.write(act, async |connection| advance_in(connection, act, id, &asked).await).await
}

/// Moves the newest version in a transaction that does more.
pub async fn advance_in(connection: &Connection, act: &Act, id: Uuid, asked: &NewMove) -> Result<StateMove, Refusal> {
    let present = versions::current(connection, id).await?;
    if let (true, Some(actor)) = (asked.to == "approved", act.actor) {
        let detail = "a method is approved by someone other than its author";
        signing::not_a_party(connection, actor, &[present.recorded_by], detail).await?;
    }
    if asked.to == "approved" {
        may_judge(connection, "rules.decision_rule", &present.facts).await?;
    }
    let moved = states::advance(connection, act, KIND, present.id.0, asked, None).await?;
    if let (true, Some(before)) = (asked.to == "approved", present.supersedes)
        && states::present(connection, KIND, before.0).await?.state == "approved"
    {
        let to = NewMove { to: "superseded".to_owned(), reason: None };
        states::advance(connection, act, KIND, before.0, &to, None).await?;
    }
    Ok(moved)
}

/// A method version that another record names.
///
/// # Errors
/// Unknown.
pub async fn known(
    connection: &Connection,
    field: &str,
    version: ferrotitre_base::ids::MethodId,
) -> Result<versions::Row, Refusal> {
    versions::exactly(connection, version).await.map_err(|refusal| match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", version),
        _ => refusal,
    })
}

/// A method version for use: approved.
///
/// # Errors
/// Unknown, or not approved.
pub async fn approved(
    connection: &Connection,
    field: &str,
    version: ferrotitre_base::ids::MethodId,
) -> Result<versions::Row, Refusal> {
    let row = known(connection, field, version).await?;
    let state = states::present(connection, KIND, version.0).await?.state;
    if state != "approved" {
        let detail = format!("version {} of {} is {state}, not approved", row.version, row.facts.code);
        return Err(Refusal::new(Code::NotReleased, detail).at(field, "approved", version));
    }
    Ok(row)
}
