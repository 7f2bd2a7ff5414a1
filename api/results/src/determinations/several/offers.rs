//! What waits for somebody's signature and can be signed by them now, and what they cannot sign yet.

use std::collections::HashSet;

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

use crate::determinations::iron_results::{self, IronResultView};
use crate::determinations::service;
use crate::determinations::waiting::{self, Blocked};
use crate::determinations::wire::DeterminationView;

/// Most that are looked through of each kind, the newest of the laboratory.
pub const MOST: i64 = 50;

/// Something this person can sign now.
#[derive(Debug)]
pub struct Offer {
    /// determinations or iron_results.
    pub kind: &'static str,
    pub id: Uuid,
    pub code: String,
    pub sample: Uuid,
    /// What is determined.
    pub what: String,
    /// The result as it would be reported, or what it lacks.
    pub stands: String,
    pub flags: Vec<String>,
    pub digest: String,
    /// What must be decided before it: the run of a determination, the determinations of an iron result.
    pub after: Vec<Uuid>,
}

/// What waits in a state.
#[derive(Debug, Default)]
pub struct Offers {
    /// Determinations oldest first, then the iron results that are made of them.
    pub offered: Vec<Offer>,
    /// What this person cannot sign now: kind, identity, code, why.
    pub blocked: Vec<(&'static str, Uuid, String, Blocked)>,
    /// Whether more is in that state than was looked through.
    pub more: bool,
}

/// With whether this person titrated it, and whether it can be signed.
fn determination(user: &CurrentUser, view: DeterminationView) -> (Offer, bool, bool) {
    let own = view.titrations.iter().any(|one| one.recorded_by == user.account);
    let complete = view.evaluation.progress.complete;
    let stands = view.evaluation.reported.as_ref().map(|reported| reported.stated().to_string());
    let offer = Offer {
        kind: "determinations",
        id: view.id,
        code: view.code,
        sample: view.sample,
        what: view.analyte,
        stands: stands.unwrap_or_else(|| view.evaluation.progress.detail.clone()),
        flags: view.flags,
        digest: view.content_digest,
        after: vec![view.run],
    };
    (offer, own, complete)
}

fn iron_result(user: &CurrentUser, view: IronResultView) -> (Offer, bool, bool) {
    let own = view.recorded_by == user.account;
    let stands = view.evaluation.reported.as_ref().map(|reported| reported.stated().to_string());
    let complete = stands.is_some();
    let offer = Offer {
        kind: "iron_results",
        id: view.id,
        code: view.code,
        sample: view.sample,
        what: "iron(III)".to_owned(),
        stands: stands.unwrap_or_default(),
        flags: view.flags,
        digest: view.content_digest,
        after: vec![view.total, view.iron2],
    };
    (offer, own, complete)
}

/// What waits for this person in a state; runs in `released` are released together with what is approved.
///
/// # Errors
/// A store that cannot be reached.
pub async fn offered(db: &Db, user: &CurrentUser, state: &str, released: &HashSet<Uuid>) -> Result<Offers, Refusal> {
    let newest = (Uuid::max(), MOST);
    let lines = service::in_state(db, state, newest).await?;
    let results = iron_results::waiting(db, state, newest).await?;
    let more = lines.next.is_some() || results.next.is_some();
    let begun = state == "in progress";
    let mut blocked = waiting::blocked_beside(db, user, &lines.items, released).await?;
    let free: Vec<Uuid> = lines.items.iter().map(|line| line.id).filter(|id| !blocked.contains_key(id)).collect();
    let mut offered = Vec::new();
    for view in service::several(db, &free).await?.into_iter().rev() {
        let (offer, own, complete) = determination(user, view);
        if !begun || (own && complete) {
            offered.push(offer);
        }
    }
    let here = |id: Uuid| offered.iter().any(|offer| offer.id == id);
    let results = results.items;
    let together: Vec<Uuid> =
        results.iter().filter(|row| here(row.total_id.0) && here(row.iron2_id.0)).map(|row| row.id.0).collect();
    blocked.extend(waiting::blocked_results(db, user, state, &results).await?);
    // What waits for the approval of both determinations is approved with them.
    blocked.retain(|id, _| state != "reviewed" || !together.contains(id));
    let free: Vec<Uuid> = results.iter().map(|row| row.id.0).filter(|id| !blocked.contains_key(id)).collect();
    for view in iron_results::several(db, &free).await?.into_iter().rev() {
        let (offer, own, complete) = iron_result(user, view);
        if complete && (!begun || own) {
            offered.push(offer);
        }
    }
    let lines = lines.items.into_iter().map(|line| ("determinations", line.id, line.code));
    let results = results.into_iter().map(|row| ("iron_results", row.id.0, row.code));
    let mut why = |(kind, id, code): (&'static str, Uuid, String)| blocked.remove(&id).map(|why| (kind, id, code, why));
    let blocked = lines.chain(results).filter_map(&mut why).collect();
    Ok(Offers { offered, blocked, more })
}
