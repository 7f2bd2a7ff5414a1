//! The command line.

use std::io::Write as _;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use clap::{Args, Parser, Subcommand};
use ferrotitre_base::auth::tokens::TokenKeys;
use ferrotitre_base::config::{Settings, StoreSettings};
use ferrotitre_base::db::{Db, StoreAddress};
use ferrotitre_base::{bench_times, zone};
use ferrotitre_calc::command::{self, CalcArguments};
use ferrotitre_ledger::accounts;
use ferrotitre_ledger::audit::seal::{self, SealKey};
use ferrotitre_ledger::audit::verify::{self, KeptHead};

use crate::alerts::Stopping;
use crate::app::{self, Shared};
use crate::cluster::Cluster;
use crate::{demo, migrate, openapi};

/// Iron by redox titration: from burette readings to a proven result.
#[derive(Debug, Parser)]
#[command(name = "ferrotitre", version, about, long_about = None)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Starts the service (and, without DATABASE_URL, its private PostgreSQL cluster).
    Serve(ServeArguments),
    /// Brings the store to the schema of this program.
    Migrate(StoreSettings),
    /// Loads the demo scenario into an empty store and prints its accounts.
    Demo(StoreSettings),
    /// Creates accounts and sets passwords from the command line.
    Account(AccountArguments),
    /// Checks the whole store: every leaf, root and signature of the audit log, every record against its event.
    Verify(VerifyArguments),
    /// Prints the OpenAPI document.
    Openapi,
    /// Calculates: statistics, uncertainty, control charts, volumes. Needs no store.
    Calc(CalcArguments),
}

#[derive(Debug, Args)]
struct ServeArguments {
    #[command(flatten)]
    settings: Settings,
    /// Load the demo scenario first if the store is empty.
    #[arg(long)]
    demo: bool,
}

#[derive(Debug, Args)]
struct AccountArguments {
    #[command(flatten)]
    store: StoreSettings,
    #[command(subcommand)]
    command: AccountCommand,
}

#[derive(Debug, Subcommand)]
enum AccountCommand {
    /// Creates an account with roles and prints a provisional password, to be changed at first use.
    Create {
        /// Sign-in name: lower-case letters, digits, dots, hyphens.
        code: String,
        /// Name printed with signatures.
        #[arg(long)]
        name: String,
        /// Role: analyst, manager, auditor or administrator; may be repeated.
        #[arg(long = "role", required = true)]
        roles: Vec<String>,
        /// Day since which the owner has worked here, such as 2026-01-15, if records of that time are to be taken over.
        #[arg(long)]
        since: Option<chrono::NaiveDate>,
    },
    /// Sets a new provisional password, unlocks the account and prints the password.
    Reset {
        /// Sign-in name.
        code: String,
    },
}

#[derive(Debug, Args)]
struct VerifyArguments {
    #[command(flatten)]
    store: StoreSettings,
    /// A tree head kept elsewhere, as SIZE:ROOT (root in hexadecimal); may be repeated.
    #[arg(long = "kept-head", value_parser = kept_head)]
    kept: Vec<KeptHead>,
}

fn kept_head(text: &str) -> Result<KeptHead, String> {
    let (size, root) = text.split_once(':').ok_or("must be SIZE:ROOT")?;
    let tree_size = size.parse().map_err(|_error| format!("'{size}' is not a tree size"))?;
    let root = hex::decode(root)
        .ok()
        .and_then(|bytes| bytes.try_into().ok())
        .ok_or("the root must have 64 hexadecimal digits")?;
    Ok(KeptHead { tree_size, root })
}

type Failure = Box<dyn std::error::Error>;

/// Runs the program.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    if let Command::Openapi = cli.command {
        return match std::io::stdout().lock().write_all(openapi::text().as_bytes()) {
            // Whoever reads may have read enough.
            Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => ExitCode::FAILURE,
            _ => ExitCode::SUCCESS,
        };
    }
    if let Command::Calc(arguments) = &cli.command {
        return command::run(arguments);
    }
    let filter =
        tracing_subscriber::EnvFilter::try_from_default_env().unwrap_or_else(|_| "info,tiny_skia=error".into());
    tracing_subscriber::fmt().json().with_env_filter(filter).with_writer(std::io::stderr).init();
    let runtime = match tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            eprintln!("ferrotitre: {error}");
            return ExitCode::FAILURE;
        }
    };
    match runtime.block_on(run(cli.command)) {
        Ok(code) => code,
        Err(error) => {
            eprintln!("ferrotitre: {error}");
            ExitCode::FAILURE
        }
    }
}

async fn run(command: Command) -> Result<ExitCode, Failure> {
    match command {
        Command::Serve(arguments) => serve(arguments).await,
        Command::Migrate(store) => {
            with_store(&store, async |_| {
                println!("the store is at the schema of this program");
                Ok(())
            })
            .await
        }
        Command::Demo(store) => {
            with_store(&store, async |db| {
                print!("{}", demo::load(&db).await?.text());
                Ok(())
            })
            .await
        }
        Command::Account(arguments) => {
            with_store(&arguments.store, async |db| {
                let password = match &arguments.command {
                    AccountCommand::Create { code, name, roles, since } => {
                        accounts::create_by_operator(&db, code, name, roles, *since).await?
                    }
                    AccountCommand::Reset { code } => accounts::reset_by_operator(&db, code).await?,
                };
                println!("provisional password: {password}");
                Ok(())
            })
            .await
        }
        Command::Verify(arguments) => verify_store(arguments).await,
        // Both have run before there was a runtime.
        Command::Openapi | Command::Calc(_) => Ok(ExitCode::SUCCESS),
    }
}

/// The store in use: a private cluster, or a server somebody else runs.
struct OpenStore {
    cluster: Option<Cluster>,
    app: StoreAddress,
}

impl OpenStore {
    async fn open(settings: &StoreSettings) -> Result<Self, Failure> {
        match &settings.database_url {
            Some(url) => {
                let owner = StoreAddress { url: url.clone(), act_as: None };
                migrate::run(&owner).await?;
                Ok(Self {
                    cluster: None,
                    app: StoreAddress { url: url.clone(), act_as: Some("ferrotitre_app".to_owned()) },
                })
            }
            None => {
                let cluster = Cluster::open(&settings.data).await?;
                let migrated = migrate::run(&cluster.owner()).await;
                let app = cluster.app();
                match migrated {
                    Ok(_) => Ok(Self { cluster: Some(cluster), app }),
                    Err(error) => {
                        cluster.stop();
                        Err(error.into())
                    }
                }
            }
        }
    }

    fn close(self) {
        if let Some(cluster) = self.cluster {
            cluster.stop();
        }
    }
}

async fn with_store(
    settings: &StoreSettings,
    work: impl AsyncFnOnce(Db) -> Result<(), Failure>,
) -> Result<ExitCode, Failure> {
    let store = OpenStore::open(settings).await?;
    let outcome = match Db::for_worker(&store.app) {
        Ok(db) => work(db).await,
        Err(error) => Err(error.into()),
    };
    store.close();
    outcome.map(|()| ExitCode::SUCCESS)
}

async fn serve(arguments: ServeArguments) -> Result<ExitCode, Failure> {
    let store = OpenStore::open(&arguments.settings.store).await?;
    let outcome = serve_from(&arguments, &store.app).await;
    store.close();
    outcome.map(|()| ExitCode::SUCCESS)
}

async fn serve_from(arguments: &ServeArguments, address: &StoreAddress) -> Result<(), Failure> {
    let settings = &arguments.settings;
    zone::configure(settings.time_zone);
    bench_times::configure(settings.reason_after_hours);
    let seal_key = SealKey::open(&settings.store.data)?;
    let db = Db::for_worker(address)?;
    let loaded = if arguments.demo { demo::load_if_empty(&db).await? } else { None };
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let (closing, closes) = tokio::sync::watch::channel(false);
    tokio::spawn(until_stopped(closing));
    let sealer = tokio::spawn(seal::run(db, seal_key.clone(), stopped));
    let shared = Shared {
        store: address.clone(),
        token_keys: TokenKeys::default(),
        seal_key,
        metrics: actix_web::web::Data::new(ferrotitre_base::metrics::Metrics::default()),
        policy: settings.into(),
        stopping: Stopping(Arc::new(closes)),
    };
    let (server, bound) = app::server(settings, shared)?;
    println!("ferrotitre serves on http://{bound} (pages: http://{bound}/, documentation: http://{bound}/api/docs/)");
    if let Some(scenario) = loaded {
        print!("{}", scenario.text());
        print!("{}", demo::first_calls(bound, &scenario));
    }
    server.await?;
    let _ = stop.send(true);
    sealer.await?;
    Ok(())
}

/// Says so when the program is asked to stop; the server hears the same signals by itself.
async fn until_stopped(closing: tokio::sync::watch::Sender<bool>) {
    use tokio::signal::unix::{SignalKind, signal};
    let Ok(mut terminate) = signal(SignalKind::terminate()) else { return };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        _ = terminate.recv() => {}
    }
    let _ = closing.send(true);
}

async fn verify_store(arguments: VerifyArguments) -> Result<ExitCode, Failure> {
    let key = public_key(&arguments.store.data)?;
    let store = OpenStore::open(&arguments.store).await?;
    let report = match store.app.connect().await {
        Ok(connection) => verify::check(&connection, &key, &arguments.kept).await.map_err(Failure::from),
        Err(error) => Err(error.into()),
    };
    store.close();
    let report = report?;
    print!("{}", report.text());
    Ok(if report.findings.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

fn public_key(data: &Path) -> Result<ed25519_dalek::VerifyingKey, Failure> {
    Ok(SealKey::open(data)?.public())
}
