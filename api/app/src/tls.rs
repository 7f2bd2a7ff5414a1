//! TLS: with a certificate the laboratory brings, or with one of an authority that the service makes for itself at the first start.
//!
//! Off the machine itself nothing is spoken in the clear unless the operator says so, for example because a proxy in front does it.
//! Certificates of the own authority are for some weeks and are renewed while the service runs; files that the laboratory brings are
//! read again when they change.

use std::fs::{self, OpenOptions};
use std::io::Write as _;
use std::net::{IpAddr, SocketAddr};
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};
use std::time::{Duration, SystemTime};

use ferrotitre_base::config::TlsSettings;
use rcgen::{
    BasicConstraints, CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair, KeyUsagePurpose,
};
use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::{ClientHello, ResolvesServerCert};
use rustls::sign::CertifiedKey;
use sha2::{Digest, Sha256};

/// A connection under TLS.
pub type Stream = actix_tls::accept::rustls_0_23::TlsStream<actix_web::rt::net::TcpStream>;

/// How long a certificate of the own authority is good.
const GOOD_DAYS: u64 = 60;
/// When it is renewed.
const RENEW_DAYS: u64 = 30;
/// How long the own authority is good.
const AUTHORITY_YEARS: i32 = 20;
/// How often is looked whether there is something to renew.
const EVERY: Duration = Duration::from_secs(600);

/// What keeps TLS from starting.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A file that cannot be read or written.
    #[error("{0}: {1}")]
    File(PathBuf, std::io::Error),
    /// A file that does not hold what it should.
    #[error("{0}: {1}")]
    Content(PathBuf, String),
    /// A certificate and a key that do not belong together, or cannot be used.
    #[error("certificate and key cannot be used together: {0}")]
    Pair(#[from] rustls::Error),
    /// A certificate that cannot be made.
    #[error("a certificate could not be made: {0}")]
    Making(#[from] rcgen::Error),
    /// Settings that contradict each other.
    #[error("{0}")]
    Settings(&'static str),
}

/// Where certificates come from.
#[derive(Debug)]
enum Source {
    /// The laboratory's files.
    Brought { certificate: PathBuf, key: PathBuf },
    /// The own authority, and the names it signs for.
    Own { key: Box<KeyPair>, names: Vec<String> },
}

#[derive(Debug)]
struct Present {
    pair: Arc<CertifiedKey>,
    /// When the files were changed, or the certificate was made.
    since: SystemTime,
}

/// The certificate in use.
#[derive(Debug)]
pub struct Certificates {
    source: Source,
    present: RwLock<Present>,
    /// Certificate of the own authority, as PEM, and its fingerprint, for those who should trust it.
    authority: Option<Authority>,
}

/// What people need to trust the own authority.
#[derive(Debug, Clone)]
pub struct Authority {
    /// Its certificate.
    pub pem: String,
    /// SHA-256 of the certificate, as browsers show it.
    pub fingerprint: String,
    /// Where the certificate is kept.
    pub file: PathBuf,
}

impl Certificates {
    /// Reads or makes what the settings say; nothing if the service speaks plain HTTP.
    ///
    /// # Errors
    /// Files that cannot be read, written or used; settings that contradict each other.
    pub fn open(
        settings: &TlsSettings,
        (listen, data, hosts): (SocketAddr, &Path, &[String]),
    ) -> Result<Option<Arc<Self>>, TlsError> {
        if settings.plain_http && (settings.tls || settings.tls_certificate.is_some()) {
            return Err(TlsError::Settings("--plain-http contradicts --tls and --tls-certificate"));
        }
        if !settings.speaks(listen) {
            return Ok(None);
        }
        let (source, authority) = match (&settings.tls_certificate, &settings.tls_key) {
            (Some(certificate), Some(key)) => {
                (Source::Brought { certificate: certificate.clone(), key: key.clone() }, None)
            }
            (None, None) => {
                let (key, authority) = own_authority(&data.join("tls"))?;
                (Source::Own { key: Box::new(key), names: names(listen, hosts) }, Some(authority))
            }
            _ => return Err(TlsError::Settings("--tls-certificate and --tls-key go together")),
        };
        let present = RwLock::new(source.load()?);
        Ok(Some(Arc::new(Self { source, present, authority })))
    }

    /// Certificate of the own authority, if it is the one that signs.
    #[must_use]
    pub fn authority(&self) -> Option<&Authority> {
        self.authority.as_ref()
    }

    /// What the server needs.
    ///
    /// # Errors
    /// None that can happen with the protocol versions compiled in.
    pub fn config(self: &Arc<Self>) -> Result<rustls::ServerConfig, TlsError> {
        let builder = rustls::ServerConfig::builder_with_provider(Arc::new(ring::default_provider()));
        let resolver: Arc<dyn ResolvesServerCert> = self.clone();
        Ok(builder.with_safe_default_protocol_versions()?.with_no_client_auth().with_cert_resolver(resolver))
    }

    /// Renews for as long as the program runs. What cannot be renewed goes on as it is and is tried again.
    pub async fn keep_fresh(self: Arc<Self>) {
        loop {
            tokio::time::sleep(EVERY).await;
            match self.renew_if_due(SystemTime::now()) {
                Ok(true) => tracing::info!("the certificate was renewed"),
                Ok(false) => {}
                Err(error) => tracing::error!(%error, "the certificate could not be renewed"),
            }
        }
    }

    fn renew_if_due(&self, now: SystemTime) -> Result<bool, TlsError> {
        let since = self.present.read().unwrap_or_else(PoisonError::into_inner).since;
        let due = match &self.source {
            Source::Brought { certificate, key } => changed(certificate, key)? != since,
            Source::Own { .. } => now > since + Duration::from_secs(RENEW_DAYS * 86_400),
        };
        if due {
            let fresh = self.source.load()?;
            *self.present.write().unwrap_or_else(PoisonError::into_inner) = fresh;
        }
        Ok(due)
    }
}

impl ResolvesServerCert for Certificates {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(self.present.read().unwrap_or_else(PoisonError::into_inner).pair.clone())
    }
}

fn changed(certificate: &Path, key: &Path) -> Result<SystemTime, TlsError> {
    let of = |file: &Path| {
        let changed = fs::metadata(file).and_then(|found| found.modified());
        changed.map_err(|error| TlsError::File(file.to_owned(), error))
    };
    Ok(of(certificate)?.max(of(key)?))
}

impl Source {
    fn load(&self) -> Result<Present, TlsError> {
        let provider = ring::default_provider();
        match self {
            Self::Brought { certificate, key } => {
                let since = changed(certificate, key)?;
                let unreadable = |file: &Path| {
                    let file = file.to_owned();
                    move |error: rustls::pki_types::pem::Error| TlsError::Content(file, error.to_string())
                };
                let chain = CertificateDer::pem_file_iter(certificate)
                    .and_then(Iterator::collect::<Result<Vec<_>, _>>)
                    .map_err(unreadable(certificate))?;
                let secret = PrivateKeyDer::from_pem_file(key).map_err(unreadable(key))?;
                Ok(Present { pair: Arc::new(CertifiedKey::from_der(chain, secret, &provider)?), since })
            }
            Self::Own { key, names } => {
                let since = SystemTime::now();
                let (certificate, secret) = signed(key, names, since)?;
                let chain = vec![certificate.der().clone()];
                let secret = PrivateKeyDer::Pkcs8(secret.serialize_der().into());
                Ok(Present { pair: Arc::new(CertifiedKey::from_der(chain, secret, &provider)?), since })
            }
        }
    }
}

fn signed(authority: &KeyPair, names: &[String], now: SystemTime) -> Result<(rcgen::Certificate, KeyPair), TlsError> {
    let key = KeyPair::generate()?;
    let mut params = CertificateParams::new(names)?;
    params.distinguished_name.push(DnType::CommonName, "ferrotitre");
    params.use_authority_key_identifier_extension = true;
    params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
    // Clocks at the bench may be behind.
    params.not_before = (now - Duration::from_secs(86_400)).into();
    params.not_after = (now + Duration::from_secs(GOOD_DAYS * 86_400)).into();
    Ok((params.signed_by(&key, &Issuer::new(authority_params(), authority))?, key))
}

fn authority_params() -> CertificateParams {
    let mut params = CertificateParams::default();
    params.distinguished_name = rcgen::DistinguishedName::new();
    params.distinguished_name.push(DnType::CommonName, "ferrotitre, this laboratory's own authority");
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    params
}

/// The authority of the data folder; made if there is none yet. Its key never leaves the folder.
fn own_authority(folder: &Path) -> Result<(KeyPair, Authority), TlsError> {
    let (key_file, file) = (folder.join("authority.key"), folder.join("authority.pem"));
    let trouble = |file: &Path| {
        let file = file.to_owned();
        move |error| TlsError::File(file, error)
    };
    if !key_file.exists() {
        fs::create_dir_all(folder).map_err(trouble(folder))?;
        let key = KeyPair::generate()?;
        let mut params = authority_params();
        let now = SystemTime::now();
        params.not_before = (now - Duration::from_secs(86_400)).into();
        params.not_after = (now + Duration::from_secs(AUTHORITY_YEARS.unsigned_abs() as u64 * 365 * 86_400)).into();
        let certificate = params.self_signed(&key)?;
        // The certificate first: a key without it would never be made again.
        write(&file, &certificate.pem(), 0o644).map_err(trouble(&file))?;
        write(&key_file, &key.serialize_pem(), 0o600).map_err(trouble(&key_file))?;
    }
    let mode = fs::metadata(&key_file).map_err(trouble(&key_file))?.permissions().mode();
    if mode & 0o077 != 0 {
        return Err(TlsError::Content(key_file, "may be read by others: chmod 600 it".to_owned()));
    }
    let key = KeyPair::from_pem(&fs::read_to_string(&key_file).map_err(trouble(&key_file))?)?;
    let pem = fs::read_to_string(&file).map_err(trouble(&file))?;
    let der = CertificateDer::from_pem_slice(pem.as_bytes())
        .map_err(|error| TlsError::Content(file.clone(), error.to_string()))?;
    let digest = Sha256::digest(&der);
    let fingerprint = digest.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(":");
    Ok((key, Authority { pem, fingerprint, file }))
}

fn write(file: &Path, text: &str, mode: u32) -> std::io::Result<()> {
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(mode).open(file)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

/// Names and addresses under which the service is reached.
fn names(listen: SocketAddr, hosts: &[String]) -> Vec<String> {
    let mut names = vec!["localhost".to_owned(), "127.0.0.1".to_owned(), "::1".to_owned()];
    names.extend(nix::unistd::gethostname().ok().and_then(|name| name.into_string().ok()));
    names.extend(hosts.iter().cloned());
    if listen.ip().is_unspecified() {
        names.extend(own_addresses().iter().map(IpAddr::to_string));
    } else {
        names.push(listen.ip().to_string());
    }
    names.retain(|name| !name.is_empty());
    names.sort();
    names.dedup();
    names
}

fn own_addresses() -> Vec<IpAddr> {
    let Ok(found) = nix::ifaddrs::getifaddrs() else { return Vec::new() };
    let address = |interface: nix::ifaddrs::InterfaceAddress| {
        let address = interface.address?;
        let four = address.as_sockaddr_in().map(|four| IpAddr::from(four.ip()));
        four.or_else(|| address.as_sockaddr_in6().map(|six| IpAddr::from(six.ip())))
    };
    found.filter_map(address).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(name: &str) -> PathBuf {
        let folder = std::env::temp_dir().join(format!("ferrotitre-tls-{name}-{}", std::process::id()));
        let _ = fs::remove_dir_all(&folder);
        fs::create_dir_all(&folder).unwrap();
        folder
    }

    fn settings() -> TlsSettings {
        TlsSettings { tls: true, ..TlsSettings::default() }
    }

    #[test]
    fn the_own_authority_is_made_once_kept_to_its_owner_and_signs_anew_in_time() {
        let data = folder("own");
        let place = ("192.0.2.1:8420".parse().unwrap(), data.as_path(), &["iron.example.org".to_owned()][..]);
        let first = Certificates::open(&settings(), place).unwrap().unwrap();
        let second = Certificates::open(&settings(), place).unwrap().unwrap();
        assert_eq!(first.authority().unwrap().fingerprint, second.authority().unwrap().fingerprint);
        assert_eq!(fs::metadata(data.join("tls/authority.key")).unwrap().permissions().mode() & 0o777, 0o600);
        let now = SystemTime::now();
        let certificate = |of: &Certificates| of.present.read().unwrap().pair.cert[0].clone();
        let before = certificate(&first);
        assert!(!first.renew_if_due(now + Duration::from_secs((RENEW_DAYS - 1) * 86_400)).unwrap());
        assert!(first.renew_if_due(now + Duration::from_secs((RENEW_DAYS + 1) * 86_400)).unwrap());
        assert_ne!(before, certificate(&first));
        fs::set_permissions(data.join("tls/authority.key"), fs::Permissions::from_mode(0o644)).unwrap();
        assert!(Certificates::open(&settings(), place).unwrap_err().to_string().contains("chmod 600"));
        fs::remove_dir_all(data).unwrap();
    }

    #[test]
    fn files_that_were_brought_are_read_again_when_they_change_and_half_a_pair_is_refused() {
        let data = folder("brought");
        let (certificate, key) = (data.join("c.pem"), data.join("k.pem"));
        let bring = || {
            let (signed, secret) =
                signed(&KeyPair::generate().unwrap(), &["a.example".to_owned()], SystemTime::now()).unwrap();
            fs::write(&certificate, signed.pem()).unwrap();
            fs::write(&key, secret.serialize_pem()).unwrap();
        };
        bring();
        let place = ("127.0.0.1:1".parse().unwrap(), data.as_path(), &[][..]);
        let both = TlsSettings {
            tls_certificate: Some(certificate.clone()),
            tls_key: Some(key.clone()),
            ..TlsSettings::default()
        };
        let certificates = Certificates::open(&both, place).unwrap().unwrap();
        let later = SystemTime::now() + Duration::from_secs(5);
        assert!(!certificates.renew_if_due(later).unwrap());
        bring();
        fs::File::options().write(true).open(&key).unwrap().set_modified(later).unwrap();
        assert!(certificates.renew_if_due(later).unwrap());
        let half = TlsSettings { tls_key: None, ..both };
        assert!(Certificates::open(&half, place).unwrap_err().to_string().contains("go together"));
        fs::remove_dir_all(data).unwrap();
    }

    #[test]
    fn in_the_clear_only_on_the_machine_itself_or_when_told_so() {
        let plain = TlsSettings { plain_http: true, ..TlsSettings::default() };
        for (listen, default, told) in
            [("127.0.0.1:8420", false, false), ("[::1]:8420", false, false), ("0.0.0.0:8420", true, false)]
        {
            let listen = listen.parse().unwrap();
            assert_eq!(TlsSettings::default().speaks(listen), default, "{listen}");
            assert_eq!(plain.speaks(listen), told, "{listen}");
        }
    }
}
