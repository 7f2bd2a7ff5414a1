//! How the laboratory sends e-mail: settings by decision, and a message that tries them.

use std::net::IpAddr;

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::sealed;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::ids::{MailSettingsId, MessageId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states::reason_given;
use ferrotitre_base::web::answer::Answer;
use lettre::Address;
use lettre::message::Mailbox;
use secrecy::{ExposeSecret as _, SecretString};

use crate::courier::Courier;
use crate::smtp::Server;
use crate::store::outbox::{self, MessageRow, TryRow};
use crate::store::{self, SettingsRow};
use crate::wire::{MailSettings, NewMailSettings, NewTestMessage};

/// What the password is sealed for.
const PURPOSE: &str = "mail password";
/// Ways to speak to a mail server.
pub const ENCRYPTION: [&str; 3] = ["none", "STARTTLS", "TLS"];
/// Decisions that are shown.
const SHOWN: i64 = 50;

/// Whether a host is this machine, so that nobody else reads what is sent to it.
pub(crate) fn on_this_machine(host: &str) -> bool {
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    host.eq_ignore_ascii_case("localhost") || bare.parse::<IpAddr>().is_ok_and(|address| address.is_loopback())
}

/// A name or an address. A number alone would be taken for an address that nobody meant.
pub(crate) fn hostname(text: &str) -> bool {
    let good = |c: char| c.is_ascii_alphanumeric() || ".-_".contains(c);
    let named = text.rsplit('.').next().is_some_and(|last| last.starts_with(|c: char| c.is_ascii_alphabetic()));
    (1..=253).contains(&text.len()) && (text.parse::<IpAddr>().is_ok() || (named && text.chars().all(good)))
}

/// An address that links can begin with.
fn base(text: &str) -> bool {
    let rest = text.strip_prefix("https://").or_else(|| text.strip_prefix("http://"));
    let plain = |c: char| c.is_ascii_graphic() && !"?#\"<>@".contains(c);
    text.len() <= 200 && !text.ends_with('/') && rest.is_some_and(|rest| !rest.is_empty() && rest.chars().all(plain))
}

/// Reads an e-mail address.
pub(crate) fn address(errors: &mut FieldErrors, text: &str, domains: &[String]) {
    match text.parse::<Address>() {
        Ok(address) if text.len() <= 254 => {
            let here = domains.is_empty() || domains.iter().any(|one| one.eq_ignore_ascii_case(address.domain()));
            let message = format!("must be of one of the domains {}", domains.join(", "));
            errors.require(here, "address", "domain", message, text);
        }
        _ => errors.add("address", "e-mail", "must be an e-mail address, such as name@harbour.example", text),
    }
}

fn check(new: &NewMailSettings) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    errors.require(
        hostname(&new.host),
        "host",
        "name",
        "must be a name such as mail.harbour.example, or an address",
        &new.host,
    );
    errors.require((1..=65_535).contains(&new.port), "port", "range", "must be from 1 to 65535", new.port);
    let known = ENCRYPTION.contains(&new.encryption.as_str());
    errors.require(known, "encryption", "choice", "must be none, STARTTLS or TLS", &new.encryption);
    if let Some(user) = &new.user_name {
        let good = (1..=200).contains(&user.chars().count()) && !user.chars().any(char::is_control);
        errors.require(good, "user_name", "length", "must have 1 to 200 characters", user);
        let safe = new.encryption != "none" || on_this_machine(&new.host);
        let message = "must be STARTTLS or TLS: without it others could read the password on the network";
        errors.require(safe, "encryption", "password_in_the_clear", message, &new.encryption);
    } else {
        let none = new.password.is_none();
        errors.require(none, "user_name", "with_password", "must be given with a password", "");
    }
    let read = new.sender.len() <= 300 && new.sender.parse::<Mailbox>().is_ok();
    let message = "must be an e-mail address, with or without a name: Iron laboratory <iron@harbour.example>";
    errors.require(read, "sender", "e-mail", message, &new.sender);
    let message =
        "must be an address that begins with http:// or https://, without a slash at its end, at most 200 characters";
    errors.require(base(&new.base_address), "base_address", "address", message, &new.base_address);
    errors.require(new.domains.len() <= 50, "domains", "length", "must be at most 50", new.domains.len());
    for (at, domain) in new.domains.iter().enumerate() {
        let good = hostname(domain) && !domain.contains(':');
        errors.require(good, &format!("domains[{at}]"), "name", "must be a domain such as harbour.example", domain);
    }
    errors.take(reason_given("reason", Some(&new.reason)))?;
    errors.check()
}

/// What a sealed password is bound to: it opens for no other server, way or name.
fn bound_to(row: &SettingsRow) -> [Vec<u8>; 5] {
    let name = row.user_name.clone().unwrap_or_default();
    [
        row.id.0.as_bytes().to_vec(),
        row.host.clone().into_bytes(),
        row.port.to_be_bytes().to_vec(),
        row.encryption.clone().into_bytes(),
        name.into_bytes(),
    ]
}

fn sealed(row: &SettingsRow, password: &SecretString) -> Vec<u8> {
    let parts = bound_to(row);
    let parts: Vec<&[u8]> = parts.iter().map(Vec::as_slice).collect();
    sealed::seal(PURPOSE, &parts, password.expose_secret().as_bytes())
}

/// The password of settings, where there is one.
pub(crate) fn opened(row: &SettingsRow) -> Result<Option<SecretString>, String> {
    let Some(kept) = &row.sealed_password else { return Ok(None) };
    let parts = bound_to(row);
    let parts: Vec<&[u8]> = parts.iter().map(Vec::as_slice).collect();
    let text = sealed::open(PURPOSE, &parts, kept).and_then(|bytes| String::from_utf8(bytes).ok());
    let text = text.ok_or("the password was sealed with another door.key: enter it again under Messages, E-mail")?;
    Ok(Some(SecretString::from(text)))
}

/// The password before, which stays only where it goes to the same server by the same way under the same name: whoever names
/// another server must know it.
fn before(present: Option<&SettingsRow>, row: &SettingsRow) -> Result<SecretString, Refusal> {
    let ask = |why: &str| Refusal::invalid("password", "required", why, "");
    let same = present.filter(|one| {
        (&one.host, one.port, &one.encryption, &one.user_name) == (&row.host, row.port, &row.encryption, &row.user_name)
    });
    let same = same.ok_or_else(|| ask("must be given, as there is none for this server and name"))?;
    match opened(same) {
        Ok(Some(password)) => Ok(password),
        Ok(None) => Err(ask("must be given, as there is none for this server and name")),
        Err(why) => Err(ask(&why)),
    }
}

/// How e-mail was and is sent, newest first.
///
/// # Errors
/// A store that cannot be reached.
pub async fn settings(db: &Db) -> Result<Vec<MailSettings>, Refusal> {
    let rows = db.read(async |connection| store::settings(connection, SHOWN).await).await?;
    Ok(rows.into_iter().map(MailSettings::from).collect())
}

/// Settles how e-mail is sent from now on. What waits is tried at once; turned off, it is given up.
///
/// # Errors
/// Settings that break a rule; a password that is missing.
pub async fn record(db: &Db, act: &Act, new: NewMailSettings) -> Result<Answer, Refusal> {
    check(&new)?;
    let by = author(act)?;
    db.write(act, async |connection| {
        let mut row = SettingsRow {
            id: MailSettingsId::new(),
            active: new.active,
            host: new.host,
            port: new.port,
            encryption: new.encryption,
            user_name: new.user_name,
            sealed_password: None,
            sender: new.sender,
            base_address: new.base_address,
            domains: new.domains,
            reason: new.reason,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        };
        if row.user_name.is_some() {
            let present = store::settings(connection, 1).await?.pop();
            let password = match new.password {
                Some(given) if !given.expose_secret().is_empty() => given,
                _ => before(present.as_ref(), &row)?,
            };
            row.sealed_password = Some(sealed(&row, &password));
        }
        let row = store::insert_settings(connection, &row).await?;
        if row.active {
            outbox::hasten(connection, outbox::MAIL, row.recorded_at).await?;
        } else {
            outbox::give_up(connection, outbox::MAIL, "e-mail was turned off", row.recorded_at).await?;
        }
        Ok(MailSettings::from(row))
    })
    .await
}

/// Sends a message that tries the settings, and says what the server answered. It is tried once.
///
/// # Errors
/// No settings; an address that is none.
pub async fn test(db: &Db, courier: &Courier, act: &Act, new: NewTestMessage) -> Result<Answer, Refusal> {
    let by = author(act)?;
    db.write(act, async |connection| {
        let present = store::settings(connection, 1).await?.pop();
        let none = || Refusal::new(Code::StateConflict, "nobody has settled yet how e-mail is sent");
        let present = present.ok_or_else(none)?;
        let mut errors = FieldErrors::default();
        address(&mut errors, &new.address, &present.domains);
        errors.check()?;
        let now = Utc::now();
        let row = MessageRow {
            id: MessageId::new(),
            kind: "test".to_owned(),
            account_id: Some(by),
            endpoint_id: None,
            address: Some(new.address),
            day: None,
            alerts: 0,
            subject: "ferrotitre: a test".to_owned(),
            body: format!("This message tries the settings of {}. Nothing needs to be done.\n", present.base_address),
            made_at: now,
        };
        outbox::insert(connection, &row).await?;
        let outcome = match Server::of(&present, courier.roots()) {
            Ok(server) => server.send(&row).await,
            Err(why) => Err(why),
        };
        let delivered = outcome.is_ok();
        let answer = outcome.unwrap_or_else(|why| why);
        let attempt = TryRow { message_id: row.id, number: 1, delivered, last: true, answer, tried_at: now };
        outbox::note(connection, &attempt, None).await?;
        outbox::view(connection, row.id).await?.ok_or_else(|| Refusal::not_found("message", row.id))
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_that_links_begin_with_are_plain() {
        for good in ["http://127.0.0.1:8420", "https://iron.harbour.example", "https://harbour.example/iron"] {
            assert!(base(good), "{good}");
        }
        for bad in ["", "iron.harbour.example", "https://", "https://a/", "https://a?b", "javascript:x", "https://u@a"]
        {
            assert!(!base(bad), "{bad}");
        }
    }

    #[test]
    fn a_host_is_a_name_or_an_address_and_no_number() {
        for good in ["mail", "mail.harbour.example", "localhost", "192.0.2.7", "2001:db8::7", "a-b_c.example"] {
            assert!(hostname(good), "{good}");
        }
        for bad in ["", "1234567", "0x7f", "10.1", "mail.", "mail server", "mail:25", "a/b", "mail.7"] {
            assert!(!hostname(bad), "{bad}");
        }
    }

    #[test]
    fn only_this_machine_is_this_machine() {
        for here in ["localhost", "127.0.0.1", "127.8.9.1", "::1", "[::1]"] {
            assert!(on_this_machine(here), "{here}");
        }
        for away in ["mail.harbour.example", "192.0.2.7", "localhost.harbour.example", "0.0.0.0"] {
            assert!(!on_this_machine(away), "{away}");
        }
    }
}
