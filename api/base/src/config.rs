//! Settings: a documented field each, from the command line or the environment.

use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

use clap::Args;

use crate::auth::throttle::Throttle;

/// Settings of the service.
#[derive(Debug, Clone, Args)]
pub struct Settings {
    /// Address to listen on.
    #[arg(long, env = "FERROTITRE_LISTEN", default_value = "127.0.0.1:8420")]
    pub listen: SocketAddr,
    /// Worker threads; as many as the machine has cores if not given.
    #[arg(long, env = "FERROTITRE_WORKERS", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub workers: Option<u16>,
    /// A titration saved later than this after it was observed is marked late, minutes.
    #[arg(long, env = "FERROTITRE_LATE_AFTER_MINUTES", default_value_t = 60)]
    pub late_after_minutes: i64,
    /// A record of something observed longer ago than this needs a reason, hours.
    #[arg(long, env = "FERROTITRE_REASON_AFTER_HOURS", default_value_t = 24, value_parser = clap::value_parser!(i64).range(1..=8760))]
    pub reason_after_hours: i64,
    /// Wrong passwords from one address for one account, or for signatures of one account, after which the next must wait: a
    /// second, then twice as long after each, up to a minute.
    #[arg(long, env = "FERROTITRE_FREE_TRIES", default_value_t = 10, value_parser = clap::value_parser!(u32).range(3..=100))]
    pub free_tries: u32,
    /// Address of a proxy whose X-Forwarded-For is believed; may be repeated.
    #[arg(long = "trusted-proxy", env = "FERROTITRE_TRUSTED_PROXIES", value_delimiter = ',')]
    pub trusted_proxies: Vec<IpAddr>,
    /// Name the service goes by beside its addresses, localhost and the machine's own name; may be repeated.
    #[arg(long = "host", env = "FERROTITRE_HOSTS", value_delimiter = ',')]
    pub hosts: Vec<String>,
    /// Minutes without use after which a browser must sign in again; drafts stay in the browser.
    #[arg(long, env = "FERROTITRE_IDLE_MINUTES", default_value_t = 30, value_parser = clap::value_parser!(i64).range(1..=720))]
    pub idle_minutes: i64,
    /// Time zone of the laboratory by its IANA name, such as Europe/Berlin, in which pages show and read times; the server's
    /// own if not given.
    #[arg(long, env = "FERROTITRE_TIME_ZONE")]
    pub time_zone: Option<chrono_tz::Tz>,
    /// Certificates (PEM) of authorities by which witnesses at addresses that begin with https:// are known, beside the machine's
    /// own.
    #[arg(long, env = "FERROTITRE_WITNESS_ROOTS")]
    pub witness_roots: Option<PathBuf>,
    /// Certificates (PEM) of authorities by which mail servers and endpoints of messages are known, beside the machine's own.
    #[arg(long, env = "FERROTITRE_MESSAGE_ROOTS")]
    pub message_roots: Option<PathBuf>,
    /// How often is looked whether there is something to tell by e-mail or to an endpoint, seconds.
    #[arg(long, env = "FERROTITRE_MESSAGES_EVERY_SECONDS", default_value_t = 15, value_parser = clap::value_parser!(u64).range(1..=3600))]
    pub messages_every_seconds: u64,
    /// TLS.
    #[command(flatten)]
    pub tls: TlsSettings,
    /// Where the store and the keys are.
    #[command(flatten)]
    pub store: StoreSettings,
}

/// How what goes over the network is encrypted.
#[derive(Debug, Clone, Default, Args)]
pub struct TlsSettings {
    /// Speak TLS on the loopback address, too. Anywhere else it is spoken unless --plain-http is given.
    #[arg(long, env = "FERROTITRE_TLS")]
    pub tls: bool,
    /// Certificate chain, PEM. Without it the service makes an authority of its own in the data folder, which browsers are to trust.
    #[arg(long, env = "FERROTITRE_TLS_CERTIFICATE")]
    pub tls_certificate: Option<PathBuf>,
    /// Private key of the certificate, PEM.
    #[arg(long, env = "FERROTITRE_TLS_KEY")]
    pub tls_key: Option<PathBuf>,
    /// Speak plain HTTP although others can listen. Every page warns of it.
    #[arg(long, env = "FERROTITRE_PLAIN_HTTP")]
    pub plain_http: bool,
}

impl TlsSettings {
    /// Whether TLS is spoken at an address.
    #[must_use]
    pub fn speaks(&self, listen: SocketAddr) -> bool {
        !self.plain_http
            && (self.tls || self.tls_certificate.is_some() || self.tls_key.is_some() || !listen.ip().is_loopback())
    }

    /// Whether others can listen to what is spoken.
    #[must_use]
    pub fn in_the_clear(&self, listen: SocketAddr) -> bool {
        !self.speaks(listen) && !listen.ip().is_loopback()
    }
}

/// Where the store and the keys are.
#[derive(Debug, Clone, Args)]
pub struct StoreSettings {
    /// PostgreSQL server to use, such as postgres://user@host/ferrotitre?sslmode=require. Without it the service runs a
    /// private cluster in the data folder.
    #[arg(long, env = "DATABASE_URL", hide_env_values = true, global = true)]
    pub database_url: Option<String>,
    /// Folder of the private cluster, the keys and the TLS authority.
    #[arg(long, env = "FERROTITRE_DATA", default_value = "data", global = true)]
    pub data: PathBuf,
}

/// Settings the services read.
#[derive(Debug, Clone, Copy)]
pub struct Policy {
    /// Minutes after which a saved titration counts as late.
    pub late_after_minutes: i64,
    /// Slows down who guesses passwords. It lives as long as the process, so that the settings stay cheap to pass on.
    pub throttle: &'static Throttle,
    /// Proxies whose word about addresses is believed.
    pub proxies: &'static [IpAddr],
    /// Minutes without use after which a browser must sign in again.
    pub idle_minutes: i64,
}

impl From<&Settings> for Policy {
    fn from(settings: &Settings) -> Self {
        Self {
            late_after_minutes: settings.late_after_minutes,
            proxies: Vec::leak(settings.trusted_proxies.clone()),
            throttle: Box::leak(Box::new(Throttle::new(settings.free_tries))),
            idle_minutes: settings.idle_minutes,
        }
    }
}
