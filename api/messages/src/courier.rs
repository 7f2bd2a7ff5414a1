//! Sends what is due, and puts every try on record.

use std::collections::HashSet;
use std::path::Path;
use std::time::Instant;

use chrono::{DateTime, Duration, Utc};
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_ledger::audit::witnesses::http::{Http, RootsError};
use futures_util::future::join_all;
use lettre::transport::smtp::client::Certificate;

use crate::smtp::Server;
use crate::store::outbox::{self, MAIL, MessageRow, TryRow};
use crate::store::{self, EndpointRow};
use crate::webhook;

/// First pause after a try that failed; twice as long after each.
const FIRST_PAUSE_SECONDS: i64 = 15;
/// Longest pause.
const LONGEST_PAUSE_SECONDS: i64 = 3600;
/// After so many tries, which take three days, a message is given up.
const MOST_TRIES: i32 = 80;
/// A destination is sent to for so long before the next look.
const BUSY: std::time::Duration = std::time::Duration::from_secs(30);

/// Certificates that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum CourierError {
    /// A file that cannot be read.
    #[error("--message-roots {0}: {1}")]
    File(String, String),
    /// TLS that cannot be set up.
    #[error("messages cannot be sent over TLS: {0}")]
    Tls(String),
}

impl From<RootsError> for CourierError {
    fn from(error: RootsError) -> Self {
        match error {
            RootsError::File(file, why) => Self::File(file, why),
            other => Self::Tls(other.to_string()),
        }
    }
}

/// Speaks to mail servers and endpoints.
#[derive(Debug, Clone)]
pub struct Courier {
    http: Http,
    roots: Vec<Certificate>,
}

impl Courier {
    /// One that knows servers by the machine's own authorities and by those of a file (PEM).
    ///
    /// # Errors
    /// A file that cannot be read, or holds no certificate.
    pub fn trusting(file: Option<&Path>) -> Result<Self, CourierError> {
        let roots = match file {
            Some(file) => {
                let trouble =
                    |error: &dyn std::fmt::Display| CourierError::File(file.display().to_string(), error.to_string());
                let text = std::fs::read(file).map_err(|error| trouble(&error))?;
                vec![Certificate::from_pem(&text).map_err(|error| trouble(&error))?]
            }
            None => Vec::new(),
        };
        Ok(Self { http: Http::trusting(file)?, roots })
    }

    pub(crate) fn roots(&self) -> &[Certificate] {
        &self.roots
    }
}

/// Where messages go.
enum Way {
    Mail(Box<Result<Server, String>>),
    Post(Box<EndpointRow>),
}

/// How long until the next try after so many.
fn pause(tries: i32) -> Duration {
    let doubled = u32::try_from(tries - 1).ok().and_then(|times| FIRST_PAUSE_SECONDS.checked_shl(times.min(16)));
    Duration::seconds(doubled.unwrap_or(LONGEST_PAUSE_SECONDS).min(LONGEST_PAUSE_SECONDS))
}

/// One round of sending.
pub(crate) struct Round<'a> {
    pub(crate) db: &'a Db,
    pub(crate) courier: &'a Courier,
    /// The clock that pauses go by.
    pub(crate) now: DateTime<Utc>,
    /// Whether the program stops, so that no further message is begun.
    pub(crate) stopping: &'a dyn Fn() -> bool,
    /// Accounts that are written to.
    pub(crate) welcome: HashSet<uuid::Uuid>,
}

impl Round<'_> {
    /// Sends what is due, to all destinations beside each other: one that hangs holds up none of the others.
    pub(crate) async fn send(&self) -> Result<(), Refusal> {
        let (due, settings, endpoints) = self
            .db
            .read(async |connection| {
                let due = outbox::due(connection, self.now).await?;
                let settings = store::settings(connection, 1).await?.pop();
                Ok((due, settings, store::open_endpoints(connection).await?))
            })
            .await?;
        let mut ways = Vec::new();
        for destination in due {
            let way = if destination == MAIL {
                let active = settings.as_ref().filter(|one| one.active);
                active.map(|one| Way::Mail(Box::new(Server::of(one, self.courier.roots()))))
            } else {
                let found = endpoints.iter().find(|one| one.id.to_string() == destination);
                found.map(|one| Way::Post(Box::new(one.clone())))
            };
            ways.extend(way.map(|way| (destination, way)));
        }
        let sent = join_all(ways.iter().map(|(destination, way)| self.destination(destination, way))).await;
        sent.into_iter().collect()
    }

    /// Sends one after the other until one fails: others are then not tried in vain.
    async fn destination(&self, destination: &str, way: &Way) -> Result<(), Refusal> {
        let begun = Instant::now();
        while begun.elapsed() < BUSY && !(self.stopping)() {
            let next = self.db.read(async |connection| outbox::next(connection, destination, self.now).await).await?;
            let Some((row, tries)) = next else { break };
            if !self.attempt(destination, way, &row, tries + 1).await? {
                break;
            }
        }
        Ok(())
    }

    /// Whether the next one may be tried.
    async fn attempt(&self, destination: &str, way: &Way, row: &MessageRow, number: i32) -> Result<bool, Refusal> {
        let unwelcome = row.account_id.is_some_and(|account| !self.welcome.contains(&account.0));
        let outcome = match way {
            _ if unwelcome => Err("the account is no longer told by e-mail".to_owned()),
            Way::Mail(server) => match server.as_ref() {
                Ok(server) => server.send(row).await,
                Err(why) => Err(why.clone()),
            },
            Way::Post(endpoint) => webhook::post(&self.courier.http, endpoint, row, self.now).await,
        };
        let delivered = outcome.is_ok();
        let last = delivered || unwelcome || number >= MOST_TRIES;
        let answer = outcome.unwrap_or_else(|why| why);
        if !delivered {
            tracing::warn!(message = %row.id, number, answer, last, "a message was not delivered");
        }
        let attempt = TryRow { message_id: row.id, number, delivered, last, answer, tried_at: self.now };
        let next_at = (!last).then(|| self.now + pause(number));
        let failed = !delivered && !unwelcome;
        self.db
            .transact(&Act::system("tell"), async |connection| {
                outbox::note(connection, &attempt, next_at).await?;
                if failed {
                    let until = self.now + Duration::seconds(FIRST_PAUSE_SECONDS);
                    outbox::postpone(connection, destination, until).await?;
                }
                Ok(())
            })
            .await?;
        Ok(!failed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_up_to_an_hour_and_tries_go_on_for_days() {
        let seconds: Vec<i64> = (1..=10).map(|tries| pause(tries).num_seconds()).collect();
        assert_eq!(seconds, [15, 30, 60, 120, 240, 480, 960, 1920, 3600, 3600]);
        assert_eq!(pause(i32::MAX).num_seconds(), 3600);
        let whole: i64 = (1..MOST_TRIES).map(|tries| pause(tries).num_seconds()).sum();
        assert!((3 * 86_400 - 3600..4 * 86_400).contains(&whole), "{whole}");
    }
}
