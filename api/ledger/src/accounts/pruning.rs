//! Takes away what only served the door: keys and tokens that nobody can use any more, and answers kept for repeated requests.
//! Records, attempts to sign in and sessions stay.

use std::time::Duration;

use chrono::{Duration as Days, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_schema::{idempotency_keys, refresh_tokens, token_keys};
use tokio::sync::watch;

/// How long the answer to a request is kept for its repetition, days.
pub const ANSWERS_DAYS: i64 = 30;
/// How often it is done.
const EVERY: Duration = Duration::from_secs(3600);

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

/// Takes away what has served its time.
///
/// # Errors
/// A store that cannot be reached.
pub async fn prune(db: &Db) -> Result<Pruned, Refusal> {
    db.transact(&Act::system("prune"), async |connection| served(connection).await).await
}

async fn served(mut connection: &Connection) -> Result<Pruned, Refusal> {
    let before = |days| Utc::now() - Days::days(days);
    let old = idempotency_keys::table.filter(idempotency_keys::recorded_at.lt(before(ANSWERS_DAYS)));
    let answers = diesel::delete(old).execute(&mut connection).await?;
    // A used token is still told from an unknown one for a while after its end: its reuse ends the session.
    let ended = refresh_tokens::table.filter(refresh_tokens::expires_at.lt(before(7)));
    let tokens = diesel::delete(ended).execute(&mut connection).await?;
    let retired = token_keys::table.filter(token_keys::verifies_until.lt(before(1)));
    let keys = diesel::delete(retired).execute(&mut connection).await?;
    Ok(Pruned { answers, tokens, keys })
}

/// Does so every hour until the program stops; several processes may do it beside each other.
pub async fn run(db: Db, mut stopped: watch::Receiver<bool>) {
    loop {
        match prune(&db).await {
            Ok(pruned) if pruned == Pruned::default() => {}
            Ok(pruned) => {
                tracing::info!(pruned.answers, pruned.tokens, pruned.keys, "what had served its time was taken away")
            }
            Err(refusal) => tracing::warn!(%refusal, "nothing could be taken away"),
        }
        if tokio::time::timeout(EVERY, stopped.wait_for(|stopped| *stopped)).await.is_ok() {
            return;
        }
    }
}
