//! Messages to programs, signed as the open specification Standard Webhooks 1.0 has it, so that its libraries can check them.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chrono::{DateTime, Utc};
use ferrotitre_ledger::audit::witnesses::http::Http;
use hmac::{Hmac, KeyInit as _, Mac as _};
use sha2::Sha256;

use crate::endpoints;
use crate::store::EndpointRow;
use crate::store::outbox::MessageRow;

/// HMAC-SHA-256 over identity, time and body, as its header has it.
fn signature(secret: &[u8], id: &str, timestamp: i64, body: &str) -> String {
    // HMAC takes keys of any length.
    let Ok(mut code) = Hmac::<Sha256>::new_from_slice(secret) else { return String::new() };
    code.update(format!("{id}.{timestamp}.").as_bytes());
    code.update(body.as_bytes());
    format!("v1,{}", STANDARD.encode(code.finalize().into_bytes()))
}

/// Posts a message; what was answered.
///
/// # Errors
/// In words, why it was not taken.
pub(crate) async fn post(
    http: &Http,
    endpoint: &EndpointRow,
    row: &MessageRow,
    now: DateTime<Utc>,
) -> Result<String, String> {
    let secret = endpoints::secret(endpoint)
        .ok_or("its secret was sealed with another door.key: end the endpoint and record it anew")?;
    let (id, timestamp) = (format!("msg_{}", row.id.0.simple()), now.timestamp());
    let headers = [
        ("content-type", "application/json".to_owned()),
        ("user-agent", "ferrotitre".to_owned()),
        ("webhook-id", id.clone()),
        ("webhook-timestamp", timestamp.to_string()),
        ("webhook-signature", signature(&secret, &id, timestamp, &row.body)),
    ];
    match http.post_only(&endpoint.address, &headers, row.body.clone()).await {
        Ok(status @ 200..=299) => Ok(format!("answered {status}")),
        Ok(status @ 300..=399) => Err(format!("answered {status}; redirects are not followed")),
        Ok(status) => Err(format!("answered {status}")),
        Err(away) => Err(away.to_string().chars().take(400).collect()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_signature_is_that_of_the_reference_libraries() {
        // Vector of the tests of the Standard Webhooks reference libraries.
        let secret = STANDARD.decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").unwrap();
        let made = signature(&secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, r#"{"test": 2432232314}"#);
        assert_eq!(made, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
    }
}
