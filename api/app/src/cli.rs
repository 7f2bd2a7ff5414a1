//! The command line.

use std::io::Write as _;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use clap::{Args, Parser, Subcommand};
use ferrotitre_base::auth::local_key;
use ferrotitre_base::auth::tokens::TokenKeys;
use ferrotitre_base::config::{Settings, StoreSettings};
use ferrotitre_base::db::{Db, StoreAddress};
use ferrotitre_base::{bench_times, zone};
use ferrotitre_bench::titrants::again as factors_again;
use ferrotitre_calc::command::{self, CalcArguments};
use ferrotitre_ledger::accounts;
use ferrotitre_ledger::audit::catalogue;
use ferrotitre_ledger::audit::memory::Memory;
use ferrotitre_ledger::audit::resume::{self, Decider};
use ferrotitre_ledger::audit::seal::{self, SealKey, SealKeyError, Sealing};
use ferrotitre_ledger::audit::service as audit;
use ferrotitre_ledger::audit::verify::{self, Against, KeptHead};
use ferrotitre_ledger::audit::witnesses;
use ferrotitre_ledger::set_up::SetUp;
use ferrotitre_listen::ListenArguments;
use ferrotitre_quality::validation_studies::pinned;
use ferrotitre_results::determinations::adoption::adopt;
use ferrotitre_results::determinations::again;

use crate::alerts::Stopping;
use crate::app::{self, Shared};
use crate::cluster::Cluster;
use crate::tls::Certificates;
use crate::witness::{self, WitnessArguments};
use crate::{connections, demo, heap, migrate, openapi};

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
    /// Checks the whole store: every leaf, root and signature of the audit log, every record against its event. Only reads.
    Verify(VerifyArguments),
    /// Decisions about the sealing of the audit log.
    Seal(SealArguments),
    /// Countersigns the heads of logs, on an auditor's machine or a second server; needs no store.
    Witness(WitnessArguments),
    /// Reads a balance, piston burette or titrator and sends its readings to the service; needs no store.
    Listen(ListenArguments),
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
    /// Resets the one-time codes of somebody who lost the device, or where door.key was lost; it goes on record.
    ResetCodes {
        /// Sign-in name.
        code: String,
        /// Why; kept on record.
        #[arg(long)]
        reason: String,
    },
}

#[derive(Debug, Args)]
struct VerifyArguments {
    #[command(flatten)]
    store: StoreSettings,
    /// A tree head kept elsewhere, as SIZE:ROOT (root in hexadecimal); may be repeated.
    #[arg(long = "kept-head", value_parser = kept_head)]
    kept: Vec<KeptHead>,
    /// Print what the store is made of, a line each, and check nothing.
    #[arg(long)]
    print_catalogue: bool,
}

#[derive(Debug, Args)]
struct SealArguments {
    #[command(flatten)]
    store: StoreSettings,
    #[command(subcommand)]
    command: SealCommand,
}

#[derive(Debug, Subcommand)]
enum SealCommand {
    /// Goes on from the log as it stands although it does not extend what was signed, as two people decide. Their passwords are
    /// read from standard input, a line each. The service must be stopped.
    Resume {
        /// Sign-in name of a manager, auditor or administrator; twice, for two people.
        #[arg(long = "person", required = true, num_args = 1)]
        people: Vec<String>,
        /// Why; kept on record and shown by every check.
        #[arg(long)]
        reason: String,
        /// Make a new key, where the old one is lost.
        #[arg(long)]
        new_key: bool,
    },
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
    heap::share();
    let cli = Cli::parse();
    if let Command::Openapi = cli.command {
        return match std::io::stdout().lock().write_all(&openapi::committed()) {
            // Whoever reads may have read enough.
            Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => ExitCode::FAILURE,
            _ => ExitCode::SUCCESS,
        };
    }
    if let Command::Calc(arguments) = &cli.command {
        return command::run(arguments);
    }
    if let Command::Witness(arguments) = &cli.command {
        return witness::run(arguments);
    }
    if let Command::Listen(arguments) = &cli.command {
        return ferrotitre_listen::run(arguments);
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
                    AccountCommand::ResetCodes { code, reason } => {
                        accounts::reset_codes_by_operator(&db, code, reason).await?;
                        println!("the one-time codes of {code} were reset; their sessions have ended");
                        return Ok(());
                    }
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
        Command::Seal(arguments) => resume_sealing(arguments).await,
        // They have run before there was a runtime.
        Command::Openapi | Command::Calc(_) | Command::Witness(_) | Command::Listen(_) => Ok(ExitCode::SUCCESS),
    }
}

/// The store in use: a private cluster, or a server somebody else runs.
struct OpenStore {
    cluster: Option<Cluster>,
    app: StoreAddress,
}

impl OpenStore {
    async fn open(settings: &StoreSettings) -> Result<Self, Failure> {
        let store = Self::migrated(settings).await?;
        match adopted(&store.app).await {
            Ok(()) => Ok(store),
            Err(error) => {
                store.close();
                Err(error)
            }
        }
    }

    async fn migrated(settings: &StoreSettings) -> Result<Self, Failure> {
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

    /// The store as it is: nothing is made, nothing is migrated.
    async fn look(settings: &StoreSettings) -> Result<Self, Failure> {
        if let Some(url) = &settings.database_url {
            let app = StoreAddress { url: url.clone(), act_as: Some("ferrotitre_app".to_owned()) };
            return Ok(Self { cluster: None, app });
        }
        if !Cluster::exists(&settings.data)? {
            return Err(format!("there is no store in {}", settings.data.display()).into());
        }
        let cluster = Cluster::open(&settings.data).await?;
        let app = cluster.app();
        Ok(Self { cluster: Some(cluster), app })
    }

    fn close(self) {
        if let Some(cluster) = self.cluster {
            cluster.stop();
        }
    }
}

/// Signatures of an earlier release get the rows they stand over.
async fn adopted(store: &StoreAddress) -> Result<(), Failure> {
    let db = Db::for_worker(store)?;
    let mut adopted = adopt(&db).await?;
    let (pinned, marked) = pinned::adopt(&db).await?;
    adopted.pinned += pinned;
    adopted.marked += marked;
    if adopted.pinned + adopted.marked > 0 {
        tracing::info!(adopted.pinned, adopted.marked, "signatures of an earlier release");
    }
    Ok(())
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
    local_key::configure(&settings.store.data)?;
    connections::raise_limit();
    let tls = Certificates::open(&settings.tls, (settings.listen, &settings.store.data, &settings.hosts))?;
    let db = Db::for_worker(address)?;
    let ask = witnesses::http::Http::trusting(settings.witness_roots.as_deref())?;
    let seal_key = SealKey::of_store(&settings.store.data, audit::never_sealed(&db).await?)?;
    let sealing = Sealing::default();
    let loaded = if arguments.demo { demo::load_if_empty(&db).await? } else { None };
    let (set_up, code) = SetUp::over(&db).await?;
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let (closing, closes) = tokio::sync::watch::channel(false);
    tokio::spawn(until_stopped(closing));
    let memory = Memory::of(&settings.store.data);
    tokio::spawn(accounts::pruning::run(db.clone(), stopped.clone()));
    tokio::spawn(heap::give_back(stopped.clone()));
    let asking = witnesses::run(db.clone(), ask, stopped.clone());
    let sealer = tokio::spawn(seal::run(db, (seal_key.clone(), memory), sealing.clone(), stopped));
    let shared = Shared {
        store: address.clone(),
        token_keys: TokenKeys::default(),
        seal_key,
        sealing,
        metrics: actix_web::web::Data::new(ferrotitre_base::metrics::Metrics::default()),
        policy: settings.into(),
        tls: tls.clone(),
        stopping: Stopping(Arc::new(closes)),
        set_up,
    };
    let (server, bound) = app::server(settings, shared).inspect_err(|_| {
        // Its passwords are shown this once, whether or not the address is free.
        if let Some(scenario) = &loaded {
            print!("{}", scenario.text());
        }
    })?;
    let scheme = if tls.is_some() { "https" } else { "http" };
    announce(settings, tls.as_ref(), &format!("{scheme}://{}", reached(bound, &settings.hosts)), (code, loaded));
    if let Some(tls) = tls {
        tokio::spawn(tls.keep_fresh());
    }
    let serving = async {
        let outcome = server.await;
        let _ = stop.send(true);
        outcome
    };
    let (outcome, ()) = tokio::join!(serving, asking);
    outcome?;
    sealer.await?;
    Ok(())
}

/// Says where the service is reached, what browsers shall trust, and how to begin.
fn announce(
    settings: &Settings,
    tls: Option<&Arc<Certificates>>,
    place: &str,
    (code, loaded): (Option<String>, Option<demo::Scenario>),
) {
    println!("ferrotitre serves on {place} (pages: {place}/, documentation: {place}/api/docs/)");
    if let Some(tls) = tls {
        if let Some(authority) = tls.authority() {
            println!("the certificate is signed by the service's own authority, {}", authority.file.display());
            println!("let browsers trust it once ({place}/authority.pem); its SHA-256 fingerprint is");
            println!("{}", authority.fingerprint);
        }
    } else if settings.tls.in_the_clear(settings.listen) {
        tracing::warn!(%place, "plain HTTP where others can listen: passwords can be read on the network");
        println!("WARNING: plain HTTP where others can listen: passwords can be read on the network");
    }
    if let Some(code) = code {
        println!("Nobody has an account yet. Set up the laboratory at {place}/set-up with the code");
        println!("{code}");
    }
    if let Some(scenario) = loaded {
        print!("{}", scenario.text());
        print!("{}", demo::first_calls(place, &scenario));
    }
}

/// Where the service is reached: nobody comes to an address that stands for all.
fn reached(bound: std::net::SocketAddr, hosts: &[String]) -> String {
    if !bound.ip().is_unspecified() {
        return bound.to_string();
    }
    let machine = || nix::unistd::gethostname().ok().and_then(|name| name.into_string().ok());
    let name = hosts.first().map(|host| host.trim().to_owned()).or_else(machine);
    format!("{}:{}", name.unwrap_or_else(|| "localhost".to_owned()), bound.port())
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
    let data = &arguments.store.data;
    let store = OpenStore::look(&arguments.store).await?;
    let outcome = verify_from(&arguments, data, &store.app).await;
    store.close();
    outcome
}

async fn verify_from(arguments: &VerifyArguments, data: &Path, address: &StoreAddress) -> Result<ExitCode, Failure> {
    let connection = address.connect().await?;
    verify::read_only(&connection).await?;
    if arguments.print_catalogue {
        print!("{}", catalogue::print(&connection).await?);
        return Ok(ExitCode::SUCCESS);
    }
    if !verify::is_ours(&connection).await? {
        return Err("this store holds no audit log of ferrotitre: it is empty, or another program's".into());
    }
    let key = SealKey::open(data)?.public();
    let remembered = Memory::of(data).read()?;
    let against = Against { key: &key, remembered: remembered.as_ref(), kept: &arguments.kept };
    let beside = address.connect().await?;
    verify::read_only(&beside).await?;
    let told = |leaves, of| tracing::info!(leaves, of, "leaves recomputed");
    let mut report = verify::check_on([&connection, &beside], against, told).await?;
    let again = again::again(&connection, |seen| tracing::info!(seen, "signatures evaluated again")).await?;
    let factors = factors_again::again(&connection, |seen| tracing::info!(seen, "signatures on factors")).await?;
    let (figures, factors_text) = (again.text("signed figures"), factors.text("signatures on titrant factors"));
    report.figures = Some(format!("{figures}\n{factors_text}"));
    report.findings.extend(again.findings);
    report.findings.extend(factors.findings);
    print!("{}", report.text());
    Ok(if report.findings.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

async fn resume_sealing(arguments: SealArguments) -> Result<ExitCode, Failure> {
    let SealCommand::Resume { people, reason, new_key } = &arguments.command;
    let [first, second] = people.as_slice() else { return Err("two people decide: give --person twice".into()) };
    let data = &arguments.store.data;
    let key = match SealKey::open(data) {
        Err(SealKeyError::Missing(_)) if *new_key => SealKey::make(data)?,
        Ok(_) if *new_key => return Err("there is a key: a new one is made only where it is missing".into()),
        outcome => outcome?,
    };
    let mut lines = std::io::stdin().lines();
    let mut decider = |account: &String| -> Result<Decider, Failure> {
        eprintln!("password of {account}:");
        let password = lines.next().transpose()?.ok_or("a password is missing")?;
        Ok(Decider { account: account.clone(), password: password.into() })
    };
    let deciders = [decider(first)?, decider(second)?];
    with_store(&arguments.store, async |db| {
        let head = resume::resume(&db, (&key, &Memory::of(data)), &deciders, reason).await?;
        println!("sealing goes on from {} leaves with the root {}", head.tree_size, head.root);
        Ok(())
    })
    .await
}

#[cfg(test)]
mod tests;
