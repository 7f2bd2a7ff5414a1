//! Sending: one reading after the other, in the order in which they came, each until the service has answered for it.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use http_body_util::{BodyExt as _, Full, Limited};
use hyper::Request;
use hyper::body::Bytes;
use hyper_rustls::{HttpsConnector, HttpsConnectorBuilder};
use hyper_util::client::legacy::Client;
use hyper_util::client::legacy::connect::HttpConnector;
use hyper_util::rt::TokioExecutor;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use serde_json::{Value, json};

use crate::command::say;
use crate::queue::{Kept, Queue};

/// A service that takes longer is away.
const PATIENCE: Duration = Duration::from_secs(10);
/// An answer is a record or a problem document.
const LONGEST_ANSWER: usize = 256 * 1024;
/// Between two tries; twice as long after each.
const FIRST_PAUSE: Duration = Duration::from_millis(500);
const LONGEST_PAUSE: Duration = Duration::from_secs(30);

/// Where readings go, and with which token.
#[derive(Debug, Clone)]
pub(crate) struct Destination {
    /// Address of the service, without a slash at its end.
    pub(crate) service: String,
    /// Certificates (PEM) of authorities beside the machine's own.
    pub(crate) authority: Option<PathBuf>,
    pub(crate) token: Token,
}

/// Where the token is.
#[derive(Debug, Clone)]
pub(crate) enum Token {
    /// A file, read for every reading: a new token needs no new start.
    File(PathBuf),
    /// The environment.
    Given(String),
}

impl Token {
    fn read(&self) -> Result<String, String> {
        match self {
            Self::Given(token) => Ok(token.clone()),
            Self::File(path) => {
                let text = std::fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))?;
                let token = text.trim();
                if token.is_empty() { Err(format!("{} is empty", path.display())) } else { Ok(token.to_owned()) }
            }
        }
    }
}

/// What came of sending.
enum Sent {
    /// The service has it.
    There,
    /// It never will: why.
    Refused(String),
    /// Not now: why.
    Away(String),
}

/// Sends what waits in a queue.
pub(crate) struct Sender {
    client: Client<HttpsConnector<HttpConnector>, Full<Bytes>>,
    destination: Destination,
}

fn roots(file: Option<&Path>) -> Result<rustls::RootCertStore, String> {
    let mut roots = rustls::RootCertStore::empty();
    roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    let Some(file) = file else { return Ok(roots) };
    let trouble = |error: &dyn std::fmt::Display| format!("--authority {}: {error}", file.display());
    let brought = CertificateDer::pem_file_iter(file).and_then(Iterator::collect::<Result<Vec<_>, _>>);
    let brought = brought.map_err(|error| trouble(&error))?;
    if brought.is_empty() {
        return Err(trouble(&"there is no certificate in it"));
    }
    for one in brought {
        roots.add(one).map_err(|error| trouble(&error))?;
    }
    Ok(roots)
}

/// With every cause, for the last one says what is wrong with a certificate.
fn because(error: &dyn std::error::Error) -> String {
    let causes = std::iter::successors(Some(error), |error| error.source());
    causes.map(ToString::to_string).collect::<Vec<_>>().join(": ")
}

impl Sender {
    /// A sender.
    ///
    /// # Errors
    /// Certificates or a token that cannot be read.
    pub(crate) fn to(destination: Destination) -> Result<Self, String> {
        destination.token.read()?;
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let tls = rustls::ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions();
        let tls = tls.map_err(|error| error.to_string())?;
        let tls = tls.with_root_certificates(roots(destination.authority.as_deref())?).with_no_client_auth();
        let connector = HttpsConnectorBuilder::new().with_tls_config(tls).https_or_http().enable_http1().build();
        // The service closes connections that were idle for five seconds.
        let client = Client::builder(TokioExecutor::new()).pool_idle_timeout(Duration::from_secs(2)).build(connector);
        Ok(Self { client, destination })
    }

    /// Sends for ever.
    pub(crate) async fn run(&self, queue: &Queue) {
        let mut pause = FIRST_PAUSE;
        let mut said = String::new();
        loop {
            let Some((reading, waiting)) = queue.first() else {
                queue.news.notified().await;
                continue;
            };
            let outcome = match self.send(&reading).await {
                Sent::There => {
                    queue.settle(reading.id, None).map(|()| format!("sent {} {}", reading.value, reading.unit))
                }
                Sent::Refused(why) => queue
                    .settle(reading.id, Some(why.clone()))
                    .map(|()| format!("REFUSED by the service: {} {}: {why}", reading.value, reading.unit)),
                Sent::Away(why) => {
                    if why != said {
                        say(&format!("{waiting} waiting: {why}"));
                        said = why;
                    }
                    tokio::time::sleep(pause).await;
                    pause = (pause * 2).min(LONGEST_PAUSE);
                    continue;
                }
            };
            match outcome {
                Ok(words) => {
                    (pause, said) = (FIRST_PAUSE, String::new());
                    say(&words);
                }
                Err(error) => {
                    say(&format!("what the service answered cannot be noted in {}: {error}", queue.folder().display()));
                    tokio::time::sleep(LONGEST_PAUSE).await;
                }
            }
        }
    }

    async fn send(&self, reading: &Kept) -> Sent {
        let token = match self.destination.token.read() {
            Ok(token) => token,
            Err(why) => return Sent::Away(why),
        };
        let body = json!({
            "id": reading.id, "equipment": reading.equipment, "value": reading.value, "unit": reading.unit,
            "raw_line": reading.raw_line, "observed_at": reading.observed_at,
        });
        let request = Request::post(format!("{}/api/v1/instrument-readings", self.destination.service))
            .header("content-type", "application/json")
            .header("authorization", format!("Bearer {token}"))
            .header("idempotency-key", reading.id.to_string())
            .body(Full::from(body.to_string()));
        let request = match request {
            Ok(request) => request,
            Err(error) => return Sent::Away(because(&error)),
        };
        let asked = async {
            let answer = self.client.request(request).await.map_err(|error| because(&error))?;
            let status = answer.status().as_u16();
            let kind = answer.headers().get("content-type").cloned();
            let body = Limited::new(answer.into_body(), LONGEST_ANSWER).collect().await;
            let body = body.map_err(|error| because(&*error))?.to_bytes();
            Ok::<_, String>((status, kind.is_some_and(|kind| kind == "application/problem+json"), body))
        };
        match tokio::time::timeout(PATIENCE, asked).await {
            Err(_) => Sent::Away(format!("the service did not answer within {} s", PATIENCE.as_secs())),
            Ok(Err(why)) => Sent::Away(format!("the service cannot be reached: {why}")),
            Ok(Ok((201, _, _))) => Sent::There,
            Ok(Ok((status, problem, body))) => {
                let words = words(&body);
                // Only the service itself, and only about the reading; what is in between, or a token that ended, can be mended.
                if problem && matches!(status, 400 | 413 | 422) {
                    Sent::Refused(words)
                } else {
                    Sent::Away(format!("the service answers {status}: {words}"))
                }
            }
        }
    }
}

/// What a problem document says.
fn words(body: &[u8]) -> String {
    let document: Value = serde_json::from_slice(body).unwrap_or_default();
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let of_field = |error: &Value| {
        format!(
            "{}: {} (rule {}, value {:?})",
            text(&error["field"]),
            text(&error["message"]),
            text(&error["rule"]),
            text(&error["value"])
        )
    };
    let fields: Vec<String> = document["errors"].as_array().into_iter().flatten().map(of_field).collect();
    match (fields.is_empty(), document["detail"].as_str()) {
        (false, _) => fields.join("; "),
        (true, Some(detail)) => detail.to_owned(),
        (true, None) => "no words".to_owned(),
    }
}
