//! The command that serves: what it starts, and what it says.

use std::process::ExitCode;
use std::sync::Arc;

use ferrotitre_base::auth::local_key;
use ferrotitre_base::auth::tokens::TokenKeys;
use ferrotitre_base::config::Settings;
use ferrotitre_base::db::{Db, StoreAddress};
use ferrotitre_base::{bench_times, zone};
use ferrotitre_ledger::accounts;
use ferrotitre_ledger::audit::memory::Memory;
use ferrotitre_ledger::audit::seal::{self, SealKey, Sealing};
use ferrotitre_ledger::audit::service as audit;
use ferrotitre_ledger::audit::witnesses;
use ferrotitre_ledger::set_up::SetUp;
use ferrotitre_messages::{self as messages, Courier};

use super::open_store::OpenStore;
use super::{Failure, ServeArguments};
use crate::alerts::{self, Stopping};
use crate::app::{self, Shared};
use crate::tls::Certificates;
use crate::{connections, demo, heap};

/// Serves until it is asked to stop.
pub(super) async fn serve(arguments: ServeArguments) -> Result<ExitCode, Failure> {
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
    let courier = Courier::trusting(settings.message_roots.as_deref())?;
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
    let every = std::time::Duration::from_secs(settings.messages_every_seconds);
    let telling = messages::run(Db::for_worker(address)?, courier.clone(), every, alerts::told, stopped.clone());
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
        courier,
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
    let (outcome, (), ()) = tokio::join!(serving, asking, telling);
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
