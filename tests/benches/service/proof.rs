//! The proof: what sealing and receipts cost a write, how fast a log is verified, how fast a period is bundled and checked.

use std::fs::{self, File};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use ferrotitre_base::db::{Act, ActorKind, Db, StoreAddress};
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::receipts::gathering;
use ferrotitre_bench::titrants::service as titrants;
use ferrotitre_bench::titrants::wire::NewTitrant;
use ferrotitre_check::receipt::{Promise, signed_text, unsigned};
use ferrotitre_ledger::audit::seal::SealKey;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::figures::median;
use crate::http::Client;
use crate::laboratory::{Laboratory, determination};
use crate::rival::Server;
use crate::{Outcome, Service, program, s, server};

/// The lock of the sealer: whoever holds it keeps the service from sealing.
const LOCK: i64 = 0x6665_7272_6f74;
/// Turns with and without sealing, and how long each is.
const TURNS: usize = 12;
const TURN: Duration = Duration::from_secs(3);
/// Writes with and without a receipt, one of each in turns.
const WRITES: usize = 1500;
/// Rows that are inserted in one transaction.
const AT_ONCE: usize = 20_000;

/// Measures all of it, with a log of so many events.
pub fn measure(folder: &Path, events: usize) -> Outcome<()> {
    let data = folder.join("data");
    let (service, _) = Service::start(&data)?;
    let said = service.said.clone();
    let store = server(&data)?;
    let laboratory = Laboratory::open(service.address, &said, &store)?;
    sealed(&store)?;
    let write_ms = cost_of_sealing(&service, &store, &laboratory)?;
    cost_of_receipts(&data, &store, write_ms)?;
    fill(&store, &laboratory, events / 10)?;
    bundled(&service, &said, folder)?;
    service.stop()?;
    verified(&data)?;
    let (service, _) = Service::start(&data)?;
    fill(&server(&data)?, &laboratory, events)?;
    service.stop()?;
    verified(&data)
}

fn count(store: &Server, what: &str) -> Outcome<usize> {
    Ok(store.sql("ferrotitre_admin", &format!("SELECT count(*) FROM {what}"))?.parse()?)
}

/// Waits until every event has its leaf.
fn sealed(store: &Server) -> Outcome<()> {
    let until = Instant::now() + Duration::from_secs(1800);
    while count(store, "audit_pending")? > 0 {
        if Instant::now() > until {
            return Err("the service does not seal".into());
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    Ok(())
}

/// Adds determinations under the service's own role until the log has so many events, and waits until the service has sealed them.
fn fill(store: &Server, laboratory: &Laboratory, events: usize) -> Outcome<()> {
    let started = Instant::now();
    let before = count(store, "audit_events")?;
    let mut there = before;
    while there < events {
        let rows = AT_ONCE.min(events - there);
        store.sql(
            "ferrotitre_app",
            &format!(
                "SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"record_determination\"}}', false); \
                 INSERT INTO determinations (id, code, run_id, method_id, sample_id, portion_id, purpose, observed_at, \
                 recorded_by) SELECT gen_random_uuid(), 'proof-' || ({there} + i), run_id, method_id, sample_id, portion_id, \
                 purpose, observed_at, recorded_by FROM determinations, generate_series(1, {rows}) i WHERE id = '{}'",
                laboratory.own()
            ),
        )?;
        there = count(store, "audit_events")?;
    }
    store.sql("ferrotitre_admin", "ANALYZE")?;
    let written = started.elapsed();
    sealed(store)?;
    println!(
        "{} events written in {:.1} s and sealed after {:.1} s; the log has {there}",
        there - before,
        s(written),
        s(started.elapsed())
    );
    Ok(())
}

/// A session that holds the sealer's lock for as long as it lives.
struct Held(Child);

impl Held {
    fn take(store: &Server) -> Outcome<Self> {
        let child = Command::new(store.binaries.join("psql"))
            .args(["--no-psqlrc", "--quiet", "--tuples-only", "--host"])
            .arg(&store.socket)
            .args(["--username", "ferrotitre_admin", "--dbname", "ferrotitre", "--command"])
            .arg(format!("SELECT pg_advisory_lock({LOCK}), pg_sleep(3600)"))
            .stdout(Stdio::null())
            .spawn()?;
        let held = Self(child);
        let sql = "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND granted AND objsubid = 1 \
                   AND pid IN (SELECT pid FROM pg_stat_activity WHERE query LIKE '%pg_sleep(3600)%' AND pid <> pg_backend_pid())";
        while store.sql("ferrotitre_admin", sql)? == "0" {
            std::thread::sleep(Duration::from_millis(20));
        }
        Ok(held)
    }

    fn give_back(mut self, store: &Server) -> Outcome<()> {
        self.end();
        let end = "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE query LIKE '%pg_sleep(3600)%' \
                   AND pid <> pg_backend_pid()";
        store.sql("ferrotitre_admin", end).map(|_| ())
    }

    fn end(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        self.end();
    }
}

/// Titrations saved one after the other for one turn, ms each.
fn turn(service: &Service, laboratory: &Laboratory, at: &mut usize) -> Outcome<Vec<f64>> {
    let (started, mut times) = (Instant::now(), Vec::new());
    let mut client = Client::connect(service.address)?;
    while started.elapsed() < TURN {
        let key = Uuid::now_v7().to_string();
        let path = Laboratory::write_path(&determination(*at));
        *at += 1;
        let began = Instant::now();
        let answer = client.send("POST", &path, &laboratory.headers(Some(&key)), laboratory.titration())?;
        if answer.status != 201 {
            return Err(answer.body.into());
        }
        times.push(began.elapsed().as_secs_f64() * 1e3);
    }
    Ok(times)
}

/// The same write while the service seals, and while something else holds the sealer's lock; the median of a write, ms.
fn cost_of_sealing(service: &Service, store: &Server, laboratory: &Laboratory) -> Outcome<f64> {
    let (mut with, mut without, mut ratios, mut at) = (Vec::new(), Vec::new(), Vec::new(), 0);
    for number in 0..TURNS {
        let held = Held::take(store)?;
        let unsealed = turn(service, laboratory, &mut at)?;
        held.give_back(store)?;
        // What waits from the turn without is none of the turn with.
        sealed(store)?;
        let sealing = turn(service, laboratory, &mut at)?;
        // The first turns warm the plans of every statement.
        if number > 1 {
            ratios.push(median(sealing.clone()) / median(unsealed.clone()));
            with.extend(sealing);
            without.extend(unsealed);
        }
    }
    ratios.sort_by(f64::total_cmp);
    let (with, without) = (median(with), median(without));
    println!(
        "a titration saved: {with:.2} ms while events are sealed, {without:.2} ms while they are not, medians; ratio turn by turn \
         {:.3} (from {:.3} to {:.3})",
        median(ratios.clone()),
        ratios.first().copied().unwrap_or(f64::NAN),
        ratios.last().copied().unwrap_or(f64::NAN)
    );
    Ok(with)
}

/// The same use case of the service with its receipt and without, in this process over the same store: what is gathered outside a
/// request is nothing, so that nothing of the product is switched off.
fn cost_of_receipts(data: &Path, store: &Server, write_ms: f64) -> Outcome<()> {
    let who = store.sql("ferrotitre_admin", "SELECT id FROM accounts WHERE code = 'analyst-1'")?;
    let account = AccountId(who.parse()?);
    let url = format!("host={} user=ferrotitre_app dbname=ferrotitre", store.socket.display());
    let key = SealKey::open(data)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let local = tokio::task::LocalSet::new();
    let (with, without) = local.block_on(&runtime, async {
        let db = Db::for_worker(&StoreAddress { url, act_as: None }).map_err(|error| error.to_string())?;
        let (mut with, mut without) = (Vec::new(), Vec::new());
        for number in 0..WRITES * 2 {
            let began = Instant::now();
            if number % 2 == 0 {
                let (outcome, made) = gathering(record(&db, account, number)).await;
                outcome?;
                let events: Vec<(String, _)> = made.iter().map(|(id, leaf)| (id.to_string(), *leaf)).collect();
                let promise = Promise { request: "", time: "", events: &events, answer: Some(b"{}") };
                let receipt = unsigned(&promise, &key.named());
                if events.is_empty() || key.sign(&signed_text(&receipt)).is_empty() {
                    return Err("nothing was promised".to_owned());
                }
                with.push(began.elapsed().as_secs_f64() * 1e3);
            } else {
                record(&db, account, number).await?;
                without.push(began.elapsed().as_secs_f64() * 1e3);
            }
        }
        Ok((with, without))
    })?;
    let (with, without) = (median(with), median(without));
    println!(
        "a lot recorded by the use case alone: {with:.3} ms with its receipt, {without:.3} ms without, medians of {WRITES}; that is \
         {:.1} % of a titration saved through the service",
        (with - without) / write_ms * 100.0
    );
    Ok(())
}

async fn record(db: &Db, account: AccountId, number: usize) -> Result<(), String> {
    let act = Act {
        actor: Some(account),
        kind: ActorKind::Person,
        address: None,
        action: "record_titrant",
        request: None,
        repeat: None,
        one_time_code: None,
    };
    let now: DateTime<Utc> = Utc::now();
    let lot = json!({
        "code": format!("proof-{number}"), "species": "dichromate", "nominal_concentration": "0.1",
        "concentration_unit": "eq/L", "route": "standardisation", "factor_low": "0.990", "factor_high": "1.010",
        "storage": "dark", "container": "amber glass", "expires_at": now + TimeDelta::days(30), "observed_at": now,
    });
    let new: NewTitrant = serde_json::from_value(lot).map_err(|error| error.to_string())?;
    titrants::record(db, &act, new).await.map(|_| ()).map_err(|refusal| refusal.detail)
}

/// The highest resident memory of a process that is waited for, MB, with what it said.
fn watched(mut child: Child) -> Outcome<(f64, String)> {
    let mut most = 0.0_f64;
    let said = std::thread::spawn({
        let out = child.stdout.take().ok_or("no standard output")?;
        move || std::io::read_to_string(out)
    });
    while child.try_wait()?.is_none() {
        let status = fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap_or_default();
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kb = line.and_then(|line| line.split_whitespace().next()?.parse().ok());
        most = most.max(kb.unwrap_or(0.0));
        std::thread::sleep(Duration::from_millis(20));
    }
    let said = said.join().map_err(|_panic| "nothing was read")??;
    if !child.wait()?.success() {
        return Err(said.into());
    }
    Ok((most / 1024.0, said))
}

/// `ferrotitre verify` over the store, which must find nothing.
fn verified(data: &Path) -> Outcome<()> {
    let started = Instant::now();
    let child = Command::new(program())
        .args(["verify", "--data"])
        .arg(data)
        .env("RUST_LOG", "warn")
        .stdout(Stdio::piped())
        .spawn()?;
    let (memory, said) = watched(child)?;
    let took = s(started.elapsed());
    let leaves: f64 = said.split(' ').next().unwrap_or_default().parse()?;
    println!("verify: {leaves} events in {took:.1} s, {:.0} a second, {memory:.0} MB at most", leaves / took);
    if said.contains("nothing was altered") { Ok(()) } else { Err(said.into()) }
}

/// A period with the whole log in it, and both checkers on it.
fn bundled(service: &Service, said: &str, folder: &Path) -> Outcome<()> {
    let line = said.lines().map(str::trim).find(|line| line.starts_with("auditor-1 ")).ok_or("no auditor-1")?;
    let password = line.split_whitespace().nth(1).ok_or("no password")?;
    let mut client = Client::connect(service.address)?;
    let credentials = json!({ "account": "auditor-1", "password": password }).to_string();
    let session: Value = serde_json::from_str(&client.send("POST", "/api/v1/sessions", "", &credentials)?.body)?;
    let token = session["access_token"].as_str().ok_or("no token")?;
    let headers = format!("Authorization: Bearer {token}\r\n");
    let key = client.send("GET", "/api/v1/audit-tree/verifier-key", "", "")?.body;
    let file = folder.join("period.bundle");
    let before = service.memory_kb("VmHWM")? / 1024.0;
    let started = Instant::now();
    let path = "/api/v1/exports/period-bundle?from=2000-01-01T00:00:00Z&until=2100-01-01T00:00:00Z";
    let size = Client::patient(service.address)?.save(path, &headers, &mut File::create(&file)?)?;
    let took = s(started.elapsed());
    let after = service.memory_kb("VmHWM")? / 1024.0;
    println!(
        "period bundle: {:.1} MB in {took:.1} s; the service resident at most {before:.0} MB before and {after:.0} MB after",
        size as f64 / 1e6
    );
    let rust = program().with_file_name("ferrotitre-check");
    let oracle = Path::new(env!("CARGO_MANIFEST_DIR")).join("oracle/proof.py");
    for (name, command) in [
        ("ferrotitre-check", Command::new(rust).arg(&file).args(["--key", key.trim()])),
        ("the checker in Python", Command::new("python3").arg(oracle).arg(&file).arg(fingerprint(key.trim())?)),
    ] {
        let started = Instant::now();
        let (memory, said) =
            watched(command.stdout(Stdio::piped()).spawn().map_err(|error| format!("{name}: {error}"))?)?;
        let first = said.lines().next().unwrap_or_default();
        println!("{name}: {:.1} s, {memory:.0} MB at most: {first}", s(started.elapsed()));
    }
    Ok(())
}

fn fingerprint(key: &str) -> Outcome<String> {
    Ok(ferrotitre_check::note::NamedKey::read(key).map_err(|error| error.to_string())?.fingerprint())
}
