//! What a touched result would come to now. Results are evaluated in a room above this one, which says here how.

use std::sync::OnceLock;

use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use futures_util::future::LocalBoxFuture;
use uuid::Uuid;

/// What a determination would be now in words, if a reported digit or an outcome is another.
pub type Compare = for<'a> fn(&'a Connection, Uuid) -> LocalBoxFuture<'a, Result<Option<String>, Refusal>>;

static COMPARE: OnceLock<Compare> = OnceLock::new();

/// Says how determinations are compared; the first word counts.
pub fn compare_with(compare: Compare) {
    // A second application in the same process says the same.
    let _ = COMPARE.set(compare);
}

/// What a determination would be now, if a reported digit or an outcome is another; an error where nobody said how to compare.
pub(super) async fn change(connection: &Connection, determination: Uuid) -> Result<Option<String>, Refusal> {
    match COMPARE.get() {
        Some(compare) => compare(connection, determination).await,
        None => Err(Refusal::new(ferrotitre_base::refusal::Code::Internal, "nothing says how results are compared")),
    }
}
