//! Signing in, renewing, signing out.

use chrono::{DateTime, Duration, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::passwords;
use ferrotitre_base::auth::tokens::{ACCESS_MINUTES, REFRESH_HOURS, TokenKeys, opaque};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, SessionId};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_core::lifecycle::EntityKind;
use secrecy::{ExposeSecret, SecretString};
use sha2::{Digest, Sha256};

use crate::accounts::signing::{self, Checked};
use crate::accounts::store;
use crate::accounts::wire::{Credentials, PasswordChange, Tokens};

/// Signs in with name and password.
pub(super) async fn sign_in(
    db: &Db,
    keys: &TokenKeys,
    act: &Act,
    policy: Policy,
    credentials: Credentials,
) -> Result<Tokens, Refusal> {
    let wrong = || Refusal::new(Code::BadCredentials, "name or password is wrong");
    let account = db.read(async |connection| store::account_by_code(connection, &credentials.account).await).await?;
    let Some(account) = account else {
        passwords::verify_nobody(credentials.password).await?;
        tracing::warn!(address = act.address, "sign-in with an unknown name");
        return Err(wrong());
    };
    let Checked::Right { provisional } =
        signing::check(db, act, policy, account.id, credentials.password, "sign in").await?
    else {
        return Err(wrong());
    };
    // The state is told only to somebody who knows the password.
    let state =
        db.read(async |connection| states::present(connection, EntityKind::Account, account.id.0).await).await?.state;
    if state != "active" {
        return Err(Refusal::new(Code::AccountNotActive, format!("the account is {state}; an administrator can help")));
    }
    let session = SessionId::new();
    let now = Utc::now();
    let refresh = db
        .transact(act, async |connection| {
            store::insert_session(connection, session, account.id, act.address.as_deref()).await?;
            new_refresh(connection, session, now).await
        })
        .await?;
    tokens(db, keys, account.id, session, refresh, provisional, now).await
}

async fn new_refresh(
    connection: &Connection,
    session: SessionId,
    now: DateTime<Utc>,
) -> Result<(String, DateTime<Utc>), Refusal> {
    let (token, hash) = opaque("ftrt_");
    let expires = now + Duration::hours(REFRESH_HOURS);
    store::insert_refresh(connection, &hash, session, expires).await?;
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
            let Some((row, first_use)) = store::use_refresh(connection, &hash).await? else {
                return Ok(Outcome::Refused("the refresh token is unknown"));
            };
            if !first_use {
                // The end of the session must be committed although the request is refused.
                store::end_session(connection, row.session, "refresh token reused").await?;
                return Ok(Outcome::Refused("the refresh token was used before; the session has been ended"));
            }
            if row.ended_at.is_some() || row.expires_at < now {
                return Ok(Outcome::Refused("the session has ended"));
            }
            let provisional = store::secret(connection, row.account).await?.is_some_and(|(_, provisional)| provisional);
            let fresh = new_refresh(connection, row.session, now).await?;
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
    let started = db.read(async |connection| store::session_started(connection, session).await).await?;
    if started.is_none_or(|started| started + Duration::hours(REFRESH_HOURS) < now) {
        return Ok(None);
    }
    keys.sign(db, account, session, (now, policy.idle_minutes)).await.map(Some)
}

/// Ends the own session; its access and refresh tokens are useless from now on.
pub(super) async fn sign_out(db: &Db, act: &Act, user: &CurrentUser) -> Result<(), Refusal> {
    let Some(session) = user.session else { return Ok(()) };
    db.transact(act, async |connection| store::end_session(connection, session, "signed out").await).await
}

/// Changes the own password and ends all sessions, so that a thief's session ends, too.
pub(super) async fn change_password(
    db: &Db,
    act: &Act,
    policy: Policy,
    user: &CurrentUser,
    change: PasswordChange,
) -> Result<(), Refusal> {
    acceptable(&change.new)?;
    if change.new.expose_secret() == change.present.expose_secret() {
        return Err(Refusal::invalid("new", "different", "must differ from the present password", "(not shown)"));
    }
    match signing::check(db, act, policy, user.account, change.present, "change password").await? {
        Checked::Wrong => Err(Refusal::new(Code::SecretWrong, "the present password was wrong").at(
            "present",
            "secret",
            "(not shown)",
        )),
        Checked::Right { .. } => {
            let hash = passwords::hash(change.new).await?;
            db.transact(act, async |connection| {
                store::insert_secret(connection, user.account, &hash, false, Some(user.account)).await?;
                store::end_sessions(connection, user.account, "password changed").await
            })
            .await
        }
    }
}

fn acceptable(password: &SecretString) -> Result<(), Refusal> {
    let length = password.expose_secret().chars().count();
    if (passwords::SHORTEST..=200).contains(&length) {
        return Ok(());
    }
    let message = format!("must have {} to 200 characters", passwords::SHORTEST);
    Err(Refusal::invalid("new", "length", message, format!("({length} characters)")))
}
