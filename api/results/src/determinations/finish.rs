//! The end of runs in one go: what was titrated is submitted, the iron(III) by difference that follows is recorded and submitted, and
//! the runs are closed, in one transaction. Each part goes through the rules it goes through by itself, and is a record, a signature
//! and an event of its own.

use chrono::Utc;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db, Held, acting, hold};
use ferrotitre_base::locks;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::states;
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use secrecy::SecretString;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::control_charts::taking;
use crate::determinations::iron_results;
use crate::determinations::record::load;
use crate::determinations::steps::{self, Step};
use crate::determinations::store::{self, DeterminationRow};
use crate::determinations::wire::NewIronResult;
use crate::runs::service as runs;

/// Most runs, and most of anything else, of one request.
const MOST: (usize, usize) = (10, 50);

/// What is closed, recorded and signed together, as it was looked at.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewFinish {
    /// Own password, asked once for all of it.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
    /// Runs that are closed; from 1 to 10.
    pub runs: Vec<ToClose>,
    /// Determinations that are submitted, signed by their author; at most 50, none if absent.
    #[serde(default)]
    pub determinations: Vec<LookedAt>,
    /// Iron(III) by difference that is recorded and submitted; at most 50, none if absent.
    #[serde(default)]
    pub iron_results: Vec<ToSubtract>,
}

/// A run with all that was in it when it was looked at.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ToClose {
    /// Run.
    pub id: Uuid,
    /// Digest of the run as it was looked at.
    pub content_digest: String,
    /// All of its determinations; if there are others by now, or one has changed, nothing is done.
    pub determinations: Vec<LookedAt>,
}

/// A determination as it was looked at.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LookedAt {
    /// Determination.
    pub id: Uuid,
    /// Digest of its content as it was looked at.
    pub content_digest: String,
}

/// A difference with its code.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ToSubtract {
    /// Code.
    #[schema(example = "FE3-2026-0001")]
    pub code: String,
    /// Determination of total iron.
    pub total: LookedAt,
    /// Determination of iron(II) in the same sample.
    pub iron2: LookedAt,
}

/// What was done.
#[derive(Debug, Serialize, ToSchema)]
pub struct Finished {
    /// Runs that are closed now.
    pub runs: Vec<Done>,
    /// Determinations that are submitted now.
    pub determinations: Vec<Done>,
    /// Differences that are recorded and submitted now.
    pub iron_results: Vec<Done>,
}

/// A thing by its identity and code.
#[derive(Debug, Serialize, ToSchema)]
pub struct Done {
    /// Identity.
    pub id: Uuid,
    /// Code.
    #[schema(example = "RUN-000001")]
    pub code: String,
}

impl Located for Finished {
    fn location(&self) -> String {
        self.runs.first().map_or_else(|| "/api/v1/runs".to_owned(), |run| format!("/api/v1/runs/{}", run.id))
    }
}

/// A refusal of a part: the thing it is of, and its place in the request.
fn of(place: String, code: &str) -> impl FnOnce(Refusal) -> Refusal {
    move |mut refusal| {
        refusal.detail = format!("{code}: {}", refusal.detail);
        if refusal.fields.is_empty() {
            let rule = refusal.code.text();
            return refusal.at(&place, rule, code);
        }
        for wrong in &mut refusal.fields {
            wrong.message = format!("{code}: {}", wrong.message);
        }
        refusal.under(&place, |_| None)
    }
}

fn changed(what: String) -> Refusal {
    Refusal::new(Code::StaleVersion, format!("{what} since you looked at it: nothing was done; read it again"))
}

impl NewFinish {
    fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        let (runs, parts) = MOST;
        let message = format!("name at least one and at most {runs}");
        errors.require((1..=runs).contains(&self.runs.len()), "runs", "count", message, self.runs.len());
        for (field, count) in [("determinations", self.determinations.len()), ("iron_results", self.iron_results.len())]
        {
            errors.require(count <= parts, field, "count", format!("name at most {parts}"), count);
        }
        for (at, run) in self.runs.iter().enumerate() {
            let once = self.runs.iter().filter(|other| other.id == run.id).count() == 1;
            errors.require(once, &format!("runs[{at}].id"), "once", "is named twice", run.id);
        }
        for (at, one) in self.determinations.iter().enumerate() {
            let once = self.determinations.iter().filter(|other| other.id == one.id).count() == 1;
            errors.require(once, &format!("determinations[{at}].id"), "once", "is named twice", one.id);
        }
        errors.check()
    }

    /// Every determination that is signed or subtracted.
    fn parts(&self) -> Vec<Uuid> {
        let subtracted = self.iron_results.iter().flat_map(|one| [one.total.id, one.iron2.id]);
        let mut all: Vec<Uuid> = self.determinations.iter().map(|one| one.id).chain(subtracted).collect();
        all.sort_unstable();
        all.dedup();
        all
    }
}

/// A signature on what was looked at.
fn signature(password: &SecretString, digest: String) -> NewSignature {
    NewSignature { password: password.clone(), content_digest: Some(digest), reason: None }
}

/// Takes the turns of all that is touched: runs, determinations by identity, then what signatures stand over, at once.
async fn take_turns(connection: &Connection, new: &NewFinish) -> Result<(), Refusal> {
    let parts = new.parts();
    let rows = store::determinations_by_id(connection, &parts).await?;
    let mut closed: Vec<Uuid> = new.runs.iter().map(|run| run.id).collect();
    closed.sort_unstable();
    let of_parts = rows.iter().map(|row| row.run_id.0);
    let held: Vec<Held> = closed.iter().copied().chain(of_parts).map(Held::Run).collect();
    hold(connection, &held).await?;
    locks::hold(connection, &closed).await?;
    for part in &parts {
        locks::determination(connection, *part).await?;
    }
    steps::share_what_is_pinned(connection, &rows.iter().map(|row| row.id.0).collect::<Vec<_>>()).await
}

/// A run that is closed, if it is still what was looked at.
async fn still(connection: &Connection, seen: &ToClose) -> Result<runs::Row, Refusal> {
    let row = runs::find(connection, seen.id).await?;
    let state = states::present(connection, EntityKind::Run, seen.id).await?.state;
    if state != "open" {
        return Err(Refusal::new(Code::StateConflict, format!("the run is {state}")));
    }
    if runs::content_digest(connection, &row).await? != seen.content_digest {
        return Err(changed("a blank or a control value of the run was changed".to_owned()));
    }
    let now: Vec<DeterminationRow> = store::of_run(connection, row.id).await?;
    for one in now {
        let code = one.code.clone();
        let Some(looked_at) = seen.determinations.iter().find(|other| other.id == one.id.0) else {
            return Err(changed(format!("{code} was begun in the run")));
        };
        if load(connection, one).await?.content_digest() != looked_at.content_digest {
            return Err(changed(format!("{code} was changed")));
        }
    }
    Ok(row)
}

/// Records the differences; each with the digest that its signature stands over.
async fn subtract(
    connection: &Connection,
    act: &Act,
    all: &[ToSubtract],
) -> Result<Vec<(Uuid, String, String)>, Refusal> {
    let mut made = Vec::with_capacity(all.len());
    for (at, one) in all.iter().enumerate() {
        let named = || of(format!("iron_results[{at}]"), &one.code);
        let new =
            NewIronResult { code: one.code.clone(), total: one.total.id, iron2: one.iron2.id, observed_at: Utc::now() };
        iron_results::check(&new).map_err(named())?;
        let loaded = iron_results::record_in(connection, act, new).await.map_err(named())?;
        let digest = iron_results::digest_of(&[one.total.content_digest.clone(), one.iron2.content_digest.clone()]);
        made.push((loaded.row.id.0, one.code.clone(), digest));
    }
    Ok(made)
}

/// Submits, records and closes.
///
/// # Errors
/// The secret; what any part refuses, and what was changed since it was looked at, with its place and code: nothing is done then.
pub async fn finish(db: &Db, act: &Act, user: &CurrentUser, policy: Policy, new: NewFinish) -> Result<Answer, Refusal> {
    new.check()?;
    signing::confirm(db, act, policy, new.password.clone()).await?;
    db.write(act, async |connection| carry_out(connection, act, user, new).await).await
}

async fn carry_out(
    connection: &Connection,
    act: &Act,
    user: &CurrentUser,
    new: NewFinish,
) -> Result<Finished, Refusal> {
    take_turns(connection, &new).await?;
    let mut closing = Vec::with_capacity(new.runs.len());
    for (at, seen) in new.runs.iter().enumerate() {
        let code = runs::find(connection, seen.id).await?.code;
        closing.push(still(connection, seen).await.map_err(of(format!("runs[{at}]"), &code))?);
    }
    let (signs, conducts) = (act.by(Action::SubmitDeterminations), act.by(Action::ConductRuns));
    acting(connection, &conducts).await?;
    let subtracted = subtract(connection, &conducts, &new.iron_results).await?;
    acting(connection, &signs).await?;
    let mut submitted = Vec::with_capacity(new.determinations.len());
    for (at, one) in new.determinations.iter().enumerate() {
        let code = store::determination(connection, one.id).await?.code;
        let signature = signature(&new.password, one.content_digest.clone());
        let made = steps::determination_in(connection, &signs, user, (one.id, Step::Submit), signature).await;
        made.map_err(of(format!("determinations[{at}]"), &code))?;
        submitted.push(Done { id: one.id, code });
    }
    let mut differences = Vec::with_capacity(subtracted.len());
    for (at, (id, code, digest)) in subtracted.into_iter().enumerate() {
        let signature = signature(&new.password, digest);
        let made = steps::iron_result_in(connection, &signs, user, (id, Step::Submit), signature).await;
        made.map_err(of(format!("iron_results[{at}]"), &code))?;
        differences.push(Done { id, code });
    }
    acting(connection, &conducts).await?;
    taking::hold_charts(connection, &closing).await?;
    for (at, row) in closing.iter().enumerate() {
        runs::close_in(connection, &conducts, row).await.map_err(of(format!("runs[{at}]"), &row.code))?;
    }
    let runs = closing.into_iter().map(|row| Done { id: row.id.0, code: row.code }).collect();
    Ok(Finished { runs, determinations: submitted, iron_results: differences })
}
