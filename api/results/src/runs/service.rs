//! Use cases of runs.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::bench_times::{self, LateEntry, Observed};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{AccountId, MethodId, RunId};
use ferrotitre_base::recording::{author, next_number, not_in_the_future};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal, from_store};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature, SignOff};
use ferrotitre_base::states::{self, NewMove, StateMove};
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_base::web::decimal::{Decimal, code, in_range, words};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_bench::methods;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use ferrotitre_schema::runs;
use futures_util::{StreamExt as _, TryStreamExt as _, stream};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::control_charts::taking;
use crate::runs::blanks;
use crate::runs::quality::{self, Missing, Quality, QualityView, Verdict};
use crate::runs::repeats;
use ferrotitre_base::locks;

pub const KIND: EntityKind = EntityKind::Run;

/// A run as entered.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRun {
    /// Code; made by the service if absent.
    #[schema(example = "RUN-2026-0001")]
    pub code: Option<String>,
    /// Approved version of the method.
    pub method: MethodId,
    /// Bench.
    #[schema(example = "bench 2")]
    pub bench: String,
    /// Room temperature, C.
    #[schema(example = "21.5")]
    pub environment_temperature: Option<Decimal>,
    /// Note.
    pub note: Option<String>,
    /// The rejected run that this one repeats; both stay.
    pub repeats: Option<Uuid>,
    /// When it began.
    pub observed_at: DateTime<Utc>,
    /// Why it is recorded so much later than it began, for it and for everything observed in it: needed after more than a day, or
    /// whatever the laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
}

/// A run as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = runs)]
pub struct Row {
    pub id: RunId,
    pub code: String,
    pub method_id: MethodId,
    pub bench: String,
    pub environment_temperature: Option<Decimal>,
    pub note: Option<String>,
    pub observed_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// A run.
#[derive(Debug, Serialize, ToSchema)]
pub struct RunView {
    /// Identity.
    pub id: Uuid,
    /// Code.
    pub code: String,
    /// Version of the method.
    pub method: MethodId,
    /// Bench.
    pub bench: String,
    /// Room temperature, C.
    pub environment_temperature: Option<Decimal>,
    /// Note.
    pub note: Option<String>,
    /// When it began.
    pub observed_at: DateTime<Utc>,
    /// open, closed, released or rejected.
    #[schema(example = "open")]
    pub state: String,
    /// What the method and its plan of quality control need and the run lacks.
    pub missing: Vec<String>,
    /// The same, for pages that lead on.
    #[serde(skip)]
    pub(crate) lacks: Vec<Missing>,
    /// Whether the run is in control, and why not.
    pub quality: QualityView,
    /// The rejected run that this one repeats.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repeats: Option<Uuid>,
    /// Why it was recorded late.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub late: Vec<LateEntry>,
    /// Runs that repeat this one.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub repeated_by: Vec<Uuid>,
    /// SHA-256 of what a signature would cover now: the run, its blanks and its control values.
    pub content_digest: String,
    /// Signatures.
    pub sign_offs: Vec<SignOff>,
    /// Moves between states.
    pub moves: Vec<StateMove>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Analyst who opened it.
    pub recorded_by: AccountId,
}

impl Located for RunView {
    fn location(&self) -> String {
        format!("/api/v1/runs/{}", self.id)
    }
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "runs_code_once",
    code: Code::AlreadyExists,
    field: "code",
    detail: "there is a run with this code",
}];

pub async fn find(mut connection: &Connection, id: Uuid) -> Result<Row, Refusal> {
    let row = runs::table.find(RunId(id)).select(Row::as_select()).first(&mut connection).await.optional()?;
    row.ok_or_else(|| Refusal::not_found("run", id))
}

/// Digest of what a signature on a run covers. A run without any control value has the text it had before runs were controlled,
/// so that old signatures hold.
fn digest(row: &Row, quality: &Quality) -> String {
    let ids: Vec<String> = quality.blanks.iter().map(|blank| blank.id.to_string()).collect();
    let mut text =
        format!("ferrotitre run 1\n{} {} {} {}\n{}", row.id, row.code, row.method_id, row.observed_at, ids.join(" "));
    if !quality.values.is_empty() {
        text.push('\n');
        text.push_str(&quality.digest_text());
    }
    hex::encode(Sha256::digest(text.as_bytes()))
}

/// Runs as shown. Their queries share the connection: those of one wait for no answer of another.
async fn views(connection: &Connection, rows: Vec<Row>) -> Result<Vec<RunView>, Refusal> {
    stream::iter(rows.into_iter().map(|row| view(connection, row))).buffered(8).try_collect().await
}

/// A run as shown.
pub(super) async fn view(connection: &Connection, row: Row) -> Result<RunView, Refusal> {
    let id = row.id.0;
    let ids = [id];
    let (quality, signed, repeats, repeated_by, moves, late) = futures_util::try_join!(
        quality::of(connection, &row),
        sign_offs::of(connection, id),
        repeats::of(connection, row.id),
        repeats::repeated_by(connection, row.id),
        states::history(connection, id),
        bench_times::of(connection, &ids)
    )?;
    let digest = digest(&row, &quality);
    let sign_offs = signed.into_iter().map(|sign| sign.view(&digest, None, false)).collect();
    Ok(RunView {
        id,
        code: row.code,
        method: row.method_id,
        bench: row.bench,
        environment_temperature: row.environment_temperature,
        note: row.note,
        observed_at: row.observed_at,
        state: moves.last().map_or_else(|| KIND.first_state().to_owned(), |step| step.to_state.clone()),
        quality: quality.view(),
        missing: quality.missing.iter().map(Missing::to_string).collect(),
        lacks: quality.missing,
        repeats: repeats.map(|id| id.0),
        late,
        repeated_by: repeated_by.into_iter().map(|id| id.0).collect(),
        content_digest: digest,
        sign_offs,
        moves,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    })
}

impl NewRun {
    /// What is wrong with it by itself.
    pub(super) fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        if let Some(given) = &self.code {
            code(&mut errors, "code", given);
        }
        words(&mut errors, "bench", &self.bench);
        if let Some(temperature) = &self.environment_temperature {
            in_range(&mut errors, "environment_temperature", temperature, 5.0, 45.0, "C");
        }
        errors.check()?;
        not_in_the_future("observed_at", self.observed_at)
    }
}

pub async fn open(db: &Db, act: &Act, new: NewRun) -> Result<Answer, Refusal> {
    new.check()?;
    db.write(act, async |connection| view(connection, open_in(connection, act, new).await?).await).await
}

/// Opens a run that was checked, in a transaction that does more.
///
/// # Errors
/// A method that is not approved, a code that is taken, a run that is not rejected.
pub(super) async fn open_in(mut connection: &Connection, act: &Act, new: NewRun) -> Result<Row, Refusal> {
    methods::service::approved(connection, "method", new.method).await?;
    let code = match new.code {
        Some(code) => code,
        None => format!("RUN-{:06}", next_number(connection, "run_codes").await?),
    };
    let row = Row {
        id: RunId::new(),
        code,
        method_id: new.method,
        bench: new.bench,
        environment_temperature: new.environment_temperature,
        note: new.note,
        observed_at: new.observed_at,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    let late = Observed::new(KIND.table(), row.id.0, row.observed_at, new.late_reason.as_deref());
    bench_times::accept(connection, act, late).await?;
    let row: Row = diesel::insert_into(runs::table)
        .values(&row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))?;
    if let Some(rejected) = new.repeats {
        repeats::record(connection, &row, rejected).await?;
    }
    Ok(row)
}

pub async fn list(db: &Db, listing: &Listing) -> Result<Page<RunView>, Refusal> {
    let limit = listing.limit()?;
    db.read(async |mut connection| {
        let rows: Vec<Row> = runs::table
            .filter(runs::id.lt(RunId(listing.before())))
            .filter(runs::recorded_at.ge(listing.window_start()))
            .filter(runs::recorded_at.lt(listing.window_end()))
            .order(runs::id.desc())
            .limit(limit + 1)
            .select(Row::as_select())
            .load(&mut connection)
            .await?;
        let page = Page::of(rows, limit, |row| row.id.0);
        Ok(Page { items: views(connection, page.items).await?, next: page.next })
    })
    .await
}

/// Runs that are in a state now, newest first.
pub async fn in_state(db: &Db, state: &str, window: (Uuid, i64)) -> Result<Page<RunView>, Refusal> {
    db.read(async |mut connection| {
        let ids = states::in_state(connection, KIND, state, (window.0, window.1 + 1)).await?;
        let ids: Vec<RunId> = ids.into_iter().map(RunId).collect();
        let rows: Vec<Row> = runs::table
            .filter(runs::id.eq_any(ids))
            .order(runs::id.desc())
            .select(Row::as_select())
            .load(&mut connection)
            .await?;
        let page = Page::of(rows, window.1, |row| row.id.0);
        Ok(Page { items: views(connection, page.items).await?, next: page.next })
    })
    .await
}

pub async fn read(db: &Db, id: Uuid) -> Result<RunView, Refusal> {
    db.read(async |connection| view(connection, find(connection, id).await?).await).await
}

pub async fn close(db: &Db, act: &Act, id: Uuid) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        hold(connection, &[Held::Run(id)]).await?;
        let row = find(connection, id).await?;
        locks::hold(connection, &[id]).await?;
        close_in(connection, act, &row).await?;
        view(connection, row).await
    })
    .await
}

/// Closes a run that is held, in a transaction that does more, and puts what it has to offer on the charts.
pub(crate) async fn close_in(connection: &Connection, act: &Act, row: &Row) -> Result<(), Refusal> {
    let unjudged = blanks::of_run(connection, row.id).await?.unjudged();
    if unjudged > 0 {
        let detail = format!(
            "{unjudged} of its blanks were recorded and not judged: accept or reject each before the run is closed"
        );
        return Err(Refusal::new(Code::StateConflict, detail));
    }
    let asked = NewMove { to: "closed".to_owned(), reason: None };
    states::advance(connection, act, KIND, row.id.0, &asked, None).await?;
    taking::take_in(connection, act, row).await
}

/// Digest of what a signature on a run would cover now.
pub(crate) async fn content_digest(connection: &Connection, row: &Row) -> Result<String, Refusal> {
    Ok(digest(row, &quality::of(connection, row).await?))
}

/// A control that is signed after its run was closed still gets on its chart.
pub async fn take_in_if_closed(connection: &Connection, act: &Act, run: RunId) -> Result<(), Refusal> {
    if states::present(connection, KIND, run.0).await?.state != "closed" {
        return Ok(());
    }
    let row = find(connection, run.0).await?;
    taking::take_in(connection, act, &row).await
}

/// Releases or rejects a run, signed by somebody who did not open it. A run that is out of control or lacks what its method and
/// plan need is not released, and no concession exists for that. A rejection opens a nonconformity and takes the results of the
/// run back, also those that were approved after a release.
pub async fn judge(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    (id, release): (Uuid, bool),
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| judge_in(connection, act, user, (id, release), &signature).await).await
}

/// Releases or rejects a run in a transaction that does more, for somebody whose secret was asked already.
pub async fn judge_in(
    connection: &Connection,
    act: &Act,
    user: &CurrentUser,
    (id, release): (Uuid, bool),
    signature: &NewSignature,
) -> Result<RunView, Refusal> {
    hold(connection, &[Held::Run(id)]).await?;
    let row = find(connection, id).await?;
    locks::hold(connection, &[id]).await?;
    let detail = "a run is released or rejected by somebody who did not open it";
    signing::not_a_party(connection, user.account, &[row.recorded_by], detail).await?;
    let quality = quality::of(connection, &row).await?;
    if release {
        fit(&quality)?;
    }
    let (to, meaning) = if release { ("released", Meaning::Approved) } else { ("rejected", Meaning::Rejected) };
    let asked = NewMove { to: to.to_owned(), reason: signature.reason.clone() };
    states::advance(connection, act, KIND, id, &asked, None).await?;
    let digest = digest(&row, &quality);
    let content = Content { kind: KIND, id, digest: &digest, evaluation: None };
    if !release {
        quality::rejected(connection, act, &row, &quality, signature.reason.as_deref()).await?;
    }
    sign_offs::sign(connection, user, meaning, content, signature).await?;
    view(connection, row).await
}

/// Refuses what is out of control or incomplete; there is no concession for it.
fn fit(quality: &Quality) -> Result<(), Refusal> {
    if let Some(refusal) = out_of_control(quality) {
        return Err(refusal);
    }
    if let Some(refusal) = quality.lacks() {
        return Err(refusal);
    }
    Ok(())
}

/// The refusal of a run that is out of control.
pub(super) fn out_of_control(quality: &Quality) -> Option<Refusal> {
    (quality.verdict == Verdict::OutOfControl).then(|| {
        let detail = format!(
            "the run is out of control and releases nothing; reject it and repeat it: {}",
            quality.view().reasons.join("; ")
        );
        Refusal::new(Code::RuleBroken, detail)
    })
}

/// A run that still takes records.
///
/// # Errors
/// Closed, released or rejected.
pub async fn still_open(connection: &Connection, run: RunId) -> Result<(), Refusal> {
    let state = states::present(connection, KIND, run.0).await?.state;
    if state == "open" { Ok(()) } else { Err(Refusal::new(Code::StateConflict, format!("the run is {state}"))) }
}
