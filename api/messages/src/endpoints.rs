//! Programs of others that are told of alerts: recorded with a secret that is shown once, ended with a reason.
//!
//! Addresses of the laboratory's own network may be named, for that is where such programs stand. What the service can be made to
//! reach that way is little: it sends what it has to say, follows no redirect, and keeps nothing of an answer but its status. Addresses
//! of a link or of many at once are refused.

use std::net::IpAddr;

use actix_web::http::Uri;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chrono::DateTime;
use ferrotitre_base::auth::sealed;
use ferrotitre_base::auth::tokens::random_bytes;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::ids::{WebhookEndpointEndId, WebhookEndpointId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states::reason_given;
use ferrotitre_base::web::answer::Answer;
use uuid::Uuid;

use crate::mail::{hostname, on_this_machine};
use crate::store::outbox;
use crate::store::{self, EndRow, EndpointRow};
use crate::wire::{NewWebhookEndpoint, RecordedWebhookEndpoint, WebhookEndpoint, WebhookEndpointEnd};

const PURPOSE: &str = "webhook secret";
/// Each is a destination that is sent to beside the others.
const MOST: usize = 16;

/// Addresses that no program of the laboratory has for itself.
fn nobodys(address: IpAddr) -> bool {
    match address.to_canonical() {
        IpAddr::V4(one) => one.is_unspecified() || one.is_link_local() || one.is_multicast() || one.is_broadcast(),
        IpAddr::V6(one) => one.is_unspecified() || one.is_unicast_link_local() || one.is_multicast(),
    }
}

/// What is wrong with an address: the rule and its words.
fn wrong(address: &str, plain_http: bool) -> Option<(&'static str, &'static str)> {
    const FORM: (&str, &str) =
        ("address", "must be an address such as https://board.harbour.example/alerts, at most 500 characters");
    let plain = address.len() <= 500 && address.chars().all(|c| c.is_ascii_graphic());
    let Some(uri) = address.parse::<Uri>().ok().filter(|_| plain) else { return Some(FORM) };
    let (Some(scheme), Some(host)) = (uri.scheme_str(), uri.host()) else { return Some(FORM) };
    let named = uri.authority().is_some_and(|authority| authority.as_str().contains('@'));
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    if !hostname(bare) {
        return Some(FORM);
    }
    if named || address.contains('#') {
        return Some(("address", "must hold neither a name with a password nor a fragment"));
    }
    if bare.parse::<IpAddr>().is_ok_and(nobodys) {
        return Some(("reachable", "must be the address of one machine"));
    }
    match scheme {
        "https" => None,
        "http" if plain_http || on_this_machine(host) => None,
        "http" => Some(("encrypted", "must begin with https://, unless http is expressly chosen: others can read it")),
        _ => Some(FORM),
    }
}

/// Endpoints, newest first.
///
/// # Errors
/// A store that cannot be reached.
pub async fn list(db: &Db) -> Result<Vec<WebhookEndpoint>, Refusal> {
    let rows = db.read(async |connection| store::endpoints(connection).await).await?;
    Ok(rows.into_iter().map(|(row, end)| store::view(row, end.as_ref())).collect())
}

/// The secret of an endpoint; none where it was sealed with another `door.key`.
pub(crate) fn secret(row: &EndpointRow) -> Option<Vec<u8>> {
    sealed::open(PURPOSE, &[row.id.0.as_bytes(), row.address.as_bytes()], &row.sealed_secret)
}

/// Records an endpoint. The secret is in the answer only, never in the store of repeated answers: a request that is repeated is
/// refused because the name is taken.
///
/// # Errors
/// An endpoint that breaks a rule; a name that another has.
pub async fn record(db: &Db, act: &Act, new: NewWebhookEndpoint) -> Result<RecordedWebhookEndpoint, Refusal> {
    let mut errors = FieldErrors::default();
    let good = (1..=100).contains(&new.name.trim().chars().count());
    errors.require(good, "name", "length", "must have 1 to 100 characters", &new.name);
    if let Some((rule, message)) = wrong(&new.address, new.plain_http) {
        errors.add("address", rule, message, &new.address);
    }
    errors.take(reason_given("reason", Some(&new.reason)))?;
    errors.check()?;
    let by = author(act)?;
    db.transact(act, async |connection| {
        let open = store::open_endpoints(connection).await?;
        if open.iter().any(|one| one.name == new.name) {
            let detail = "another endpoint has this name; end that first, or give this one another";
            return Err(Refusal::new(Code::AlreadyExists, detail).at("name", "once", &new.name));
        }
        if open.len() >= MOST {
            return Err(Refusal::new(Code::StateConflict, format!("there are {MOST} endpoints; end one first")));
        }
        let (id, secret) = (WebhookEndpointId::new(), random_bytes::<32>());
        let row = EndpointRow {
            id,
            sealed_secret: sealed::seal(PURPOSE, &[id.0.as_bytes(), new.address.as_bytes()], &secret),
            name: new.name,
            address: new.address,
            plain_http: new.plain_http,
            reason: new.reason,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        };
        let row = store::insert_endpoint(connection, &row).await?;
        let secret = format!("whsec_{}", STANDARD.encode(secret));
        Ok(RecordedWebhookEndpoint { endpoint: store::view(row, None), secret })
    })
    .await
}

/// Ends an endpoint: it is told nothing more, and what waits for it is given up.
///
/// # Errors
/// No such endpoint; one that was ended before.
pub async fn end(db: &Db, act: &Act, id: Uuid, end: WebhookEndpointEnd) -> Result<Answer, Refusal> {
    reason_given("reason", Some(&end.reason))?;
    let by = author(act)?;
    db.write(act, async |connection| {
        let found = store::endpoints(connection).await?.into_iter().find(|(row, _)| row.id.0 == id);
        let (row, _) = found.ok_or_else(|| Refusal::not_found("endpoint", id))?;
        let ended = EndRow {
            id: WebhookEndpointEndId::new(),
            endpoint_id: row.id,
            reason: end.reason,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        };
        let ended = store::insert_end(connection, &ended).await?;
        outbox::give_up(connection, &row.id.to_string(), "the endpoint was ended", ended.recorded_at).await?;
        Ok(store::view(row, Some(&ended)))
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_others_can_read_is_chosen_expressly_and_nobodys_addresses_are_refused() {
        for good in [
            "https://board.harbour.example/alerts",
            "http://127.0.0.1:9000/",
            "http://localhost/a?b=c",
            "https://10.0.0.7:1/",
        ] {
            assert_eq!(wrong(good, false), None, "{good}");
        }
        let rule = |address, plain| wrong(address, plain).map(|(rule, _)| rule);
        assert_eq!(rule("http://10.0.0.7/", false), Some("encrypted"));
        assert_eq!(rule("http://10.0.0.7/", true), None);
        for none in [
            "http://169.254.169.254/",
            "https://[fe80::1]/",
            "https://0.0.0.0/",
            "https://224.0.0.1/",
            "https://[::ffff:169.254.1.1]/",
        ] {
            assert_eq!(rule(none, true), Some("reachable"), "{none}");
        }
        for bad in [
            "",
            "board",
            "/alerts",
            "ftp://board/",
            "https://",
            "https://a b/",
            "https://u:p@board/",
            "https://board/#x",
            "https://12345/",
        ] {
            assert_eq!(rule(bad, true), Some("address"), "{bad}");
        }
    }
}
