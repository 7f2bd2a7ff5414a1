//! Submission, review, return, approval and amendment: who may, with the secret asked again, and what is frozen.

use std::collections::HashSet;

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{AccountId, SignOffId};
use ferrotitre_base::locks;
use ferrotitre_base::pins::{self, Used};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::states::{self, NewMove, StateMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_bench::nonconformities::service::Opening;
use ferrotitre_bench::titrants::origin;
use ferrotitre_bench::{impacts, nonconformities};
use ferrotitre_core::determination::Detail;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use ferrotitre_ledger::accounts::store::competences;
use uuid::Uuid;

use crate::budgets::service as budgets;
use crate::determinations::evaluation::EvaluationView;
use crate::determinations::record::{KIND, Loaded, load};
use crate::determinations::{discordance, iron_results, service, store, supervision};
use crate::{control_materials, runs};

/// Which step is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    Submit,
    Review,
    Return,
    Approve,
    Amend,
}

impl Step {
    fn to(self) -> &'static str {
        match self {
            Self::Submit => "submitted",
            Self::Review => "reviewed",
            Self::Return => "returned",
            Self::Approve => "approved",
            Self::Amend => "amended",
        }
    }

    fn meaning(self) -> Meaning {
        match self {
            Self::Submit => Meaning::Authored,
            Self::Review => Meaning::Reviewed,
            Self::Approve => Meaning::Approved,
            // Both take back what stood before.
            Self::Return | Self::Amend => Meaning::Rejected,
        }
    }

    /// Steps that judge somebody's work.
    fn judges(self) -> bool {
        matches!(self, Self::Review | Self::Approve | Self::Return)
    }
}

/// Rows recorded since the content had a digest: table, row, time.
pub(super) type Changed<'a> = Box<dyn Fn(&str) -> Vec<(&'static str, Uuid, DateTime<Utc>)> + 'a>;

/// What is signed: its state of knowledge at that moment.
pub(super) struct Signed<'a> {
    pub(super) kind: EntityKind,
    pub(super) id: Uuid,
    pub(super) digest: String,
    /// The evaluation as text, kept bit for bit with an approval.
    pub(super) evaluation: String,
    /// Why nothing can be submitted or approved yet.
    pub(super) incomplete: Option<String>,
    pub(super) authors: Vec<AccountId>,
    /// Who made the observations that count.
    pub(super) observers: Vec<AccountId>,
    /// Who corrected one of them.
    pub(super) correctors: Vec<AccountId>,
    /// Present state.
    pub(super) state: String,
    /// How many distinct people sign it.
    pub(super) people: usize,
    /// When it was last returned or amended: what was signed before no longer counts.
    pub(super) returned_at: Option<DateTime<Utc>>,
    /// When it was last amended; who reviewed it before may approve what comes of that.
    pub(super) amended_at: Option<DateTime<Utc>>,
    /// Which earlier signature no longer holds.
    pub(super) broken: Option<String>,
    /// Rows recorded since the content had a digest.
    pub(super) changed: Changed<'a>,
    pub(super) method_code: String,
}

/// Checks who signs what, signs and moves on.
pub(super) async fn take(
    connection: &Connection,
    act: &Act,
    user: &CurrentUser,
    step: Step,
    signed: Signed<'_>,
    signature: NewSignature,
) -> Result<SignOffId, Refusal> {
    sign_offs::seen(&signature, &signed.digest, || {
        let named = signature.content_digest.as_deref().unwrap_or_default();
        let row = |(kind, id, at)| serde_json::json!({ "kind": kind, "id": id, "recorded_at": at });
        (signed.changed)(named).into_iter().map(row).collect()
    })?;
    if let (Some(broken), Step::Review | Step::Approve) = (&signed.broken, step) {
        return Err(Refusal::new(Code::StateConflict, broken.clone()));
    }
    if step.judges() {
        let detail = "you had a hand in this record (a titration, portion, blank, correction, rejection or signature as its author)";
        signing::not_a_party(connection, user.account, &signed.authors, detail).await?;
    }
    let again = further_people(connection, user, step, &signed).await?;
    if step == Step::Review && !user.roles.contains(&Role::Manager) {
        let today = chrono::Utc::now().date_naive();
        if !competences::competent(connection, user.account, &signed.method_code, today).await? {
            let detail = format!(
                "an analyst reviews only methods they are authorised for today; {} is not among yours",
                signed.method_code
            );
            return Err(Refusal::new(Code::NotCompetent, detail));
        }
    }
    if let (Some(why), Step::Submit | Step::Review | Step::Approve) = (&signed.incomplete, step) {
        return Err(Refusal::new(Code::NotEnoughData, why.clone()));
    }
    let meaning = step.meaning();
    let statement = match step {
        Step::Submit => signing::observed_by(connection, user, &signed.observers, &signed.correctors).await?,
        _ => meaning.statement().to_owned(),
    };
    if !again {
        let asked = NewMove { to: step.to().to_owned(), reason: signature.reason.clone() };
        states::advance(connection, act, signed.kind, signed.id, &asked, None).await?;
    }
    let evaluation = (step != Step::Return).then_some(signed.evaluation);
    let content = Content { kind: signed.kind, id: signed.id, digest: &signed.digest, evaluation };
    let made = sign_offs::sign_saying(connection, user, (meaning, &statement), content, &signature).await?;
    Ok(made.id)
}

/// When what was signed was last taken back.
pub(super) fn taken_back(moves: &[StateMove]) -> Option<DateTime<Utc>> {
    let back = moves.iter().rfind(|step| matches!(step.to_state.as_str(), "returned" | "amended"));
    back.map(|step| step.recorded_at)
}

/// Whether this is one more review of what is reviewed already, which moves nothing; asked for where a method names more people
/// than author, reviewer and approver.
///
/// Nobody reviews twice or approves what they reviewed, and an approval waits until as many people have signed as the method names.
async fn further_people(
    connection: &Connection,
    user: &CurrentUser,
    step: Step,
    signed: &Signed<'_>,
) -> Result<bool, Refusal> {
    if !matches!(step, Step::Review | Step::Approve) {
        return Ok(false);
    }
    let reviewers = sign_offs::reviewers(connection, signed.id, signed.returned_at).await?;
    // Its author, its reviewers, and who approves it.
    let lacking = signed.people.saturating_sub(reviewers.len() + 2);
    if step == Step::Review {
        let again = signed.state == "reviewed" && lacking > 0;
        if again {
            let detail = "you reviewed this record; the method asks for a review by somebody else";
            signing::not_a_party(connection, user.account, &reviewers, detail).await?;
        }
        return Ok(again);
    }
    let ever = sign_offs::reviewers(connection, signed.id, signed.amended_at).await?;
    let detail = "you reviewed this record; somebody else approves it";
    signing::not_a_party(connection, user.account, &ever, detail).await?;
    if signed.state == "reviewed" && lacking > 0 {
        let detail = format!(
            "the method asks for {} distinct people: {lacking} more must review it before it is approved",
            signed.people
        );
        return Err(Refusal::new(Code::RuleBroken, detail));
    }
    Ok(false)
}

/// The first signature since the author's last that was made on another content.
pub(super) fn broken(sign_offs: &[sign_offs::Row], digest: &str) -> Option<String> {
    let since = sign_offs.iter().rposition(|sign| sign.meaning == "authored")?;
    let held = sign_offs.get(since..).unwrap_or_default().iter();
    let other = held.filter(|sign| sign.meaning != "rejected").find(|sign| sign.content_digest != digest)?;
    Some(format!("the signature of {} ({}) was made on another content; return it", other.printed_name, other.meaning))
}

fn of_determination(loaded: &Loaded) -> Result<Signed<'_>, Refusal> {
    let evaluation = loaded.evaluate(Detail::Working)?;
    let digest = Loaded::digest(&evaluation);
    let view = EvaluationView::from(evaluation);
    Ok(Signed {
        kind: KIND,
        id: loaded.row.id.0,
        digest,
        incomplete: (!view.progress.complete).then(|| view.progress.detail.clone()),
        evaluation: serde_json::to_string(&view).map_err(Refusal::internal)?,
        authors: loaded.authors.clone(),
        observers: loaded.observers(),
        correctors: loaded.correctors(),
        state: loaded.state.clone(),
        people: loaded.frame.method.facts.rules.0.people(),
        returned_at: taken_back(loaded.moves()),
        amended_at: loaded.amended_at(),
        broken: loaded.broken(),
        changed: Box::new(|named| loaded.changed_since(named)),
        method_code: loaded.frame.method.facts.code.clone(),
    })
}

/// Loads a determination for its author's signature: what it rests on is shared first, so that it stays as it is until the
/// signature is made.
async fn load_to_pin(connection: &Connection, id: Uuid) -> Result<(Loaded, Used), Refusal> {
    let mut shared: HashSet<Uuid> = HashSet::new();
    loop {
        let loaded = load(connection, store::determination(connection, id).await?).await?;
        let used = loaded.pins(connection).await?;
        let rows = used.rows();
        if rows.is_subset(&shared) {
            return Ok((loaded, used));
        }
        locks::share(connection, &rows.iter().copied().collect::<Vec<_>>()).await?;
        shared.extend(rows);
    }
}

/// Takes a step with a determination.
pub async fn determination(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    of: (Uuid, Step),
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    determination_confirmed(db, act, user, of, signature).await
}

/// The same for somebody whose secret was asked already.
pub(super) async fn determination_confirmed(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    of: (Uuid, Step),
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let row = determination_in(connection, act, user, of, signature).await?;
        service::shown(load(connection, row).await?)
    })
    .await
}

/// The same in a transaction that does more.
pub(crate) async fn determination_in(
    connection: &Connection,
    act: &Act,
    user: &CurrentUser,
    (id, step): (Uuid, Step),
    signature: NewSignature,
) -> Result<store::DeterminationRow, Refusal> {
    let row = store::determination(connection, id).await?;
    // Nothing of the run moves while this is signed.
    hold(connection, &[Held::Run(row.run_id.0)]).await?;
    locks::determination(connection, id).await?;
    let (loaded, used) = match step {
        Step::Submit => load_to_pin(connection, id).await?,
        _ => (load(connection, row).await?, Used::default()),
    };
    if step == Step::Approve {
        let control = loaded.row.purpose == "control"
            && control_materials::service::is_control(connection, loaded.row.sample_id).await?;
        runs::approval::allows(connection, loaded.row.run_id, (id, !control)).await?;
    }
    let signed = of_determination(&loaded)?;
    if step == Step::Approve && !loaded.frame.assigned.is_empty() {
        budgets::may_judge(connection, &[loaded.row.method_id]).await?;
    }
    if step == Step::Approve {
        discordance::decided(&loaded, &loaded.evaluate(Detail::Figures)?)?;
    }
    if step == Step::Submit {
        // A signature begins nothing with a concentration that is known to be wrong.
        origin::still_hold(connection, &loaded.used.of("titrant_factors")).await?;
        supervision::may_answer(connection, &loaded, user).await?;
        supervision::all_countersigned(connection, &loaded, &signed.digest).await?;
    }
    let reason = signature.reason.clone().unwrap_or_default();
    let made = take(connection, act, user, step, signed, signature).await?;
    if let (Step::Amend, Some(standing)) = (step, &loaded.standing) {
        impacts::decided_by_amendment(connection, act, standing.sign_off, &reason).await?;
    }
    if step == Step::Submit {
        pins::record(connection, made, &used, Some(user.account)).await?;
        runs::service::take_in_if_closed(connection, act, loaded.row.run_id).await?;
    }
    Ok(loaded.row)
}

/// What the author's signature of a determination stands over, shared before any of several is signed, so that all of it is asked
/// for at once.
pub(super) async fn share_what_is_pinned(connection: &Connection, ids: &[Uuid]) -> Result<(), Refusal> {
    let mut rows: HashSet<Uuid> = HashSet::new();
    for id in ids {
        let loaded = load(connection, store::determination(connection, *id).await?).await?;
        rows.extend(loaded.pins(connection).await?.rows());
    }
    locks::share(connection, &rows.into_iter().collect::<Vec<_>>()).await
}

/// Takes a step with an iron result.
pub async fn iron_result(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    of: (Uuid, Step),
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    iron_result_confirmed(db, act, user, of, signature).await
}

/// The same for somebody whose secret was asked already.
pub(super) async fn iron_result_confirmed(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    of: (Uuid, Step),
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let row = iron_result_in(connection, act, user, of, signature).await?;
        iron_results::shown(iron_results::load(connection, row).await?)
    })
    .await
}

/// The same in a transaction that does more.
pub(crate) async fn iron_result_in(
    connection: &Connection,
    act: &Act,
    user: &CurrentUser,
    (id, step): (Uuid, Step),
    signature: NewSignature,
) -> Result<store::IronResultRow, Refusal> {
    let row = store::iron_result(connection, id).await?;
    let parts = [row.total_id.0, row.iron2_id.0];
    let [total, iron2] = parts.map(async |part| store::determination(connection, part).await);
    let (total, iron2) = (total.await?, iron2.await?);
    hold(connection, &[Held::Run(total.run_id.0), Held::Run(iron2.run_id.0)]).await?;
    locks::hold(connection, &[id]).await?;
    let mut used = Used::default();
    if step == Step::Submit {
        // Its determinations take no titration and no signature meanwhile, and what they rest on stays as it is.
        for part in sorted(parts) {
            locks::determination(connection, part).await?;
            used.extend(&load_to_pin(connection, part).await?.1);
        }
    }
    let loaded = iron_results::load(connection, row).await?;
    let standing = [&loaded.total, &loaded.iron2].map(|part| part.standing.as_ref().map(|of| of.sign_off));
    for sign_off in standing.into_iter().flatten() {
        used.add("sign_offs", sign_off.0, loaded.row.observed_at);
    }
    if step == Step::Approve {
        for (name, part) in [("total iron", &loaded.total), ("iron(II)", &loaded.iron2)] {
            if !matches!(part.state.as_str(), "approved" | "reported") {
                return Err(Refusal::new(
                    Code::StateConflict,
                    format!("the determination of {name} is {}, not approved", part.state),
                ));
            }
        }
    }
    if step == Step::Approve && !loaded.total.frame.assigned.is_empty() {
        budgets::may_judge(connection, &[loaded.total.row.method_id, loaded.iron2.row.method_id]).await?;
    }
    let reason = signature.reason.clone().unwrap_or_default();
    let made = take(connection, act, user, step, loaded.signed()?, signature).await?;
    if let (Step::Amend, Some(standing)) = (step, &loaded.standing) {
        impacts::decided_by_amendment(connection, act, standing.sign_off, &reason).await?;
    }
    if step == Step::Submit {
        used.add("iron_results", id, loaded.row.observed_at);
        pins::record(connection, made, &used, Some(user.account)).await?;
    }
    if step == Step::Submit
        && let Some((value, u)) = loaded.negative_beyond_2u()?
    {
        nonconformities::service::open_because(connection, act, negative(&loaded.row, value, u)).await?;
    }
    Ok(loaded.row)
}

/// Iron(III) below zero by more than its uncertainty allows: one of the two determinations is wrong.
fn negative(row: &store::IronResultRow, value: f64, u: f64) -> Opening<'static> {
    Opening {
        source: "negative iron(III)",
        severity: "major",
        title: format!("iron(III) of {} is negative beyond 2 u", row.code),
        scope: format!("iron(III) {value} with u {u}: total iron or iron(II) is wrong"),
        owner: None,
        observed_at: row.observed_at,
        links: vec![
            (EntityKind::IronResult.table(), row.id.0, "origin"),
            (KIND.table(), row.total_id.0, "affected"),
            (KIND.table(), row.iron2_id.0, "affected"),
        ],
    }
}

fn sorted<const N: usize>(mut ids: [Uuid; N]) -> [Uuid; N] {
    ids.sort_unstable();
    ids
}
