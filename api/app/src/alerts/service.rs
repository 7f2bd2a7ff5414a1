//! Collects alerts from the features.

use std::collections::BTreeMap;
use std::sync::Arc;

use actix_web::web::Bytes;
use chrono::{Duration, Utc};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::auth::current_user::{self, CurrentUser};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::{equipment, impacts, nonconformities, standards};
use ferrotitre_ledger::{accounts, audit};
use ferrotitre_messages::{self as messages, Told};
use ferrotitre_results::{budgets, certificates, control_charts, drift};
use futures_util::Stream;
use tokio::sync::watch;

use crate::alerts::places::place;
use crate::alerts::wire::{Alerts, Horizon};

/// Days that are looked ahead if nothing else is asked.
const HORIZON_DAYS: i64 = 14;
/// How often a stream looks again.
const EVERY: std::time::Duration = std::time::Duration::from_secs(3);
/// A sign of life after so many looks without news, so that proxies keep the connection.
const QUIET_LOOKS: u32 = 5;

/// Tells streams that the program stops; without it each would hold up the stop until its client goes.
#[derive(Debug, Clone)]
pub struct Stopping(pub Arc<watch::Receiver<bool>>);

fn horizon(asked: &Horizon) -> Result<i64, Refusal> {
    let days = asked.days.unwrap_or(HORIZON_DAYS);
    if (0..=365).contains(&days) {
        Ok(days)
    } else {
        Err(Refusal::invalid("days", "range", "must be from 0 to 365", days))
    }
}

/// All alerts of the moment.
pub async fn list(db: &Db, asked: &Horizon) -> Result<Alerts, Refusal> {
    let now = Utc::now();
    let until = now + Duration::days(horizon(asked)?);
    let items = db.read(async |connection| {
        let mut items = equipment::service::alerts(connection, now, until).await?;
        items.extend(standards::alerts(connection, now, until).await?);
        items.extend(drift::alerts(connection, now, until).await?);
        items.extend(control_charts::service::alerts(connection, now).await?);
        items.extend(budgets::service::alerts(connection).await?);
        items.extend(nonconformities::service::alerts(connection, now, until).await?);
        items.extend(impacts::alerts(connection, now).await?);
        items.extend(certificates::service::alerts(connection).await?);
        items.extend(accounts::service::alerts(connection, now, until).await?);
        items.extend(audit::service::alerts(connection, now).await?);
        items.extend(audit::witnesses::alerts(connection, now).await?);
        items.extend(audit::reviews::alerts(connection, now, until).await?);
        items.extend(messages::alerts(connection, now).await?);
        Ok(items)
    });
    let mut items = items.await?;
    items.sort_by(|a, b| (a.urgency, a.due_at, &a.code).cmp(&(b.urgency, b.due_at, &b.code)));
    Ok(Alerts { at: now, items })
}

/// All alerts of the moment with their pages, for those who are told of them.
///
/// # Errors
/// A store that cannot be read.
pub async fn told(db: &Db) -> Result<Vec<Told>, Refusal> {
    let all = list(db, &Horizon::default()).await?.items.into_iter();
    Ok(all
        .map(|alert| {
            let (page, needs) = place(&alert);
            Told { alert, page, needs }
        })
        .collect())
}

/// Number of alerts by kind and urgency, for the metrics.
///
/// # Errors
/// A store that cannot be read.
pub async fn counts(db: &Db) -> Result<BTreeMap<(&'static str, &'static str), usize>, Refusal> {
    let mut counts = BTreeMap::new();
    for alert in list(db, &Horizon::default()).await?.items {
        let urgency = if alert.urgency == Urgency::Now { "now" } else { "soon" };
        *counts.entry((alert.kind, urgency)).or_insert(0) += 1;
    }
    Ok(counts)
}

/// What a stream knows between two looks.
struct Watch {
    db: Db,
    asked: Horizon,
    /// Who looks; once they are signed out there is nothing more to see.
    user: CurrentUser,
    stopping: Stopping,
    /// The list the client has.
    sent: Option<Vec<Alert>>,
}

/// Server-sent events: the whole list at once and whenever it changes.
pub(super) fn stream(
    db: Db,
    asked: Horizon,
    user: CurrentUser,
    stopping: Stopping,
) -> impl Stream<Item = Result<Bytes, actix_web::Error>> {
    let begin = Watch { db, asked, user, stopping, sent: None };
    futures_util::stream::unfold(begin, async |mut watch| {
        for _ in 0..QUIET_LOOKS {
            if watch.sent.is_some() && stops_within(&watch.stopping, EVERY).await {
                return None;
            }
            if let Ok(false) = current_user::still_holds(&watch.db, &watch.user).await {
                return None;
            }
            match list(&watch.db, &watch.asked).await {
                Ok(alerts) if watch.sent.as_ref() == Some(&alerts.items) => {}
                Ok(alerts) => {
                    let text = serde_json::to_string(&alerts).unwrap_or_default();
                    watch.sent = Some(alerts.items);
                    return Some((Ok(Bytes::from(format!("event: alerts\ndata: {text}\n\n"))), watch));
                }
                // The client keeps what it has, and is told that it may be out of date.
                Err(refusal) => {
                    watch.sent.get_or_insert_default();
                    let text = format!("event: unavailable\ndata: {}\n\n", refusal.detail.replace('\n', " "));
                    return Some((Ok(Bytes::from(text)), watch));
                }
            }
        }
        Some((Ok(Bytes::from_static(b": nothing new\n\n")), watch))
    })
}

/// Waits; true if the program stops meanwhile.
async fn stops_within(stopping: &Stopping, time: std::time::Duration) -> bool {
    let mut receiver = stopping.0.as_ref().clone();
    tokio::time::timeout(time, receiver.wait_for(|stopped| *stopped)).await.is_ok()
}
