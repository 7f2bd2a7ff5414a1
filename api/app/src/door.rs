//! What stands before everything: the names the service goes by, and what every answer says of its keeping.

use std::sync::Arc;

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{CACHE_CONTROL, HOST, HeaderValue, STRICT_TRANSPORT_SECURITY, TRANSFER_ENCODING};
use actix_web::http::{ConnectionType, StatusCode};
use actix_web::middleware::Next;
use actix_web::{Error, ResponseError as _, web};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::problem::Problem;

use crate::connections::Listed;

/// Names the service goes by.
#[derive(Debug, Clone)]
pub struct Names {
    given: Vec<String>,
    machine: String,
    /// Whether it speaks TLS itself.
    tls: bool,
}

impl Names {
    /// The names of the settings, beside addresses, localhost and the machine's own name.
    #[must_use]
    pub fn new(given: &[String], tls: bool) -> Self {
        let machine = nix::unistd::gethostname().ok().and_then(|name| name.into_string().ok()).unwrap_or_default();
        let plain = |name: &str| name.trim().trim_end_matches('.').to_ascii_lowercase();
        Self { given: given.iter().map(|name| plain(name)).collect(), machine: plain(&machine), tls }
    }

    /// Whether a request to this name is ours. Another site's name that was made to point here is not, or that site's pages
    /// could read ours (DNS rebinding). An address is no name of another site.
    fn know(&self, host: &str) -> bool {
        let name = match host.strip_prefix('[') {
            Some(rest) => {
                return rest.split_once(']').is_some_and(|(address, _)| address.parse::<std::net::Ipv6Addr>().is_ok());
            }
            None => host.split(':').next().unwrap_or_default().trim_end_matches('.').to_ascii_lowercase(),
        };
        name.parse::<std::net::Ipv4Addr>().is_ok()
            || name == "localhost"
            || self.given.contains(&name)
            || (!self.machine.is_empty() && name == self.machine)
    }
}

/// Middleware: refuses requests to other names; no answer is kept by a browser or on the way unless it says so itself.
///
/// # Errors
/// Only those of the framework's own machinery.
pub async fn door(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let names = request.app_data::<web::Data<Names>>().cloned();
    let (known, tls) = names.map_or((true, false), |names| {
        let host = request.headers().get(HOST).map(|host| host.to_str().unwrap_or("?"));
        // HTTP/1.0 knows no host, and no browser speaks it.
        (host.is_none_or(|host| names.know(host)), names.tls)
    });
    let mut response = if known {
        next.call(request).await?.map_into_left_body()
    } else {
        let detail = "the service does not answer to this host name; the operator can add it with --host";
        request.into_response(Problem(Refusal::new(Code::WrongHost, detail)).error_response()).map_into_right_body()
    };
    let refused = response.status().is_client_error() || response.status().is_server_error();
    // The rest of a body that is not wanted is not waited for; nobody knows how long one in pieces goes on.
    let unread = matches!(response.status(), StatusCode::PAYLOAD_TOO_LARGE | StatusCode::REQUEST_TIMEOUT)
        || (refused && response.request().headers().contains_key(TRANSFER_ENCODING));
    if unread {
        if let Some(connection) = response.request().conn_data::<Arc<Listed>>() {
            connection.end_soon();
        }
        response.response_mut().head_mut().set_connection_type(ConnectionType::Close);
    }
    let headers = response.headers_mut();
    if !headers.contains_key(CACHE_CONTROL) {
        headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    if tls {
        headers.insert(STRICT_TRANSPORT_SECURITY, HeaderValue::from_static("max-age=31536000"));
    }
    Ok(response)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_of_another_site_is_not_ours_and_an_address_is() {
        let names = Names { given: vec!["iron.example.org".to_owned()], machine: "bench-7".to_owned(), tls: false };
        for ours in [
            "127.0.0.1:8420",
            "192.0.2.7",
            "[::1]:8420",
            "localhost:8420",
            "LOCALHOST",
            "iron.example.org:443",
            "iron.example.org.",
            "bench-7",
        ] {
            assert!(names.know(ours), "{ours}");
        }
        for other in [
            "evil.example.com",
            "127.0.0.1.evil.example.com",
            "[evil]",
            "",
            "bench-70",
            "bench-7.evil.example",
            "iron.example.org.evil.com",
        ] {
            assert!(!names.know(other), "{other}");
        }
    }
}
