//! What waits for a manager: read where each kind is kept, with whether this person can decide on it now.

use std::collections::{HashMap, HashSet};

use chrono::Utc;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{AccountId, MethodId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states;
use ferrotitre_bench::standards::{primary, reagents};
use ferrotitre_bench::titrants::wire::TitrantDetail;
use ferrotitre_bench::{methods, titrants};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::store::persons;
use uuid::Uuid;

use crate::control_charts::phases;
use crate::control_charts::wire::PhaseView;
use crate::control_materials::service as materials;
use crate::control_materials::store as material_store;
use crate::decisions::service::called;
use crate::decisions::what::What;
use crate::decisions::wire::{WaitingDecision, WaitingDecisions};
use crate::determinations::several::offers::{self, Offers};
use crate::determinations::waiting::Blocked;
use crate::runs::service::{self as runs, RunView};

/// Most of a kind, the newest.
const MOST: i64 = 50;

/// One that can be decided on now, unless it is blocked.
fn waits(what: What, id: Uuid, code: String) -> WaitingDecision {
    WaitingDecision {
        kind: what.kind().table(),
        id,
        code,
        what: String::new(),
        decision: what.decision(),
        figure: String::new(),
        about: String::new(),
        content_digest: String::new(),
        after: Vec::new(),
        page: what.page(id),
        waits_for: None,
        who: None,
    }
}

fn blocked_by(one: WaitingDecision, why: Option<Blocked>) -> WaitingDecision {
    match why {
        Some(Blocked { waits_for, who }) => WaitingDecision { waits_for: Some(waits_for), who: Some(who), ..one },
        None => one,
    }
}

/// Who looks, under whichever of their accounts, and whether there was more of a kind than is looked through.
struct Looker {
    own: Vec<AccountId>,
    more: bool,
}

impl Looker {
    fn among(&self, people: &[AccountId]) -> bool {
        people.iter().any(|one| self.own.contains(one))
    }

    /// The newest of a kind in a state, oldest first.
    async fn newest(&mut self, connection: &Connection, kind: EntityKind, state: &str) -> Result<Vec<Uuid>, Refusal> {
        Ok(self.bounded(states::in_state(connection, kind, state, (Uuid::max(), MOST + 1)).await?))
    }

    /// The same of a kind whose versions share a state.
    async fn newest_records(
        &mut self,
        connection: &Connection,
        kind: EntityKind,
        state: &str,
    ) -> Result<Vec<Uuid>, Refusal> {
        Ok(self.bounded(states::records_in_state(connection, kind, state, (Uuid::max(), MOST + 1)).await?))
    }

    /// Oldest first, without what is beyond the newest.
    fn bounded(&mut self, mut ids: Vec<Uuid>) -> Vec<Uuid> {
        if i64::try_from(ids.len()).unwrap_or(i64::MAX) > MOST {
            ids.pop();
            self.more = true;
        }
        ids.reverse();
        ids
    }
}

/// The present version of each, of all versions of several things, oldest first.
fn present<R>(rows: Vec<R>, thing: impl Fn(&R) -> Uuid) -> HashMap<Uuid, R> {
    rows.into_iter().map(|row| (thing(&row), row)).collect()
}

/// Lots of primary standards and of reagents that were received or are in quarantine.
async fn lots(connection: &Connection, looker: &mut Looker) -> Result<Vec<WaitingDecision>, Refusal> {
    let mut found = Vec::new();
    for state in ["received", "quarantined"] {
        let ids = looker.newest_records(connection, EntityKind::PrimaryStandard, state).await?;
        let mut rows = present(primary::versions::every(connection, &ids).await?, |row| row.record_id);
        for id in ids {
            let Some(row) = rows.remove(&id) else { continue };
            let facts = row.facts;
            found.push(WaitingDecision {
                what: format!("primary standard, {}", facts.substance),
                figure: format!("{} g/g", facts.mass_fraction),
                about: format!(
                    "{}, lot {}, certificate {}; last day {}",
                    facts.supplier, facts.supplier_lot, facts.certificate, facts.expires_on
                ),
                content_digest: What::PrimaryStandard.digest(row.id.0, state),
                ..waits(What::PrimaryStandard, id, facts.code)
            });
        }
    }
    for state in ["received", "quarantined"] {
        let ids = looker.newest_records(connection, EntityKind::Reagent, state).await?;
        let mut rows = present(reagents::versions::every(connection, &ids).await?, |row| row.record_id);
        for id in ids {
            let Some(row) = rows.remove(&id) else { continue };
            let facts = row.facts;
            found.push(WaitingDecision {
                what: format!("reagent, {}", facts.substance),
                about: format!("{}; last day {}", facts.concentration, facts.expires_on),
                content_digest: What::Reagent.digest(row.id.0, state),
                ..waits(What::Reagent, id, facts.code)
            });
        }
    }
    Ok(found)
}

/// Lots of control material in quarantine.
async fn control_materials(connection: &Connection, looker: &mut Looker) -> Result<Vec<WaitingDecision>, Refusal> {
    let mut found = Vec::new();
    let ids = looker.newest_records(connection, EntityKind::ControlMaterial, "quarantined").await?;
    let mut rows = present(material_store::versions::every(connection, &ids).await?, |row| row.record_id);
    for id in ids {
        let Some(row) = rows.remove(&id) else { continue };
        let facts = row.facts;
        let why = if materials::assigned(&facts).is_err() {
            Some(Blocked::new("its assigned value", "whoever receives lots"))
        } else if facts.expires_on < Utc::now().date_naive() {
            Some(Blocked::new("nothing: its last day is over", "a manager, who withdraws it"))
        } else {
            None
        };
        let figure = facts.assigned_value.as_ref().map(|value| format!("{value} {}", facts.unit)).unwrap_or_default();
        let one = WaitingDecision {
            what: "control material".to_owned(),
            figure,
            about: format!("{}; last day {}", facts.description, facts.expires_on),
            content_digest: What::ControlMaterial.digest(row.id.0, "quarantined"),
            ..waits(What::ControlMaterial, id, facts.code)
        };
        found.push(blocked_by(one, why));
    }
    Ok(found)
}

/// Drafts of methods, of each the newest version.
async fn drafts(connection: &Connection, looker: &mut Looker) -> Result<Vec<WaitingDecision>, Refusal> {
    let mut found = Vec::new();
    for version in looker.newest(connection, EntityKind::Method, "draft").await? {
        let row = methods::store::versions::exactly(connection, MethodId(version)).await?;
        // A draft that was revised is none any longer.
        if methods::store::versions::current(connection, row.record_id).await?.id != row.id {
            continue;
        }
        let why =
            looker.among(&[row.recorded_by]).then(|| Blocked::new("its approval", "a manager who is not its author"));
        let one = WaitingDecision {
            what: format!("method for {}", row.facts.analyte),
            about: format!("{}, version {}", row.facts.title, row.version),
            content_digest: What::Method.digest(version, "draft"),
            ..waits(What::Method, row.record_id, row.facts.code)
        };
        found.push(blocked_by(one, why));
    }
    Ok(found)
}

/// A titrant lot that was prepared and not released.
fn titrant(looker: &Looker, detail: TitrantDetail) -> WaitingDecision {
    let lot = detail.titrant;
    let newest = detail.preparations.last();
    let mut parties = vec![lot.recorded_by];
    parties.extend(detail.preparations.iter().map(|of| of.preparation.recorded_by));
    let why = if lot.route != "direct preparation" {
        Some(Blocked::new("a standardisation that is approved", "whoever prepares titrants, then a manager"))
    } else if newest.is_none() {
        Some(Blocked::new("its preparation by mass", "whoever prepares titrants"))
    } else if looker.among(&parties) {
        Some(Blocked::new("its release", "a manager who did not prepare it"))
    } else {
        None
    };
    let factor = newest.and_then(|of| of.evaluation.as_ref()).map(|found| format!("factor {:.5}", found.factor));
    let one = WaitingDecision {
        what: format!("titrant, {}", lot.species),
        figure: factor.unwrap_or_default(),
        about: format!("{} {}", lot.nominal_concentration, lot.concentration_unit),
        content_digest: detail.content_digest,
        ..waits(What::Titrant, lot.id, lot.code)
    };
    blocked_by(one, why)
}

/// Limits that were proposed.
fn phase(looker: &Looker, view: PhaseView, code: String) -> WaitingDecision {
    let why =
        looker.among(&[view.recorded_by]).then(|| Blocked::new("its approval", "a manager who did not propose it"));
    // As the pages of charts show them.
    let number = |value: f64| show::figure(value, 5);
    let limits = match (view.lower_action, view.upper_action) {
        (Some(low), Some(high)) => format!(", action limits {} and {}", number(low), number(high)),
        (None, Some(high)) => format!(", upper action limit {}", number(high)),
        _ => String::new(),
    };
    let one = WaitingDecision {
        what: format!("limits of a chart, {}", view.label),
        figure: format!("centre {}{limits}", number(view.centre)),
        about: view.reason,
        content_digest: view.content_digest,
        ..waits(What::ChartPhase, view.id.0, code)
    };
    blocked_by(one, why)
}

/// A run that was closed.
fn run(looker: &Looker, view: RunView) -> WaitingDecision {
    let who = "a manager who did not open it";
    let why = if looker.among(&[view.recorded_by]) {
        Some(Blocked::new("its release or rejection", who))
    } else if view.quality.verdict == "out of control" {
        Some(Blocked::new("its rejection: it is out of control", who))
    } else if !view.missing.is_empty() {
        Some(Blocked::new(format!("what it lacks: {}", view.missing.join(", ")), "a manager, who rejects it"))
    } else {
        None
    };
    let one = WaitingDecision {
        what: "run".to_owned(),
        figure: view.quality.verdict.to_owned(),
        about: view.quality.reasons.join("; "),
        content_digest: view.content_digest,
        ..waits(What::Run, view.id, view.code)
    };
    blocked_by(one, why)
}

/// Reviewed results, those among them whose run can be released together with them.
fn results(offers: Offers) -> Vec<WaitingDecision> {
    let of = |kind: &str| if kind == "iron_results" { What::IronResult } else { What::Determination };
    let offered = offers.offered.into_iter().map(|offer| WaitingDecision {
        what: offer.what,
        figure: offer.stands,
        about: offer.flags.join("; "),
        content_digest: offer.digest,
        after: offer.after,
        ..waits(of(offer.kind), offer.id, offer.code)
    });
    let mut found: Vec<WaitingDecision> = offered.collect();
    found.extend(offers.blocked.into_iter().map(|(kind, id, code, why)| {
        let what = if kind == "iron_results" { "iron(III)" } else { "determination" };
        blocked_by(WaitingDecision { what: what.to_owned(), ..waits(of(kind), id, code) }, Some(why))
    }));
    found
}

/// Lots that were received or are in quarantine, and drafts of methods.
async fn lots_and_methods(connection: &Connection, looker: &mut Looker) -> Result<Vec<WaitingDecision>, Refusal> {
    let mut items = lots(connection, looker).await?;
    items.extend(control_materials(connection, looker).await?);
    items.extend(drafts(connection, looker).await?);
    Ok(items)
}

/// Lots and methods among what waits for a manager, for whoever looks.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of_lots_and_methods(db: &Db, user: &CurrentUser) -> Result<Vec<WaitingDecision>, Refusal> {
    let me = [user.account];
    db.read(async |connection| {
        let mut looker = Looker { own: persons::accounts_of(connection, &me).await?, more: false };
        lots_and_methods(connection, &mut looker).await
    })
    .await
}

/// What waits for a manager, and what of it this person can decide on now.
///
/// # Errors
/// A store that cannot be reached.
pub async fn waiting(db: &Db, user: &CurrentUser) -> Result<WaitingDecisions, Refusal> {
    let me = [user.account];
    let (mut items, prepared, mut looker) = db
        .read(async |connection| {
            let mut looker = Looker { own: persons::accounts_of(connection, &me).await?, more: false };
            let items = lots_and_methods(connection, &mut looker).await?;
            let prepared = looker.newest(connection, EntityKind::Titrant, "prepared").await?;
            Ok((items, prepared, looker))
        })
        .await?;
    for id in prepared {
        items.push(titrant(&looker, titrants::service::read(db, id).await?));
    }
    for view in phases::proposed(db, MOST).await?.into_iter().rev() {
        let code = db.read(async |connection| called(connection, What::ChartPhase, view.id.0).await).await?;
        items.push(phase(&looker, view, code.unwrap_or_default()));
    }
    let closed = runs::in_state(db, "closed", (Uuid::max(), MOST)).await?;
    looker.more |= closed.next.is_some();
    let closed: Vec<WaitingDecision> = closed.items.into_iter().rev().map(|view| run(&looker, view)).collect();
    let free = closed.iter().filter(|one| one.waits_for.is_none()).map(|one| one.id);
    let offers = offers::offered(db, user, "reviewed", &free.collect::<HashSet<Uuid>>()).await?;
    looker.more |= offers.more;
    items.extend(closed);
    items.extend(results(offers));
    // What is decided already needs not be decided before.
    let here: HashSet<Uuid> = items.iter().map(|one| one.id).collect();
    for one in &mut items {
        one.after.retain(|id| here.contains(id));
    }
    items.sort_by_key(|one| What::of(one.kind));
    Ok(WaitingDecisions { items, more: looker.more })
}
