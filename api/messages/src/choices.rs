//! What each person wants to be told by e-mail. It is off until they choose it, and nobody chooses for another.

use chrono::DateTime;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::ids::{AccountId, MailChoiceId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::web::answer::Answer;

use crate::mail;
use crate::store::{self, ChoiceRow};
use crate::wire::{MailChoice, OwnMailChoice};

fn view(row: Option<ChoiceRow>, sent_here: bool) -> OwnMailChoice {
    let recorded_at = row.as_ref().map(|row| row.recorded_at);
    let choice = row.map_or(MailChoice { address: None, at_once: false, digest_hour: None }, |row| MailChoice {
        address: row.address,
        at_once: row.at_once,
        digest_hour: row.digest_hour,
    });
    OwnMailChoice { choice, sent_here, recorded_at }
}

/// The own choice.
///
/// # Errors
/// A store that cannot be reached.
pub async fn own(db: &Db, account: AccountId) -> Result<OwnMailChoice, Refusal> {
    db.read(async |connection| {
        let settings = store::settings(connection, 1).await?.pop();
        Ok(view(store::choice(connection, account).await?, settings.is_some_and(|one| one.active)))
    })
    .await
}

/// Chooses anew, from now on.
///
/// # Errors
/// A choice that breaks a rule.
pub async fn choose(db: &Db, act: &Act, choice: MailChoice) -> Result<Answer, Refusal> {
    let by = author(act)?;
    db.write(act, async |connection| {
        let settings = store::settings(connection, 1).await?.pop();
        let domains = settings.as_ref().map(|one| one.domains.clone()).unwrap_or_default();
        let mut errors = FieldErrors::default();
        match &choice.address {
            Some(address) => mail::address(&mut errors, address, &domains),
            None => {
                let off = !choice.at_once && choice.digest_hour.is_none();
                errors.require(off, "address", "required", "must be given to be told anything", "");
            }
        }
        if let Some(hour) = choice.digest_hour {
            errors.require((0..=23).contains(&hour), "digest_hour", "range", "must be from 0 to 23", hour);
        }
        errors.check()?;
        let row = ChoiceRow {
            id: MailChoiceId::new(),
            account_id: by,
            address: choice.address,
            at_once: choice.at_once,
            digest_hour: choice.digest_hour,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        };
        let row = store::insert_choice(connection, &row).await?;
        Ok(view(Some(row), settings.is_some_and(|one| one.active)))
    })
    .await
}
