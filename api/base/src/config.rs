//! Settings: a documented field each, from the command line or the environment.

use std::path::PathBuf;

use clap::Args;

/// Settings of the service.
#[derive(Debug, Clone, Args)]
pub struct Settings {
    /// Address to listen on.
    #[arg(long, env = "FERROTITRE_LISTEN", default_value = "127.0.0.1:8420")]
    pub listen: std::net::SocketAddr,
    /// Worker threads; as many as the machine has cores if not given.
    #[arg(long, env = "FERROTITRE_WORKERS", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub workers: Option<u16>,
    /// A titration saved later than this after it was observed is marked late, minutes.
    #[arg(long, env = "FERROTITRE_LATE_AFTER_MINUTES", default_value_t = 60)]
    pub late_after_minutes: i64,
    /// A record of something observed longer ago than this needs a reason, hours.
    #[arg(long, env = "FERROTITRE_REASON_AFTER_HOURS", default_value_t = 24, value_parser = clap::value_parser!(i64).range(1..=8760))]
    pub reason_after_hours: i64,
    /// Failed passwords in a row that lock an account.
    #[arg(long, env = "FERROTITRE_LOCK_AFTER_FAILURES", default_value_t = 5)]
    pub lock_after_failures: i64,
    /// Minutes without use after which a browser must sign in again; drafts stay in the browser.
    #[arg(long, env = "FERROTITRE_IDLE_MINUTES", default_value_t = 30, value_parser = clap::value_parser!(i64).range(1..=720))]
    pub idle_minutes: i64,
    /// Time zone of the laboratory by its IANA name, such as Europe/Berlin, in which pages show and read times; the server's
    /// own if not given.
    #[arg(long, env = "FERROTITRE_TIME_ZONE")]
    pub time_zone: Option<chrono_tz::Tz>,
    /// Where the store and the keys are.
    #[command(flatten)]
    pub store: StoreSettings,
}

/// Where the store and the keys are.
#[derive(Debug, Clone, Args)]
pub struct StoreSettings {
    /// PostgreSQL server to use, such as postgres://user@host/ferrotitre?sslmode=require. Without it the service runs a
    /// private cluster in the data folder.
    #[arg(long, env = "DATABASE_URL", hide_env_values = true)]
    pub database_url: Option<String>,
    /// Folder of the private cluster and of the key that signs the audit log.
    #[arg(long, env = "FERROTITRE_DATA", default_value = "data")]
    pub data: PathBuf,
}

/// Settings the services read.
#[derive(Debug, Clone, Copy)]
pub struct Policy {
    /// Minutes after which a saved titration counts as late.
    pub late_after_minutes: i64,
    /// Failed passwords in a row that lock an account.
    pub lock_after_failures: i64,
    /// Minutes without use after which a browser must sign in again.
    pub idle_minutes: i64,
}

impl From<&Settings> for Policy {
    fn from(settings: &Settings) -> Self {
        Self {
            late_after_minutes: settings.late_after_minutes,
            lock_after_failures: settings.lock_after_failures,
            idle_minutes: settings.idle_minutes,
        }
    }
}
