//! Signing in, renewing, signing out.

use chrono::{DateTime, Duration, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::passwords::{self, Asker};
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::throttle::Try;
use ferrotitre_base::auth::tokens::{ACCESS_MINUTES, REFRESH_HOURS, TokenKeys, opaque};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, ActorKind, Connection, Db};
use ferrotitre_base::ids::{AccountId, SessionId};
use ferrotitre_base::locks;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_core::lifecycle::EntityKind;
use secrecy::{ExposeSecret, SecretString};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::accounts::signing::{self, Asked, Checked};
use crate::accounts::store::{self, AccountRow};
use crate::accounts::wire::{Credentials, FirstSignIn, OwnSession, PasswordChange, Tokens};

/// Signs in with name, password and, where codes are set up, a one-time code. A wrong password, a wrong or missing code, an unknown
/// name and an account that is not active are told the same.
pub(super) async fn sign_in(
    db: &Db,
    keys: &TokenKeys,
    act: &Act,
    policy: Policy,
    credentials: Credentials,
) -> Result<Tokens, Refusal> {
    let (account, provisional) = known_at_the_door(db, act, policy, credentials).await?;
    let session = SessionId::new();
    let now = Utc::now();
    let refresh = db
        .transact(act, async |connection| {
            store::sessions::insert_session(connection, session, account.id, act.address.as_deref()).await?;
            new_refresh(connection, session, now).await
        })
        .await?;
    tokens(db, keys, account.id, session, refresh, provisional, now).await
}

/// Whoever gives name, password and code of an account that is active, with whether the password is provisional.
async fn known_at_the_door(
    db: &Db,
    act: &Act,
    policy: Policy,
    credentials: Credentials,
) -> Result<(AccountRow, bool), Refusal> {
    let wrong =
        || Refusal::new(Code::BadCredentials, "name, password or one-time code is wrong, or the account is not active");
    let account = db.read(async |connection| store::account_by_code(connection, &credentials.account).await).await?;
    let asked = Try::sign_in(act.address.as_deref(), &credentials.account);
    let known_here = match &account {
        Some(account) if policy.throttle.matters_where(&asked) || passwords::crowded() => {
            let known = db.read(async |connection| store::sessions::lately_from(connection, account.id).await).await?;
            known.iter().any(|address| Try::sign_in(Some(address), &credentials.account) == asked)
        }
        _ => false,
    };
    let looking = policy.throttle.begin(&asked, known_here)?;
    let Some(account) = account else {
        let looked = passwords::verify_nobody(credentials.password).await;
        looking.settle(looked, |()| false)?;
        tracing::warn!(address = act.address, "sign-in with an unknown name");
        let name = kept_name(&credentials.account);
        db.transact(act, async |connection| store::sessions::insert_unknown(connection, name).await).await?;
        return Err(wrong());
    };
    let asker = if known_here { Asker::Known } else { Asker::Stranger };
    let given = (asker, credentials.password);
    let with_code = Act { one_time_code: credentials.one_time_code, ..act.clone() };
    let checked = signing::check(db, &with_code, account.id, given, Asked::SignIn).await;
    match looking.settle(checked, |checked| *checked != Checked::Wrong)? {
        Checked::Right { provisional } => Ok((account, provisional)),
        Checked::Wrong => Err(wrong()),
    }
}

/// The first sign-in for pages: whoever has a provisional password gives it once, with the own one that takes its place; a token for
/// the cookie. Name, password and code are looked at as at every sign-in.
pub(super) async fn first_sign_in_page(
    db: &Db,
    keys: &TokenKeys,
    act: &Act,
    policy: Policy,
    first: FirstSignIn,
) -> Result<String, Refusal> {
    // What costs little and tells nothing comes first, so that it does not use up a code.
    long_enough(&first.new)?;
    another_than(&first.password, &first.new)?;
    let FirstSignIn { account, password, new, one_time_code } = first;
    let (account, provisional) =
        known_at_the_door(db, act, policy, Credentials { account, password, one_time_code }).await?;
    let own_already = || {
        let detail = "this account has an own password already: sign in with it; it is changed under Own account";
        Refusal::new(Code::StateConflict, detail)
    };
    if !provisional {
        return Err(own_already());
    }
    acceptable(&new, &[&account.code, &account.display_name])?;
    let hash = passwords::hash(new).await?;
    let session = SessionId::new();
    // From here on somebody is known.
    let own = Act { actor: Some(account.id), kind: ActorKind::Person, ..act.by(Action::OwnAccount) };
    db.transact(&own, async |connection| {
        // Of two who have the same provisional password only one sets another.
        locks::hold(connection, &[account.id.0]).await?;
        if store::secret(connection, account.id).await?.is_none_or(|(_, provisional)| !provisional) {
            return Err(own_already());
        }
        replace_secret(connection, account.id, &hash).await?;
        store::sessions::insert_session(connection, session, account.id, act.address.as_deref()).await
    })
    .await?;
    keys.sign(db, account.id, session, (Utc::now(), policy.idle_minutes)).await
}

/// A name that nobody has as it is kept: not at all where it has not the form of a sign-in name, or would do as a password, which
/// people now and then type into the wrong field.
fn kept_name(name: &str) -> Option<&str> {
    let formed = (2..=64).contains(&name.len())
        && name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || matches!(b, b'.' | b'-'));
    (formed && acceptable(&SecretString::from(name), &[]).is_err()).then_some(name)
}

/// A refresh token that ends with the session: nobody stays signed in beyond a working day without giving the password again
/// (NIST SP 800-63B, 4.2.3: at least once in 12 hours).
async fn new_refresh(
    connection: &Connection,
    session: SessionId,
    started: DateTime<Utc>,
) -> Result<(String, DateTime<Utc>), Refusal> {
    let (token, hash) = opaque("ftrt_");
    let expires = started + Duration::hours(REFRESH_HOURS);
    store::sessions::insert_refresh(connection, &hash, session, expires).await?;
    Ok((token, expires))
}

async fn tokens(
    db: &Db,
    keys: &TokenKeys,
    account: AccountId,
    session: SessionId,
    (refresh_token, refresh_expires_at): (String, DateTime<Utc>),
    password_provisional: bool,
    now: DateTime<Utc>,
) -> Result<Tokens, Refusal> {
    let access_token = keys.sign(db, account, session, (now, ACCESS_MINUTES)).await?;
    let expires_in = ACCESS_MINUTES * 60;
    Ok(Tokens {
        access_token,
        token_type: "Bearer",
        expires_in,
        refresh_token,
        refresh_expires_at,
        password_provisional,
    })
}

/// Renews a session; a token presented twice was stolen by somebody, so the whole session ends.
pub(super) async fn refresh(db: &Db, keys: &TokenKeys, act: &Act, token: &str) -> Result<Tokens, Refusal> {
    enum Outcome {
        Renewed(AccountId, SessionId, (String, DateTime<Utc>), bool),
        Refused(&'static str),
    }
    let now = Utc::now();
    let hash = Sha256::digest(token.as_bytes()).to_vec();
    let outcome = db
        .transact(act, async |connection| {
            let Some((row, first_use)) = store::sessions::use_refresh(connection, &hash).await? else {
                return Ok(Outcome::Refused("the refresh token is unknown"));
            };
            if !first_use {
                // The end of the session must be committed although the request is refused.
                store::sessions::end_session(connection, row.session, "refresh token reused").await?;
                return Ok(Outcome::Refused("the refresh token was used before; the session has been ended"));
            }
            if row.ended_at.is_some() || row.expires_at < now {
                return Ok(Outcome::Refused("the session has ended"));
            }
            let provisional = store::secret(connection, row.account).await?.is_some_and(|(_, provisional)| provisional);
            let fresh = new_refresh(connection, row.session, row.started_at).await?;
            Ok(Outcome::Renewed(row.account, row.session, fresh, provisional))
        })
        .await?;
    match outcome {
        Outcome::Refused(why) => Err(Refusal::new(Code::SessionEnded, format!("{why}; sign in again"))),
        Outcome::Renewed(account, session, fresh, provisional) => {
            let state = db
                .read(async |connection| states::present(connection, EntityKind::Account, account.0).await)
                .await?
                .state;
            if state != "active" {
                return Err(Refusal::new(Code::AccountNotActive, format!("the account is {state}")));
            }
            tokens(db, keys, account, session, fresh, provisional, now).await
        }
    }
}

/// Signs in for pages: a token for the cookie, and whether the password must be changed first.
pub(super) async fn sign_in_page(
    db: &Db,
    keys: &TokenKeys,
    act: &Act,
    policy: Policy,
    credentials: Credentials,
) -> Result<(String, bool), Refusal> {
    let tokens = sign_in(db, keys, act, policy, credentials).await?;
    let claims = keys.verify(db, &tokens.access_token).await?;
    // The refresh token is not handed out: the cookie is renewed as long as it is used.
    let token = extend(db, keys, policy, claims.sub, claims.sid).await?.unwrap_or(tokens.access_token);
    Ok((token, tokens.password_provisional))
}

/// A token for the cookie of pages, good for as many minutes as somebody may leave the bench; none once the session is older
/// than a working day.
///
/// Pages renew it at every use in place of a refresh token: one that is good once would end the session whenever two pages
/// were opened at the same moment.
pub async fn extend(
    db: &Db,
    keys: &TokenKeys,
    policy: Policy,
    account: AccountId,
    session: SessionId,
) -> Result<Option<String>, Refusal> {
    let now = Utc::now();
    let started = db.read(async |connection| store::sessions::session_started(connection, session).await).await?;
    if started.is_none_or(|started| started + Duration::hours(REFRESH_HOURS) < now) {
        return Ok(None);
    }
    keys.sign(db, account, session, (now, policy.idle_minutes)).await.map(Some)
}

/// Ends the own session; its access and refresh tokens are useless from now on.
pub(super) async fn sign_out(db: &Db, act: &Act, user: &CurrentUser) -> Result<(), Refusal> {
    let Some(session) = user.session else { return Ok(()) };
    db.transact(act, async |connection| store::sessions::end_session(connection, session, "signed out").await).await
}

/// Where the account is signed in.
pub(super) async fn own(db: &Db, user: &CurrentUser) -> Result<Vec<OwnSession>, Refusal> {
    let since = Utc::now() - Duration::hours(REFRESH_HOURS);
    let found =
        db.read(async |connection| store::sessions::open_sessions(connection, user.account, since).await).await?;
    let shown = |(id, started_at, source_address): (SessionId, _, _)| OwnSession {
        id: id.0,
        started_at,
        source_address,
        current: user.session == Some(id),
    };
    Ok(found.into_iter().map(shown).collect())
}

/// Ends one of the own sessions.
pub(super) async fn end_own(db: &Db, act: &Act, user: &CurrentUser, id: Uuid) -> Result<(), Refusal> {
    if !own(db, user).await?.iter().any(|session| session.id == id) {
        return Err(Refusal::not_found("open session of yours", id));
    }
    db.transact(act, async |connection| {
        store::sessions::end_session(connection, SessionId(id), "signed out elsewhere").await
    })
    .await
}

/// Changes the own password and ends all sessions, so that a thief's session ends, too.
pub(super) async fn change_password(
    db: &Db,
    act: &Act,
    policy: Policy,
    user: &CurrentUser,
    change: PasswordChange,
) -> Result<(), Refusal> {
    let hash = changed(db, act, policy, user, change).await?;
    db.transact(act, async |connection| replace_secret(connection, user.account, &hash).await).await
}

/// The same for pages: all sessions end, and whoever has just given the present and the new password goes on in a new one; a token
/// for the cookie.
pub(super) async fn change_password_page(
    db: &Db,
    keys: &TokenKeys,
    act: &Act,
    policy: Policy,
    user: &CurrentUser,
    change: PasswordChange,
) -> Result<String, Refusal> {
    let hash = changed(db, act, policy, user, change).await?;
    let session = SessionId::new();
    db.transact(act, async |connection| {
        replace_secret(connection, user.account, &hash).await?;
        store::sessions::insert_session(connection, session, user.account, act.address.as_deref()).await
    })
    .await?;
    keys.sign(db, user.account, session, (Utc::now(), policy.idle_minutes)).await
}

async fn replace_secret(connection: &Connection, account: AccountId, hash: &str) -> Result<(), Refusal> {
    store::insert_secret(connection, account, hash, false, Some(account)).await?;
    store::sessions::end_sessions(connection, account, "password changed").await
}

/// Hash of a new password that will do, for somebody who knows the present one.
async fn changed(
    db: &Db,
    act: &Act,
    policy: Policy,
    user: &CurrentUser,
    change: PasswordChange,
) -> Result<String, Refusal> {
    acceptable(&change.new, &[&user.code, &user.display_name])?;
    another_than(&change.present, &change.new)?;
    match signing::check_own(db, act, policy, user.account, change.present, Asked::ChangePassword).await? {
        Checked::Wrong => Err(Refusal::new(Code::SecretWrong, "the present password was wrong").at(
            "present",
            "secret",
            "(not shown)",
        )),
        Checked::Right { .. } => passwords::hash(change.new).await,
    }
}

fn another_than(present: &SecretString, new: &SecretString) -> Result<(), Refusal> {
    if new.expose_secret() == present.expose_secret() {
        return Err(Refusal::invalid("new", "different", "must differ from the present password", "(not shown)"));
    }
    Ok(())
}

fn long_enough(password: &SecretString) -> Result<(), Refusal> {
    let length = password.expose_secret().chars().count();
    if !(passwords::SHORTEST..=200).contains(&length) {
        let message = format!("must have {} to 200 characters", passwords::SHORTEST);
        return Err(Refusal::invalid("new", "length", message, format!("({length} characters)")));
    }
    Ok(())
}

/// Long enough, and not among what is guessed first: common passwords, words, names, dates, repeats and rows of keys, as the
/// estimator of D. L. Wheeler (zxcvbn: low-budget password strength estimation, USENIX Security 2016) finds them. NIST SP 800-63B,
/// 5.1.1.2 asks for such a comparison.
fn acceptable(password: &SecretString, own: &[&str]) -> Result<(), Refusal> {
    long_enough(password)?;
    // What follows the first hundred characters makes no password easier to guess, and the search for patterns dearer.
    let looked_at: String = password.expose_secret().chars().take(100).collect();
    let known: Vec<&str> = own.iter().copied().chain(["ferrotitre", "laboratory", "titration", "dichromate"]).collect();
    if zxcvbn::zxcvbn(&looked_at, &known).score() < zxcvbn::Score::Four {
        let message = "is too easy to guess (common passwords, names, repeats, keyboard rows); four unrelated words are hard to guess and easy to remember";
        return Err(Refusal::invalid("new", "guessable", message, "(not shown)"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_that_might_be_a_password_is_not_kept() {
        for name in ["analyst-9", "m.lindqvist", "root", "administrator"] {
            assert_eq!(kept_name(name), Some(name));
        }
        for name in ["kettle-orbit-fern-lantern", "Hunter2!", "a b", "x", "tr7qlm2xvz9-kkqw3"] {
            assert_eq!(kept_name(name), None, "{name}");
        }
    }

    #[test]
    fn what_is_guessed_first_is_refused() {
        let own = ["mara.lindqvist", "Mara Lindqvist"];
        // Common practice, no source.
        for weak in [
            "password1234",
            "123456789012",
            "            ",
            "qwertyuiopas",
            "aaaaaaaaaaaaaaaa",
            "Mara Lindqvist1",
            "ferrotitre2026",
        ] {
            let refusal = acceptable(&SecretString::from(weak), &own).unwrap_err();
            assert!(refusal.fields.iter().any(|field| field.rule == "guessable"), "{weak}");
            assert!(!format!("{refusal:?}").contains(weak));
        }
        for fair in ["correct horse battery staple", "kettle-orbit-fern-lantern", "tR7#qLm2!xVz9"] {
            assert!(acceptable(&SecretString::from(fair), &own).is_ok(), "{fair}");
        }
        assert!(acceptable(&SecretString::from("short"), &own).is_err());
        assert!(acceptable(&SecretString::from("x y".repeat(100)), &own).is_err());
    }
}
