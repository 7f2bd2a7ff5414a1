//! One-time codes (RFC 6238) beside the password: set up by the owner, asked at sign-in and, if the owner chose so, at signatures.

pub(super) mod handlers;
pub mod wire;

use chrono::{DateTime, Duration, Utc};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::local_key;
use ferrotitre_base::auth::one_time_codes::{
    Given, RECOVERY_CODES, SharedSecret, recovery_at, recovery_codes, recovery_digest,
};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{self, Act, Connection, Db, Held};
use ferrotitre_base::ids::{AccountId, CodeEndId, CodeEnrolmentId, CodeRuleId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::{states, zone};
use ferrotitre_html::symbol::qr_code;
use secrecy::ExposeSecret;
use uuid::Uuid;

use crate::accounts::signing::{self, Asked};
pub(super) use crate::accounts::store::codes::CodeEnd;
use crate::accounts::store::codes::{self as store, CodeRule, Enrolment, Fits};
use crate::accounts::store::{self as accounts, sessions};
use wire::{CodeChoice, CodeProposal, CodeReset, CodesSetUp, NewCodeRule, NewCodes, OwnCodes, OwnCodesEnd};

/// Days for which a reset is news.
const NEWS_DAYS: i64 = 14;
const ENDED: &str = "one-time codes ended";
const RESET: &str = "one-time codes reset by somebody else";

/// Why a code was not taken, as it goes on record; who gave it is told no more than that something was wrong.
pub(super) type Cause = &'static str;

/// Looks at a code and uses it up, within the transaction of the attempt it belongs to.
pub(super) async fn take(
    connection: &Connection,
    act: &Act,
    account: AccountId,
    enrolment: &Enrolment,
    asked: Asked,
) -> Result<Option<Cause>, Refusal> {
    let Some(code) = &act.one_time_code else { return Ok(Some("missing")) };
    let fitting: Vec<Fits> = match Given::read(code) {
        Given::Nothing => Vec::new(),
        Given::Recovery(code) => {
            let place = recovery_at(enrolment.id, &code, &enrolment.recovery_digests);
            place.and_then(|at| i32::try_from(at + 1).ok()).map(Fits::Recovery).into_iter().collect()
        }
        Given::Code(code) => {
            let Some(secret) = SharedSecret::open(account, enrolment.id, &enrolment.sealed_secret) else {
                tracing::error!(
                    %account,
                    "one-time codes cannot be checked: they were sealed with another {}; the owner signs in with a recovery code, or \
                     reset them with ferrotitre account reset-codes",
                    local_key::FILE
                );
                return Ok(Some("cannot be checked"));
            };
            secret.steps(&code, Utc::now()).into_iter().map(Fits::Step).collect()
        }
    };
    let mut cause = "wrong";
    for fits in fitting {
        if store::use_up(connection, (enrolment.id, account), fits, asked.use_of_code(), request(act)).await? {
            return Ok(None);
        }
        cause = "used before";
    }
    Ok(Some(cause))
}

/// By what a request that is sent again is recognised; none without an idempotency key.
fn request(act: &Act) -> Option<[u8; 32]> {
    let repeat = act.repeat.as_ref()?;
    Some(local_key::code("one-time code", &[repeat.key.as_bytes(), repeat.operation.as_bytes(), &repeat.digest]))
}

async fn view(connection: &Connection, enrolment: &Enrolment) -> Result<OwnCodes, Refusal> {
    let used = store::recovery_codes_used(connection, enrolment.id).await?;
    Ok(OwnCodes {
        since: enrolment.recorded_at,
        at_signatures: enrolment.at_signatures,
        recovery_codes_left: RECOVERY_CODES as i64 - used,
    })
}

/// The codes of an account.
pub(super) async fn own(db: &Db, account: AccountId) -> Result<Option<OwnCodes>, Refusal> {
    db.read(async |connection| match store::in_force(connection, account).await? {
        Some(enrolment) => view(connection, &enrolment).await.map(Some),
        None => Ok(None),
    })
    .await
}

fn shown(secret: &SharedSecret, user: &CurrentUser) -> Result<CodeProposal, Refusal> {
    let uri = secret.uri(&user.code);
    Ok(CodeProposal {
        secret: secret.base32(),
        qr_code: qr_code(&uri, "QR code for an authenticator")?,
        uri,
        proposal: secret.proposal(user.account, Utc::now()),
    })
}

/// A fresh secret for an authenticator.
pub(super) fn propose(user: &CurrentUser) -> Result<CodeProposal, Refusal> {
    shown(&SharedSecret::random(), user)
}

/// One that was proposed before, for the form that comes back; a fresh one where it is too old.
pub(super) fn propose_again(user: &CurrentUser, proposal: &str) -> Result<CodeProposal, Refusal> {
    shown(&SharedSecret::proposed(user.account, proposal, Utc::now()).unwrap_or_else(SharedSecret::random), user)
}

/// Puts codes in force: the owner has shown a code of the proposed secret, and the password.
pub(super) async fn set_up(
    db: &Db,
    act: &Act,
    policy: Policy,
    user: &CurrentUser,
    new: NewCodes,
) -> Result<CodesSetUp, Refusal> {
    let account = user.account;
    if user.provisional {
        // Whoever set it must not be the one who sets up the codes.
        return Err(Refusal::new(Code::PasswordProvisional, "change the password that somebody else set first"));
    }
    if own(db, account).await?.is_some() {
        return Err(already());
    }
    let secret = SharedSecret::proposed(account, new.proposal.expose_secret(), Utc::now()).ok_or_else(|| {
        let message = "was made for another account or more than a quarter of an hour ago; ask for a new one";
        Refusal::invalid("proposal", "proposal", message, "(not shown)")
    })?;
    let steps = match Given::read(&new.one_time_code) {
        Given::Code(code) => secret.steps(&code, Utc::now()),
        _ => Vec::new(),
    };
    let Some(step) = steps.first().copied() else {
        let message = "is not what the authenticator shows for this secret now; is its clock right?";
        return Err(Refusal::invalid("one_time_code", "code", message, "(not shown)"));
    };
    signing::confirm_own(db, act, policy, account, new.password).await?;
    let id = CodeEnrolmentId::new();
    let recovery_codes = recovery_codes();
    let digests: Vec<Vec<u8>> = recovery_codes.iter().map(|code| recovery_digest(id, code)).collect();
    let one_time_codes = db
        .transact(act, async |connection| {
            db::hold(connection, &[Held::Codes(account.0)]).await?;
            if store::in_force(connection, account).await?.is_some() {
                return Err(already());
            }
            let since = store::insert_enrolment(connection, (id, account), &secret.seal(account, id), &digests).await?;
            // The code that confirmed it was seen once.
            store::use_up(connection, (id, account), Fits::Step(step), Asked::SetUpCodes.use_of_code(), None).await?;
            if new.at_signatures {
                store::insert_choice(connection, (id, account), true).await?;
            }
            Ok(OwnCodes { since, at_signatures: new.at_signatures, recovery_codes_left: RECOVERY_CODES as i64 })
        })
        .await?;
    Ok(CodesSetUp { one_time_codes, recovery_codes })
}

fn already() -> Refusal {
    Refusal::new(Code::StateConflict, "one-time codes are set up already; end them first to set up another device")
}

fn none() -> Refusal {
    Refusal::new(Code::StateConflict, "no one-time codes are set up")
}

/// Chooses whether signatures ask for a code, with a code.
pub(super) async fn choose(db: &Db, act: &Act, policy: Policy, choice: CodeChoice) -> Result<Answer, Refusal> {
    let account = author(act)?;
    if own(db, account).await?.is_none() {
        return Err(none());
    }
    signing::confirm_with_code(db, act, policy, choice.password).await?;
    db.write(act, async |connection| {
        let mut enrolment = store::in_force(connection, account).await?.ok_or_else(none)?;
        store::insert_choice(connection, (enrolment.id, account), choice.at_signatures).await?;
        enrolment.at_signatures = choice.at_signatures;
        view(connection, &enrolment).await
    })
    .await
}

/// Ends the own codes, with a code.
pub(super) async fn end_own(db: &Db, act: &Act, policy: Policy, end: OwnCodesEnd) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&end.reason))?;
    let account = author(act)?;
    if own(db, account).await?.is_none() {
        return Err(none());
    }
    signing::confirm_with_code(db, act, policy, end.password).await?;
    db.write(act, async |connection| put_end(connection, account, ("ended", ENDED), end.reason, Some(account)).await)
        .await
}

async fn put_end(
    connection: &Connection,
    account: AccountId,
    (kind, why): (&str, &str),
    reason: String,
    by: Option<AccountId>,
) -> Result<CodeEnd, Refusal> {
    let enrolment = store::in_force(connection, account).await?.ok_or_else(none)?;
    let row = CodeEnd {
        id: CodeEndId::new(),
        enrolment_id: enrolment.id,
        account_id: account,
        kind: kind.to_owned(),
        reason,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: by,
    };
    let ended = store::insert_end(connection, &row).await?;
    sessions::end_sessions(connection, account, why).await?;
    Ok(ended)
}

/// Resets the codes of somebody else, whose sessions end; the owner and the managers see it among the alerts.
pub(super) async fn reset(db: &Db, act: &Act, id: Uuid, reset: CodeReset) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&reset.reason))?;
    let by = author(act)?;
    db.write(act, async |connection| {
        let account = accounts::account(connection, AccountId(id)).await?;
        let account = account.ok_or_else(|| Refusal::not_found("account", id))?;
        let detail = "nobody resets their own one-time codes: use a recovery code, or ask another administrator";
        signing::not_a_party(connection, by, &[account.id], detail).await?;
        put_end(connection, account.id, ("reset", RESET), reset.reason, Some(by)).await
    })
    .await
}

/// Resets them from the command line.
///
/// # Errors
/// No such account, or one without codes; a reason too short.
pub async fn reset_by_operator(db: &Db, code: &str, reason: &str) -> Result<(), Refusal> {
    states::reason_given("reason", Some(reason))?;
    db.transact(&Act::system("reset_one_time_codes"), async |connection| {
        let account = accounts::account_by_code(connection, code).await?;
        let account = account.ok_or_else(|| Refusal::not_found("account", code))?;
        put_end(connection, account.id, ("reset", RESET), reason.to_owned(), None).await
    })
    .await
    .map(drop)
}

/// Ends and resets of an account, newest first.
pub(super) async fn ends(db: &Db, account: AccountId) -> Result<Vec<CodeEnd>, Refusal> {
    db.read(async |connection| store::ends(connection, account).await).await
}

/// Decides whether administrators must use codes.
pub(super) async fn decide(db: &Db, act: &Act, policy: Policy, new: NewCodeRule) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&new.reason))?;
    signing::confirm(db, act, policy, new.password).await?;
    let row = CodeRule {
        id: CodeRuleId::new(),
        administrators_must: new.administrators_must,
        reason: new.reason,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    db.write(act, async |connection| store::insert_rule(connection, &row).await).await
}

/// Decisions on that, newest first.
pub(super) async fn rules(db: &Db) -> Result<Vec<CodeRule>, Refusal> {
    db.read(async |connection| store::rules(connection).await).await
}

/// Whether administrators must use codes now.
pub(super) async fn administrators_must(db: &Db) -> Result<bool, Refusal> {
    Ok(rules(db).await?.first().is_some_and(|rule| rule.administrators_must))
}

/// Resets of the own codes in the last days, in words.
pub(super) async fn news(db: &Db, account: AccountId) -> Result<Vec<String>, Refusal> {
    let since = Utc::now() - Duration::days(NEWS_DAYS);
    let resets = db.read(async |connection| store::resets(connection, since).await).await?;
    let own = resets.iter().filter(|reset| reset.account == account.0);
    Ok(own.map(|reset| format!("Your one-time codes were reset {}", told(reset))).collect())
}

/// Resets of the last days: whoever resets codes cannot do it unseen.
pub(super) async fn alerts(connection: &Connection, now: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let resets = store::resets(connection, now - Duration::days(NEWS_DAYS)).await?;
    Ok(resets
        .into_iter()
        .map(|reset| Alert {
            kind: "one-time codes reset",
            urgency: Urgency::Now,
            subject_kind: "accounts",
            subject: reset.account,
            message: format!("the one-time codes of {} were reset {}", reset.code, told(&reset)),
            code: reset.code.clone(),
            due_at: Some(reset.at),
        })
        .collect())
}

fn told(reset: &store::Reset) -> String {
    let by = reset.by.as_ref().map_or_else(|| "at the command line".to_owned(), |by| format!("by {by}"));
    format!("{by} on {}: {}", zone::local(reset.at).format("%Y-%m-%d %H:%M"), reset.reason)
}
