//! The command line.

mod open_store;
mod serving;

use std::io::Write as _;
use std::path::Path;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};
use ferrotitre_base::config::{Settings, StoreSettings};
use ferrotitre_base::db::StoreAddress;
use ferrotitre_bench::titrants::again as factors_again;
use ferrotitre_calc::command::{self, CalcArguments};
use ferrotitre_ledger::accounts;
use ferrotitre_ledger::audit::catalogue;
use ferrotitre_ledger::audit::memory::Memory;
use ferrotitre_ledger::audit::resume::{self, Decider};
use ferrotitre_ledger::audit::seal::{SealKey, SealKeyError};
use ferrotitre_ledger::audit::verify::{self, Against, KeptHead};
use ferrotitre_listen::ListenArguments;
use ferrotitre_results::determinations::again;

use self::open_store::{OpenStore, with_store};
use self::serving::serve;
use crate::witness::{self, WitnessArguments};
use crate::{demo, heap, openapi};

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
