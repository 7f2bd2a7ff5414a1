//! A look at the alerts of the moment: what began since the last look, what ended, whose digest is due. Messages are made in the
//! transaction in which that is noted, so that each is made once.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Timelike as _, Utc};
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::MessageId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::zone;
use serde_json::Value;

use crate::Told;
use crate::store::outbox::{self, MessageRow, StandingRow};
use crate::store::{self, EndpointRow, Recipient, SettingsRow};
use crate::text::{self, Letter};

/// What makes it the same alert. Not its words: those of a drift say another day after every standardisation. A person may have
/// several of a kind, which only the words tell apart.
fn key(alert: &Alert) -> String {
    let urgency = if alert.urgency == Urgency::Now { "now" } else { "soon" };
    let words = if alert.subject_kind == "accounts" { alert.message.as_str() } else { "" };
    format!("{}|{urgency}|{}|{}|{}|{words}", alert.kind, alert.subject_kind, alert.subject, alert.code)
}

/// Alerts by key; of several with one key the second is another.
fn keyed(told: &[Told]) -> Vec<(String, &Told)> {
    let mut seen: HashMap<String, usize> = HashMap::new();
    let mut numbered = |one| {
        let key = key(&one);
        let count = seen.entry(key.clone()).or_default();
        *count += 1;
        if *count == 1 { key } else { format!("{key}|{count}") }
    };
    told.iter().map(|one| (numbered(one.alert.clone()), one)).collect()
}

/// Whether an address may be written to, as the settings are now.
fn may_go_to(address: &str, settings: &SettingsRow) -> bool {
    let domain = address.rsplit('@').next().unwrap_or_default();
    settings.domains.is_empty() || settings.domains.iter().any(|one| one.eq_ignore_ascii_case(domain))
}

fn letter(kind: &str, to: &Recipient, alerts: usize, letter: Letter, now: DateTime<Utc>) -> MessageRow {
    MessageRow {
        id: MessageId::new(),
        kind: kind.to_owned(),
        account_id: Some(to.account),
        endpoint_id: None,
        address: Some(to.address.clone()),
        day: None,
        alerts: i32::try_from(alerts).unwrap_or(i32::MAX),
        subject: letter.subject,
        body: letter.body,
        made_at: now,
    }
}

/// The digest that is due to somebody.
async fn digest(
    connection: &Connection,
    to: &Recipient,
    (told, base): (&[Told], &str),
    now: DateTime<Utc>,
) -> Result<Option<MessageRow>, Refusal> {
    let Some(hour) = to.digest_hour else { return Ok(None) };
    // By the hours that the clock shows: one that is skipped is over, one that comes twice is the same.
    let (clock, chosen) = (zone::local(now), zone::local(to.since));
    let day = clock.date_naive();
    let chosen_after = chosen.date_naive() == day && chosen.hour() >= hour;
    if clock.hour() < hour || chosen_after || outbox::has_digest(connection, to.account, day).await? {
        return Ok(None);
    }
    let all: Vec<&Told> = told.iter().collect();
    let row = letter("digest", to, all.len(), text::digest(&all, day, (to, base)), now);
    Ok(Some(MessageRow { day: Some(day), ..row }))
}

fn post(kind: &str, to: &EndpointRow, data: &Value, now: DateTime<Utc>) -> MessageRow {
    MessageRow {
        id: MessageId::new(),
        kind: kind.to_owned(),
        account_id: None,
        endpoint_id: Some(to.id),
        address: None,
        day: None,
        alerts: 1,
        subject: kind.replace(' ', "."),
        body: text::posted(&kind.replace(' ', "."), now, data),
        made_at: now,
    }
}

/// Makes the messages of the moment.
pub(crate) async fn tell(db: &Db, told: &[Told], now: DateTime<Utc>) -> Result<(), Refusal> {
    db.transact(&Act::system("tell"), async |connection| {
        let mut stood = outbox::standing(connection).await?;
        let settings = store::settings(connection, 1).await?.pop();
        let base = settings.as_ref().map(|one| one.base_address.clone()).unwrap_or_default();
        let mut began = Vec::new();
        for (key, one) in keyed(told) {
            if stood.remove(&key).is_none() {
                began.push((key, one));
            }
        }
        let rows = began.iter().map(|(key, one)| StandingRow {
            key: key.clone(),
            told: text::told(one, &base).to_string(),
            began_at: now,
        });
        let rows: Vec<StandingRow> = rows.collect();
        outbox::begin(connection, &rows).await?;
        outbox::end(connection, &stood.keys().cloned().collect::<Vec<_>>()).await?;

        if !began.is_empty() || !stood.is_empty() {
            for endpoint in store::open_endpoints(connection).await? {
                for (_, one) in &began {
                    outbox::queue(connection, &post("alert began", &endpoint, &text::told(one, &base), now)).await?;
                }
                for gone in stood.values() {
                    let data = serde_json::from_str(&gone.told).map_err(Refusal::internal)?;
                    outbox::queue(connection, &post("alert ended", &endpoint, &data, now)).await?;
                }
            }
        }

        let Some(settings) = settings.filter(|one| one.active) else { return Ok(()) };
        let pressing: Vec<&Told> =
            began.iter().map(|(_, one)| *one).filter(|one| one.alert.urgency == Urgency::Now).collect();
        for to in store::recipients(connection).await?.iter().filter(|to| may_go_to(&to.address, &settings)) {
            if to.at_once && !pressing.is_empty() {
                let text = text::at_once(&pressing, (to, &base));
                outbox::queue(connection, &letter("at once", to, pressing.len(), text, now)).await?;
            }
            if let Some(row) = digest(connection, to, (told, &base), now).await? {
                outbox::queue(connection, &row).await?;
            }
        }
        Ok(())
    })
    .await
}

/// Accounts that are written to now: what waits for another is not sent.
pub(crate) async fn welcome(db: &Db) -> Result<HashSet<uuid::Uuid>, Refusal> {
    let all = db.read(async |connection| store::recipients(connection).await).await?;
    Ok(all.into_iter().map(|one| one.account.0).collect())
}
