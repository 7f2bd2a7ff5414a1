//! Takes away what only served the door: keys and tokens that nobody can use any more, and answers kept for repeated requests.
//! Records, attempts to sign in and sessions stay.

use std::time::Duration;

use chrono::Utc;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::Refusal;
use tokio::sync::watch;

use crate::accounts::store::served::{self, Pruned};

/// How often it is done.
const EVERY: Duration = Duration::from_secs(3600);

/// Takes away what has served its time.
///
/// # Errors
/// A store that cannot be reached.
pub async fn prune(db: &Db) -> Result<Pruned, Refusal> {
    db.transact(&Act::system("prune"), async |connection| served::take_away(connection, Utc::now()).await).await
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
