//! Requests to witnesses, over HTTP or TLS.

use std::path::Path;
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

/// A witness that takes longer is away.
const PATIENCE: Duration = Duration::from_secs(10);
/// An answer is a line or two.
const LONGEST_ANSWER: usize = 64 * 1024;

/// Why witnesses cannot be asked.
#[derive(Debug, thiserror::Error)]
pub enum RootsError {
    /// A file of certificates that cannot be read, or holds none.
    #[error("--witness-roots {0}: {1}")]
    File(String, String),
    /// TLS that cannot be set up.
    #[error("witnesses cannot be asked over TLS: {0}")]
    Tls(#[from] rustls::Error),
}

/// A witness that gave no answer.
#[derive(Debug, thiserror::Error)]
#[error("it cannot be reached: {0}")]
pub struct Away(String);

impl Away {
    /// With every cause, for the last one says what is wrong with a certificate.
    fn because(error: &dyn std::error::Error) -> Self {
        let causes = std::iter::successors(Some(error), |error| error.source());
        Self(causes.map(ToString::to_string).collect::<Vec<_>>().join(": "))
    }
}

/// Asks those who are named, and nobody they point to.
#[derive(Debug, Clone)]
pub struct Http(Client<HttpsConnector<HttpConnector>, Full<Bytes>>);

/// Certificates that a witness's address is trusted by: the machine's own, and those of a file.
fn roots(file: Option<&Path>) -> Result<rustls::RootCertStore, RootsError> {
    let mut roots = rustls::RootCertStore::empty();
    roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    let Some(file) = file else { return Ok(roots) };
    let trouble = |error: &dyn std::fmt::Display| RootsError::File(file.display().to_string(), error.to_string());
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

impl Http {
    /// One that speaks to an address beginning with https:// only where its certificate is of an authority of the machine's own, or
    /// of one in a file.
    ///
    /// # Errors
    /// A file of certificates that cannot be read.
    pub fn trusting(file: Option<&Path>) -> Result<Self, RootsError> {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let tls = rustls::ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions()?;
        let tls = tls.with_root_certificates(roots(file)?).with_no_client_auth();
        let connector = HttpsConnectorBuilder::new().with_tls_config(tls).https_or_http().enable_http1().build();
        Ok(Self(Client::builder(TokioExecutor::new()).build(connector)))
    }

    /// Sends a text with headers and reads of the answer nothing but its status, so that neither a long nor a slow one holds anything
    /// up. Redirects are not followed.
    ///
    /// # Errors
    /// No answer in time, or a certificate of nobody who is trusted.
    pub async fn post_only(&self, address: &str, headers: &[(&str, String)], text: String) -> Result<u16, Away> {
        let mut request = Request::post(address);
        for (name, value) in headers {
            request = request.header(*name, value);
        }
        let request = request.body(Full::from(text)).map_err(|error| Away::because(&error))?;
        let late = |_| Away(format!("no answer within {} s", PATIENCE.as_secs()));
        let answer = tokio::time::timeout(PATIENCE, self.0.request(request)).await.map_err(late)?;
        Ok(answer.map_err(|error| Away::because(&error))?.status().as_u16())
    }

    /// Sends a text; status and text of the answer.
    ///
    /// # Errors
    /// No answer in time, one that is too long, or a certificate of nobody who is trusted.
    pub async fn post(&self, address: &str, text: String) -> Result<(u16, String), Away> {
        let request = Request::post(address).body(Full::from(text)).map_err(|error| Away::because(&error))?;
        let asked = async {
            let answer = self.0.request(request).await.map_err(|error| Away::because(&error))?;
            let status = answer.status().as_u16();
            let body = Limited::new(answer.into_body(), LONGEST_ANSWER).collect().await;
            let body = body.map_err(|error| Away::because(&*error))?.to_bytes();
            Ok((status, String::from_utf8_lossy(&body).into_owned()))
        };
        let late = |_| Away(format!("no answer within {} s", PATIENCE.as_secs()));
        tokio::time::timeout(PATIENCE, asked).await.map_err(late)?
    }
}
