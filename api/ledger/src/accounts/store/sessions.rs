//! Tables of sessions: attempts to sign in, sessions and their refresh tokens.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, SessionId, SignInAttemptId, UnknownSignInId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_schema::{refresh_tokens, sessions, sign_in_attempts, unknown_sign_ins};

pub async fn insert_attempt(
    mut connection: &Connection,
    account: AccountId,
    succeeded: bool,
    purpose: &str,
) -> Result<SignInAttemptId, Refusal> {
    let id = SignInAttemptId::new();
    diesel::insert_into(sign_in_attempts::table)
        .values((
            sign_in_attempts::id.eq(id),
            sign_in_attempts::account_id.eq(account),
            sign_in_attempts::succeeded.eq(succeeded),
            sign_in_attempts::purpose.eq(purpose),
        ))
        .execute(&mut connection)
        .await?;
    Ok(id)
}

/// Records that somebody gave a name that no account has.
pub(in crate::accounts) async fn insert_unknown(
    mut connection: &Connection,
    name: Option<&str>,
) -> Result<(), Refusal> {
    diesel::insert_into(unknown_sign_ins::table)
        .values((unknown_sign_ins::id.eq(UnknownSignInId::new()), unknown_sign_ins::name.eq(name)))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Days after which an address from which an account signed in is no longer known.
const KNOWN_DAYS: i64 = 90;

/// Addresses from which somebody has signed in to the account lately.
pub(in crate::accounts) async fn lately_from(
    mut connection: &Connection,
    account: AccountId,
) -> Result<Vec<String>, Refusal> {
    let since = Utc::now() - chrono::Duration::days(KNOWN_DAYS);
    let found: Vec<Option<String>> = sessions::table
        .filter(sessions::account_id.eq(account))
        .filter(sessions::started_at.gt(since))
        .select(sessions::source_address)
        .distinct()
        .load(&mut connection)
        .await?;
    Ok(found.into_iter().flatten().collect())
}

pub(in crate::accounts) async fn insert_session(
    mut connection: &Connection,
    id: SessionId,
    account: AccountId,
    address: Option<&str>,
) -> Result<(), Refusal> {
    diesel::insert_into(sessions::table)
        .values((sessions::id.eq(id), sessions::account_id.eq(account), sessions::source_address.eq(address)))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Sessions of an account that have not ended and began after a time, newest first.
pub(in crate::accounts) async fn open_sessions(
    mut connection: &Connection,
    account: AccountId,
    since: DateTime<Utc>,
) -> Result<Vec<(SessionId, DateTime<Utc>, Option<String>)>, Refusal> {
    Ok(sessions::table
        .filter(sessions::account_id.eq(account))
        .filter(sessions::ended_at.is_null())
        .filter(sessions::started_at.gt(since))
        .order(sessions::started_at.desc())
        .limit(200)
        .select((sessions::id, sessions::started_at, sessions::source_address))
        .load(&mut connection)
        .await?)
}

/// When an open session began.
pub(in crate::accounts) async fn session_started(
    mut connection: &Connection,
    id: SessionId,
) -> Result<Option<DateTime<Utc>>, Refusal> {
    Ok(sessions::table
        .find(id)
        .filter(sessions::ended_at.is_null())
        .select(sessions::started_at)
        .first(&mut connection)
        .await
        .optional()?)
}

/// Ends one session.
pub(in crate::accounts) async fn end_session(
    mut connection: &Connection,
    id: SessionId,
    reason: &str,
) -> Result<(), Refusal> {
    diesel::update(sessions::table.filter(sessions::id.eq(id)).filter(sessions::ended_at.is_null()))
        .set((sessions::ended_at.eq(diesel::dsl::now), sessions::end_reason.eq(reason)))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Ends all sessions of an account.
pub async fn end_sessions(mut connection: &Connection, account: AccountId, reason: &str) -> Result<(), Refusal> {
    diesel::update(sessions::table.filter(sessions::account_id.eq(account)).filter(sessions::ended_at.is_null()))
        .set((sessions::ended_at.eq(diesel::dsl::now), sessions::end_reason.eq(reason)))
        .execute(&mut connection)
        .await?;
    Ok(())
}

pub(in crate::accounts) async fn insert_refresh(
    mut connection: &Connection,
    hash: &[u8],
    session: SessionId,
    expires: DateTime<Utc>,
) -> Result<(), Refusal> {
    diesel::insert_into(refresh_tokens::table)
        .values((
            refresh_tokens::token_hash.eq(hash),
            refresh_tokens::session_id.eq(session),
            refresh_tokens::expires_at.eq(expires),
        ))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// What is known of a refresh token.
#[derive(Debug, Queryable)]
pub(in crate::accounts) struct RefreshRow {
    pub(in crate::accounts) session: SessionId,
    pub(in crate::accounts) account: AccountId,
    pub(in crate::accounts) expires_at: DateTime<Utc>,
    pub(in crate::accounts) ended_at: Option<DateTime<Utc>>,
    pub(in crate::accounts) started_at: DateTime<Utc>,
}

/// Marks a token used and tells whether it was the first use; of two at once only one gets the mark.
pub(in crate::accounts) async fn use_refresh(
    mut connection: &Connection,
    hash: &[u8],
) -> Result<Option<(RefreshRow, bool)>, Refusal> {
    let marked = diesel::update(refresh_tokens::table.find(hash).filter(refresh_tokens::used_at.is_null()))
        .set(refresh_tokens::used_at.eq(diesel::dsl::now))
        .execute(&mut connection)
        .await?;
    let row = refresh_tokens::table
        .inner_join(sessions::table.on(sessions::id.eq(refresh_tokens::session_id)))
        .filter(refresh_tokens::token_hash.eq(hash))
        .select((
            sessions::id,
            sessions::account_id,
            refresh_tokens::expires_at,
            sessions::ended_at,
            sessions::started_at,
        ))
        .first::<RefreshRow>(&mut connection)
        .await
        .optional()?;
    Ok(row.map(|row| (row, marked == 1)))
}
