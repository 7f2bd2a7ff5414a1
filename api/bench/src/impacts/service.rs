//! Use cases of impacts.

use std::collections::{BTreeMap, HashMap};
use std::sync::{LazyLock, Mutex};

use chrono::{DateTime, Utc};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::impacts::compare;
use crate::impacts::store::{self, Touch, Touched};
use crate::impacts::uses;
use crate::impacts::wire::{ImpactDetail, ImpactView, NewImpactDecision, TouchedResult};
use crate::nonconformities::service::{Opening, open_because};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, ImpactId};
use ferrotitre_base::locks;
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::{labels, states};
use ferrotitre_ledger::accounts::signing;
use ferrotitre_ledger::accounts::store::persons;

/// Results that are compared in the transaction of a cause; more are left to the look-back.
pub const MOST_COMPARED: usize = 50;
/// Results that a nonconformity links.
const MOST_LINKED: i64 = 1000;
/// Certificates that a nonconformity names in its words; it links all of them.
const MOST_NAMED: usize = 50;
/// Impacts that a list of alerts shows.
const MOST_ALERTS: usize = 100;

/// After a row that may touch signed results, in its own transaction: opens a nonconformity where a reported figure or an outcome
/// would differ. Where too many are touched to compare them all at once, it is opened as well, and says so.
///
/// # Errors
/// A store that cannot be reached.
pub async fn follow_up(connection: &Connection, act: &Act, cause: Uuid) -> Result<(), Refusal> {
    let impacts = store::of_cause(connection, cause).await?;
    // In the order of their signatures, as the page of the impact lists them.
    let mut touched: BTreeMap<Uuid, Touched> = BTreeMap::new();
    let mut more = "";
    for impact in impacts.iter().filter(|impact| impact.figures) {
        let mut results = store::touched(connection, impact.id, (Uuid::nil(), MOST_LINKED + 1)).await?;
        if results.len() as i64 > MOST_LINKED {
            more = "more than ";
            results.pop();
        }
        touched.extend(results.into_iter().map(|result| (result.sign_off.0, result)));
    }
    let Some(first) = impacts.first().filter(|_| !touched.is_empty()) else { return Ok(()) };
    let mut certificates: Vec<(Uuid, String)> = Vec::new();
    for impact in impacts.iter().filter(|impact| impact.figures) {
        certificates.extend(store::certificates(connection, impact.id, MOST_LINKED).await?);
    }
    certificates.sort();
    certificates.dedup();
    let determinations: Vec<&Touched> =
        touched.values().filter(|one| one.entity_kind == EntityKind::Determination.table()).collect();
    let mut changed = None;
    for one in determinations.iter().take(MOST_COMPARED) {
        changed = compare::change(connection, one.entity_id).await?;
        if changed.is_some() {
            break;
        }
    }
    let many = determinations.len() > MOST_COMPARED;
    // A certificate says what sample it was, not only what was found in it.
    let described = first.cause_kind == EntityKind::Sample.table() && !certificates.is_empty();
    let mut scope = match changed {
        Some(change) => format!("{more}{} signed results rest on what changed; one of them: {change}", touched.len()),
        None if many => format!(
            "{more}{} signed results rest on what changed; the first {MOST_COMPARED} of {more}{} determinations come out the same, the others \
             were not compared when it was recorded: each shows on its own page what it would be now, and a look-back evaluates all",
            touched.len(),
            determinations.len()
        ),
        None if described => format!("{more}{} signed results are of the sample whose record changed", touched.len()),
        None => return Ok(()),
    };
    scope.push_str(&concerned(&certificates));
    let mut links: Vec<(&'static str, Uuid, &'static str)> = vec![("impacts", first.id.0, "origin")];
    let kind = |name: &str| EntityKind::ALL.into_iter().map(EntityKind::table).find(|table| *table == name);
    links.extend(touched.values().filter_map(|one| Some((kind(&one.entity_kind)?, one.entity_id, "affected"))));
    links.extend(certificates.iter().map(|(id, _)| (EntityKind::Certificate.table(), *id, "affected")));
    let opening = Opening {
        source: "signed result touched",
        severity: "major",
        title: first.what.chars().take(200).collect(),
        scope,
        owner: None,
        observed_at: Utc::now(),
        links,
    };
    open_because(connection, act, opening).await.map(|_| ())
}

/// Whether a nonconformity was opened because of one of these.
///
/// # Errors
/// A store that cannot be reached.
pub async fn followed_up(connection: &Connection, touches: &[Touch]) -> Result<bool, Refusal> {
    let impacts: Vec<Uuid> = touches.iter().map(|touch| touch.id.0).collect();
    store::followed_up(connection, &impacts).await
}

/// Issued certificates in the words of a nonconformity.
pub fn concerned(certificates: &[(Uuid, String)]) -> String {
    if certificates.is_empty() {
        return String::new();
    }
    let named: Vec<&str> = certificates.iter().take(MOST_NAMED).map(|(_, words)| words.as_str()).collect();
    let rest = match certificates.len().saturating_sub(MOST_NAMED) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    format!("\nConcerned: {}{rest}", named.join(", "))
}

/// Impacts with how many results each touches and whether one of them waits to be decided.
async fn views(connection: &Connection, rows: Vec<store::Row>) -> Result<Vec<ImpactView>, Refusal> {
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let counted = store::counted(connection, &ids).await?;
    let view = |row: store::Row| {
        let found = counted.iter().find(|of| of.id == row.id);
        ImpactView::of(row, found.map_or(0, |of| of.number), found.is_some_and(|of| of.waits))
    };
    Ok(rows.into_iter().map(view).collect())
}

async fn view(connection: &Connection, row: store::Row) -> Result<ImpactView, Refusal> {
    let id = row.id;
    let shown = views(connection, vec![row]).await?.pop();
    shown.ok_or_else(|| Refusal::not_found("impact", id))
}

/// Lists impacts, newest first.
pub async fn list(db: &Db, listing: &Listing) -> Result<Page<ImpactView>, Refusal> {
    let limit = listing.limit()?;
    db.read(async |connection| {
        let page = Page::of(store::list(connection, listing, limit + 1).await?, limit, |row| row.id.0);
        Ok(Page { items: views(connection, page.items).await?, next: page.next })
    })
    .await
}

/// Codes of results, by identity.
async fn codes(db: &Db, touched: &[Touched]) -> Result<HashMap<Uuid, String>, Refusal> {
    let mut codes = HashMap::new();
    for kind in uses::SIGNED {
        let of_kind = touched.iter().filter(|one| one.entity_kind == kind.table());
        let ids: Vec<Uuid> = of_kind.map(|one| one.entity_id).collect();
        codes.extend(labels::of(db, kind, &ids).await?);
    }
    Ok(codes)
}

/// An impact with a page of the results it touches.
pub async fn read(db: &Db, id: Uuid, listing: &Listing) -> Result<ImpactDetail, Refusal> {
    let limit = listing.limit()?;
    let after = listing.after.unwrap_or_default();
    let (impact, touched) = db
        .snapshot(async |connection| {
            let impact = view(connection, store::find(connection, id).await?).await?;
            let touched = store::touched(connection, impact.id, (after, limit + 1)).await?;
            Ok((impact, touched))
        })
        .await?;
    let mut codes = codes(db, &touched).await?;
    let page = Page::of(touched, limit, |row| row.sign_off.0);
    let named = page.items.into_iter().map(|row| {
        let code = codes.remove(&row.entity_id).unwrap_or_default();
        TouchedResult::of(row, code)
    });
    Ok(ImpactDetail { impact, touched: named.collect(), next: page.next })
}

/// An impact with the first of its results for which nothing was decided yet and whose author is somebody else.
pub async fn undecided(
    db: &Db,
    user: &CurrentUser,
    id: Uuid,
    limit: i64,
) -> Result<(ImpactView, Vec<TouchedResult>), Refusal> {
    let (impact, touched) = db
        .snapshot(async |connection| {
            let impact = view(connection, store::find(connection, id).await?).await?;
            let own = persons::accounts_of(connection, &[user.account]).await?;
            let touched = store::undecided(connection, impact.id, &own, limit).await?;
            Ok((impact, touched))
        })
        .await?;
    let mut codes = codes(db, &touched).await?;
    let named = touched.into_iter().map(|row| {
        let code = codes.remove(&row.entity_id).unwrap_or_default();
        TouchedResult::of(row, code)
    });
    Ok((impact, named.collect()))
}

/// Those of the results that are touched, each held until the transaction ends: iron results first, then determinations one at a
/// time by identity, then the rest at once, as where they are signed and certified.
async fn held(
    connection: &Connection,
    impact: &store::Row,
    results: &[Uuid],
) -> Result<HashMap<Uuid, Touched>, Refusal> {
    let before = store::touched_among(connection, impact.id, results).await?;
    let ids = |of: Vec<Touched>| of.iter().map(|one| one.entity_id).collect::<Vec<Uuid>>();
    let (iron, others): (Vec<_>, Vec<_>) =
        before.into_iter().partition(|of| of.entity_kind == EntityKind::IronResult.table());
    let (determinations, others): (Vec<_>, Vec<_>) =
        others.into_iter().partition(|of| of.entity_kind == EntityKind::Determination.table());
    locks::hold(connection, &ids(iron)).await?;
    let mut determinations = ids(determinations);
    determinations.sort_unstable();
    for id in determinations {
        locks::hold(connection, &[id]).await?;
    }
    locks::hold(connection, &ids(others)).await?;
    // Whoever came first may have amended one meanwhile.
    let touched = store::touched_among(connection, impact.id, results).await?;
    Ok(touched.into_iter().map(|one| (one.entity_id, one)).collect())
}

/// Records that results stay as they were signed, with the reason; nobody decides that of a result whose author they are.
pub async fn decide(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    id: Uuid,
    new: NewImpactDecision,
) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&new.reason))?;
    let mut errors = FieldErrors::default();
    let some = (1..=1000).contains(&new.results.len());
    errors.require(some, "results", "length", "name from 1 to 1000 results", new.results.len());
    errors.check()?;
    let by = author(act)?;
    db.write(act, async |connection| {
        let impact = store::find(connection, id).await?;
        let touched = held(connection, &impact, &new.results).await?;
        let authors: Vec<AccountId> = touched.values().map(|one| one.signed_by).collect();
        let detail = "you are the author of a result chosen here; somebody else decides on what touched it";
        signing::not_a_party(connection, user.account, &authors, detail).await?;
        for (index, result) in new.results.iter().enumerate() {
            let Some(found) = touched.get(result) else {
                let field = format!("results[{index}]");
                return Err(Refusal::invalid(&field, "touched", "is not a signed result that this touches", result));
            };
            store::insert_decision(connection, impact.id, found.sign_off, ("no change", &new.reason), by).await?;
        }
        let touched = store::touched(connection, impact.id, (Uuid::nil(), 50)).await?;
        let impact = view(connection, impact).await?;
        let named = touched.into_iter().map(|row| TouchedResult::of(row, String::new())).collect();
        Ok(ImpactDetail { impact, touched: named, next: None })
    })
    .await
}

/// An amendment decides everything that touched the signature it takes back.
///
/// # Errors
/// A store that cannot be reached.
pub async fn decided_by_amendment(
    connection: &Connection,
    act: &Act,
    sign_off: ferrotitre_base::ids::SignOffId,
    reason: &str,
) -> Result<(), Refusal> {
    let by = author(act)?;
    for touch in store::touching(connection, &[sign_off]).await? {
        if touch.decision.is_none() {
            store::insert_decision(connection, touch.id, sign_off, ("amended", reason), by).await?;
        }
    }
    Ok(())
}

/// What the rows of a table are to whoever reads of them.
fn cause(table: &str) -> &'static str {
    if let Some(kind) = EntityKind::ALL.into_iter().find(|kind| kind.table() == table) {
        return kind.noun();
    }
    match table {
        "equipment_calibrations" => "calibration",
        "equipment_checks" => "check of equipment",
        "titrant_factors" => "factor",
        "titrant_preparations" => "preparation",
        "test_portions" => "test portion",
        _ => "change of state",
    }
}

/// Where a look for what waits begins. An impact for which all is decided never waits again, for only signatures made before it
/// are touched, and one that no longer stands does not come back; so years of them are looked at once in a process.
#[derive(Debug, Clone, Default)]
struct Looked {
    /// After this one all are looked at.
    up_to: Option<ImpactId>,
    /// Those up to it for which something waited.
    waiting: Vec<ImpactId>,
}

static LOOKED: LazyLock<Mutex<Looked>> = LazyLock::new(Mutex::default);

/// Impacts for which something waits to be decided.
pub async fn alerts(connection: &Connection, now: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let alert = |row: store::Row| Alert {
        kind: "signed result touched",
        urgency: Urgency::Now,
        subject_kind: "impacts",
        subject: row.id.0,
        code: cause(&row.cause_kind).to_owned(),
        message: row.what,
        due_at: Some(row.recorded_at.min(now)),
    };
    let looked = LOOKED.lock().map(|looked| looked.clone()).unwrap_or_default();
    let up_to = store::newest_settled(connection).await?;
    let rows = store::waiting(connection, (looked.up_to, &looked.waiting), MOST_ALERTS as i64 + 1).await?;
    // More than are shown: which of the older ones wait was not asked.
    if rows.len() <= MOST_ALERTS
        && let Ok(mut looked) = LOOKED.lock()
        && looked.up_to <= up_to
    {
        let waiting = rows.iter().map(|row| row.id).filter(|id| Some(*id) <= up_to).collect();
        *looked = Looked { up_to, waiting };
    }
    Ok(rows.into_iter().take(MOST_ALERTS).map(alert).collect())
}
