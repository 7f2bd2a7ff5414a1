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
    let mut found = Vec::with_capacity(told.len());
    for one in told {
        let key = key(&one.alert);
        let count = seen.entry(key.clone()).or_default();
        *count += 1;
        found.push((if *count == 1 { key } else { format!("{key}|{count}") }, one));
    }
    found
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

#[cfg(test)]
mod tests {
    use ferrotitre_base::auth::permissions::Action;

    use super::*;

    fn told(subject_kind: &'static str, message: &str, urgency: Urgency) -> Told {
        let alert = Alert {
            kind: "something",
            urgency,
            subject_kind,
            subject: uuid::Uuid::nil(),
            code: "D-0".to_owned(),
            message: message.to_owned(),
            due_at: None,
        };
        Told { alert, page: String::new(), needs: Action::ReadRecords }
    }

    #[test]
    fn other_words_are_the_same_alert_except_of_a_person_and_of_several_each_counts() {
        let keys = |told: &[Told]| keyed(told).into_iter().map(|(key, _)| key).collect::<Vec<_>>();
        let (now, soon) = (Urgency::Now, Urgency::Soon);
        let one = keys(&[told("titrants", "by Monday", soon)]);
        assert_eq!(one, keys(&[told("titrants", "by Tuesday", soon)]));
        assert_ne!(one, keys(&[told("titrants", "by Monday", now)]));
        assert_ne!(keys(&[told("accounts", "M1", soon)]), keys(&[told("accounts", "M2", soon)]));
        let two = keys(&[told("titrants", "a", now), told("titrants", "b", now)]);
        assert_ne!(two[0], two[1]);
    }
}
