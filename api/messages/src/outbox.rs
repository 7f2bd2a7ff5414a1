//! What was sent, what waits and what was given up.

use chrono::{DateTime, Duration, Utc};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::auth::permissions::{Action, Role, may};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::MessageId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::{Listing, Page};
use uuid::Uuid;

use crate::store::outbox as store;
use crate::wire::{MessageHistory, MessageTry, MessageView, MessagesAsked};

/// States to narrow the list by.
pub const STATES: [&str; 3] = store::STATES;
/// A destination for which something waits longer is an alert.
const STUCK_HOURS: i64 = 1;

/// Messages, newest first.
///
/// # Errors
/// A state that is none, a limit out of range.
pub async fn list(db: &Db, asked: &MessagesAsked) -> Result<Page<MessageView>, Refusal> {
    let listing = Listing { limit: asked.limit, after: asked.after, ..Listing::default() };
    let limit = listing.limit()?;
    let state = asked.state.as_deref().filter(|state| !state.is_empty());
    if let Some(unknown) = state.filter(|state| !STATES.contains(state)) {
        return Err(Refusal::invalid("state", "choice", format!("must be one of {}", STATES.join(", ")), unknown));
    }
    let rows = db.read(async |connection| store::list(connection, state, (listing.before(), limit + 1)).await).await?;
    Ok(Page::of(rows, limit, |row| row.id.0))
}

/// A message with its tries; what it says only to those who may read records.
///
/// # Errors
/// No such message.
pub async fn read(db: &Db, id: Uuid, roles: &[Role]) -> Result<MessageHistory, Refusal> {
    let id = MessageId(id);
    db.read(async |connection| {
        let none = || Refusal::not_found("message", id);
        let message = store::view(connection, id).await?.ok_or_else(none)?;
        let row = store::message(connection, id).await?.ok_or_else(none)?;
        let history = store::tries(connection, id).await?.into_iter().map(MessageTry::from).collect();
        let text = may(roles, Action::ReadRecords).then(|| format!("{}\n\n{}", row.subject, row.body));
        Ok(MessageHistory { message, text, history })
    })
    .await
}

/// Destinations that cannot be reached for long.
///
/// # Errors
/// A store that cannot be reached.
pub async fn alerts(connection: &Connection, now: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let stuck = store::stuck(connection, now - Duration::hours(STUCK_HOURS)).await?;
    let alert = |one: store::Stuck| Alert {
        kind: "messages not delivered",
        urgency: Urgency::Now,
        subject_kind: "messages",
        subject: one.destination.parse().unwrap_or_default(),
        message: match one.messages {
            1 => format!("a message cannot be delivered: {}", one.name),
            several => format!("{several} messages cannot be delivered: {}", one.name),
        },
        code: one.name,
        due_at: Some(one.since),
    };
    Ok(stuck.into_iter().map(alert).collect())
}
