//! Looks at the alerts again and again, tells what is new and sends what is due.

use std::time::Duration;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::Refusal;
use tokio::sync::watch;

use crate::courier::{Courier, Round};
use crate::store::outbox;
use crate::{Told, telling};

/// Looks once. Of several processes over one store one does, while the others find it at work and leave it to it.
///
/// `now` is the clock that pauses and digests go by. Alerts that cannot be read end nothing; what is due is sent all the same.
/// Whether it was this one's turn is answered.
///
/// # Errors
/// A store that cannot be reached.
pub async fn look(
    db: &Db,
    courier: &Courier,
    now: DateTime<Utc>,
    alerts: impl AsyncFnOnce(&Db) -> Result<Vec<Told>, Refusal>,
    stopping: &dyn Fn() -> bool,
) -> Result<bool, Refusal> {
    db.transact(&Act::system("tell"), async |connection| {
        if !outbox::try_turn(connection).await? {
            return Ok(false);
        }
        // This transaction only holds the turn: others note each try as soon as it is made.
        match alerts(db).await {
            Ok(told) => telling::tell(db, &told, now).await?,
            Err(refusal) => tracing::warn!(%refusal, "alerts cannot be read: nothing new is told"),
        }
        let welcome = telling::welcome(db).await?;
        Round { db, courier, now, stopping, welcome }.send().await?;
        Ok(true)
    })
    .await
}

/// Does so for as long as the service runs.
pub async fn run(
    db: Db,
    courier: Courier,
    every: Duration,
    alerts: impl AsyncFn(&Db) -> Result<Vec<Told>, Refusal>,
    mut stop: watch::Receiver<bool>,
) {
    let stopped = stop.clone();
    let stopping = || *stopped.borrow();
    loop {
        tokio::select! {
            () = tokio::time::sleep(every) => {}
            _ = stop.changed() => return,
        }
        if let Err(refusal) = look(&db, &courier, Utc::now(), &alerts, &stopping).await {
            tracing::warn!(%refusal, "messages cannot be looked after");
        }
    }
}
