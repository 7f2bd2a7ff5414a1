//! What only served the door and has served its time.

use chrono::{DateTime, Duration, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_schema::{idempotency_keys, refresh_tokens, token_keys};

/// How long the answer to a request is kept for its repetition, days.
const ANSWERS_DAYS: i64 = 30;

/// What was taken away.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Pruned {
    /// Answers to requests.
    pub answers: usize,
    /// Refresh tokens.
    pub tokens: usize,
    /// Keys of access tokens.
    pub keys: usize,
}

pub(in crate::accounts) async fn take_away(mut connection: &Connection, now: DateTime<Utc>) -> Result<Pruned, Refusal> {
    let before = |days| now - Duration::days(days);
    let old = idempotency_keys::table.filter(idempotency_keys::recorded_at.lt(before(ANSWERS_DAYS)));
    let answers = diesel::delete(old).execute(&mut connection).await?;
    // A used token is still told from an unknown one for a while after its end: its reuse ends the session.
    let ended = refresh_tokens::table.filter(refresh_tokens::expires_at.lt(before(7)));
    let tokens = diesel::delete(ended).execute(&mut connection).await?;
    let retired = token_keys::table.filter(token_keys::verifies_until.lt(before(1)));
    let keys = diesel::delete(retired).execute(&mut connection).await?;
    Ok(Pruned { answers, tokens, keys })
}
