//! Events that a request made, gathered while it is answered, so that its answer can promise them.

use std::cell::RefCell;
use std::future::Future;

use diesel_async::RunQueryDsl;
use ferrotitre_core::merkle::Hash;
use uuid::Uuid;

use crate::db::Connection;
use crate::entry::Event;
use crate::kept::kept;
use crate::refusal::Refusal;

/// A transaction that wrote nothing has no number. The plan is kept: every write asks.
const OWN: &str = "SELECT audit_events.* FROM audit_pending
     JOIN audit_events ON audit_events.id = audit_pending.event_id
    WHERE audit_pending.made_in = pg_current_xact_id_if_assigned()::text::bigint
    ORDER BY audit_events.at, audit_events.id";

tokio::task_local! {
    static MADE: RefCell<Vec<(Uuid, Hash)>>;
}

/// Carries out a request; the events its transactions committed come with its outcome.
pub async fn gathering<T>(work: impl Future<Output = T>) -> (T, Vec<(Uuid, Hash)>) {
    MADE.scope(RefCell::new(Vec::new()), async {
        let outcome = work.await;
        (outcome, MADE.with(RefCell::take))
    })
    .await
}

/// The events of the transaction in hand with their leaves, as the store holds them; none outside a request.
///
/// Those of this transaction are found by its own number among the few that wait for their leaf.
pub(crate) async fn made(mut connection: &Connection) -> Result<Vec<(Uuid, Hash)>, Refusal> {
    if MADE.try_with(|_| ()).is_err() {
        return Ok(Vec::new());
    }
    let events: Vec<Event> = kept(OWN).load(&mut connection).await?;
    Ok(events.into_iter().map(|event| (event.id, event.leaf())).collect())
}

/// Adds what was committed to what the answer promises.
pub(crate) fn promise(made: Vec<(Uuid, Hash)>) {
    // Outside a request nobody is answered.
    let _ = MADE.try_with(|all| all.borrow_mut().extend(made));
}
