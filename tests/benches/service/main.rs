//! The release binary against pgbench on the same cluster: how much of PostgreSQL's own speed reaches the bench.
//!
//! `cargo build --release --bin ferrotitre && cargo bench -p ferrotitre-tests --bench service`; with `-- chart` a control
//! chart of up to a million points instead, with `-- memory` the memory of the service over time, with `-- flood` a crowd of
//! strangers. See README.md here.
#![expect(clippy::cast_precision_loss, reason = "counts of operations are far below 2^53")]
#![expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index between 1 and a length")]

mod chart;
mod export;
mod figures;
mod flood;
mod http;
mod laboratory;
mod lookback;
mod memory;
mod proof;
mod rival;
mod study;

use std::error::Error;
use std::fs::{self, File};
use std::io::{BufRead as _, BufReader, Write as _};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use figures::{Round, Rounds, compare, heading, median};
use http::Client;
use laboratory::Laboratory;
use rival::{Server, Varied, script};

type Outcome<T> = Result<T, Box<dyn Error + Send + Sync>>;

const CLIENTS: [usize; 3] = [1, 16, 64];
const ROUNDS: usize = 3;

fn main() -> Outcome<()> {
    // cargo bench passes --bench; a number is the length of a round in seconds.
    let seconds = std::env::args().skip(1).find_map(|argument| argument.parse().ok()).unwrap_or(3);
    // rows=N measures exports of N rows, too; rows-only=N nothing else; data=N the study of N data, too;
    // signed=N a look-back over N signed results, and nothing else; proof=N the proof over a log of N events, and nothing else.
    let rows = |name: &str| {
        std::env::args().find_map(|argument| argument.strip_prefix(name).and_then(|number| number.parse().ok()))
    };
    let exports = Exports {
        rows: rows("rows-only=").or_else(|| rows("rows=")),
        alone: rows("rows-only=").is_some() || rows("signed=").is_some(),
        data: rows("data="),
        signed: rows("signed="),
    };
    let folder = std::env::temp_dir().join(format!("ferrotitre-bench-{}", std::process::id()));
    fs::create_dir_all(&folder)?;
    let of_chart = std::env::args().any(|argument| argument == "chart");
    let outcome = match rows("proof=") {
        Some(events) => proof::measure(&folder, events),
        None if std::env::args().any(|argument| argument == "memory") => memory::measure(&folder),
        None if std::env::args().any(|argument| argument == "flood") => flood::measure(&folder),
        None if of_chart => chart::measure(&folder),
        None => measure(&folder, seconds, &exports),
    };
    fs::remove_dir_all(&folder)?;
    outcome
}

/// What is measured of exports.
struct Exports {
    rows: Option<usize>,
    alone: bool,
    /// Data of the study.
    data: Option<usize>,
    /// Signed results of a look-back.
    signed: Option<usize>,
}

/// The program under test, stopped in order when done.
struct Service {
    child: Child,
    address: SocketAddr,
    said: String,
}

impl Service {
    fn start(data: &Path) -> Outcome<(Self, Duration)> {
        let program = program();
        let started = Instant::now();
        let mut child = Command::new(&program)
            .args(["serve", "--demo", "--listen", "127.0.0.1:0", "--data"])
            .arg(data)
            .env_remove("DATABASE_URL")
            .env("RUST_LOG", "warn")
            .stdout(Stdio::piped())
            .spawn()
            .map_err(|error| format!("{}: {error}; cargo build --release first", program.display()))?;
        let mut lines = BufReader::new(child.stdout.take().ok_or("no standard output")?).lines();
        let first = lines.next().ok_or("the service ended at once")??;
        let address = first.split("http://").nth(1).and_then(|rest| rest.split(' ').next()).ok_or("no address")?;
        let address = address.trim_end_matches('/').parse()?;
        let ready = Client::connect(address)?.send("GET", "/ready", "", "")?;
        let took = started.elapsed();
        if ready.status != 200 {
            return Err("the service is not ready".into());
        }
        // What it prints after that (accounts of the demo scenario) goes on in the background.
        let (send, receive) = std::sync::mpsc::channel();
        std::thread::spawn(move || lines.map_while(Result::ok).try_for_each(|line| send.send(line)));
        let mut said = String::new();
        while let Ok(line) = receive.recv_timeout(Duration::from_millis(500)) {
            said.push_str(&line);
            said.push('\n');
        }
        Ok((Self { child, address, said }, took))
    }

    /// A figure of the process's status, kB.
    fn memory_kb(&self, field: &str) -> Outcome<f64> {
        let status = fs::read_to_string(format!("/proc/{}/status", self.child.id()))?;
        let line = status.lines().find(|line| line.starts_with(field)).ok_or("no such line")?;
        Ok(line.split_whitespace().nth(1).ok_or("no number")?.parse()?)
    }

    /// The highest resident memory counts from now on.
    fn forget_peak(&self) -> Outcome<()> {
        Ok(fs::write(format!("/proc/{}/clear_refs", self.child.id()), "5")?)
    }

    fn stop(mut self) -> Outcome<()> {
        self.end()
    }

    fn end(&mut self) -> Outcome<()> {
        if self.child.try_wait()?.is_none() {
            Command::new("kill").arg(self.child.id().to_string()).status()?;
            self.child.wait()?;
        }
        Ok(())
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        // Where a measurement failed half-way, so that no service and no cluster stay behind.
        let _ = self.end();
    }
}

/// The program that is measured.
fn program() -> PathBuf {
    std::env::var_os("FERROTITRE_PROGRAM")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/release/ferrotitre"), PathBuf::from)
}

fn measure(folder: &Path, seconds: u64, exports: &Exports) -> Outcome<()> {
    let data = folder.join("data");
    println!("fdatasync of 8 KiB: {}", fdatasync(folder)?);
    let (service, first) = Service::start(&data)?;
    let said = service.said.clone();
    service.stop()?;
    let (service, again) = Service::start(&data)?;
    println!("start to ready: {:.2} s with a new cluster and the demo scenario, {:.2} s again", s(first), s(again));
    println!("resident memory after the start: {:.1} MB", service.memory_kb("VmRSS")? / 1024.0);

    let server = server(&data)?;
    let laboratory = Laboratory::open(service.address, &said, &server)?;
    let pool = data.join("scripts");
    fs::create_dir_all(&pool)?;
    if !exports.alone {
        println!("{ROUNDS} rounds of {seconds} s each, taken in turns; rates are medians of rounds");
        heading();
        reads(&service, &server, &laboratory, &pool, seconds)?;
        writes(&service, &server, &laboratory, &pool, seconds)?;
    }
    if let Some(rows) = exports.rows {
        export::measure(&service, &server, &laboratory, rows)?;
    }
    if let Some(data) = exports.data {
        study::measure(&service, &server, &laboratory, data)?;
    }
    if let Some(results) = exports.signed {
        lookback::measure(&service, &server, &laboratory, results)?;
    }
    println!(
        "resident memory: {:.1} MB now, {:.1} MB at most",
        service.memory_kb("VmRSS")? / 1024.0,
        service.memory_kb("VmHWM")? / 1024.0
    );
    service.stop()?;
    // Rows past the triggers have no events: such a store is not whole, and not looked at.
    if exports.data.or(exports.signed).is_some() { Ok(()) } else { verify(&data) }
}

fn reads(service: &Service, server: &Server, laboratory: &Laboratory, pool: &Path, seconds: u64) -> Outcome<()> {
    let path = laboratory.read_path();
    let statements = server.statements_of(|| {
        let mut client = Client::connect(service.address)?;
        expect(client.send("GET", &path, &laboratory.headers(None), "")?, 200)
    })?;
    let made_before = statements.iter().flat_map(|s| s.parameters.iter().flatten().cloned()).collect::<String>();
    let text = script("", &statements, &[], &made_before);
    let file = write(pool, "read.sql", &text)?;
    println!("read: {} statements", statements.len());
    laboratory::settle(server)?;
    for clients in CLIENTS {
        let (mut ours, mut theirs) = (Rounds::default(), Rounds::default());
        for _ in 0..ROUNDS {
            ours.0.push(load(service, clients, seconds, 200, || {
                ("GET", path.clone(), laboratory.headers(None), String::new())
            })?);
            theirs.0.push(server.pgbench(&file, clients, seconds)?);
        }
        compare("read", clients, &ours, &theirs);
    }
    Ok(())
}

fn writes(service: &Service, server: &Server, laboratory: &Laboratory, pool: &Path, seconds: u64) -> Outcome<()> {
    let before = laboratory::everything(server)?;
    let own = laboratory.own();
    let key = laboratory::key(usize::MAX);
    let mut statements = server.statements_of(|| {
        let mut client = Client::connect(service.address)?;
        let headers = laboratory.headers(Some(&key));
        expect(client.send("POST", &Laboratory::write_path(own), &headers, laboratory.titration())?, 201)
    })?;
    laboratory::mark_position(&mut statements)?;
    let varied = [
        Varied { value: own, expression: laboratory::PGBENCH_DETERMINATION },
        Varied { value: &key, expression: "md5(:key::text)" },
        Varied { value: laboratory::POSITION, expression: ":position" },
    ];
    let head = format!(
        "\\set determination random(0, {})\n\\set key random(1, 9000000000000000000)\n\\set position random(1, 2000000000)\n",
        laboratory::DETERMINATIONS - 1
    );
    let file = write(pool, "write.sql", &script(&head, &statements, &varied, &before))?;
    println!("write: {} statements", statements.len());
    let counter = AtomicUsize::new(0);
    for clients in CLIENTS {
        let (mut ours, mut theirs) = (Rounds::default(), Rounds::default());
        for _ in 0..ROUNDS {
            laboratory::settle(server)?;
            ours.0.push(load(service, clients, seconds, 201, || {
                let number = counter.fetch_add(1, Ordering::Relaxed);
                let path = Laboratory::write_path(&laboratory::determination(number));
                let headers = laboratory.headers(Some(&laboratory::key(number)));
                ("POST", path, headers, laboratory.titration().to_owned())
            })?);
            laboratory::settle(server)?;
            theirs.0.push(server.pgbench(&file, clients, seconds)?);
        }
        compare("write", clients, &ours, &theirs);
    }
    Ok(())
}

type Request = (&'static str, String, String, String);

/// Clients that each send the next request when the answer to the last is there.
fn load(
    service: &Service,
    clients: usize,
    seconds: u64,
    status: u16,
    request: impl Fn() -> Request + Sync,
) -> Outcome<Round> {
    let started = Instant::now();
    let end = started + Duration::from_secs(seconds);
    let lists = std::thread::scope(|scope| {
        let request = &request;
        let workers: Vec<_> = (0..clients)
            .map(|_| {
                scope.spawn(move || -> Outcome<Vec<u64>> {
                    let mut client = Client::connect(service.address)?;
                    let mut latencies = Vec::new();
                    while Instant::now() < end {
                        let (method, path, headers, body) = request();
                        let begun = Instant::now();
                        expect(client.send(method, &path, &headers, &body)?, status)?;
                        latencies.push(begun.elapsed().as_micros() as u64);
                    }
                    Ok(latencies)
                })
            })
            .collect();
        workers
            .into_iter()
            .map(|worker| worker.join().map_err(|panic| format!("a client failed: {panic:?}"))?)
            .collect::<Outcome<Vec<_>>>()
    })?;
    Ok(Round { latencies_us: lists.concat(), elapsed: started.elapsed() })
}

fn expect(answer: http::Answer, status: u16) -> Outcome<()> {
    if answer.status == status { Ok(()) } else { Err(format!("{}: {}", answer.status, answer.body).into()) }
}

/// Where the private cluster of a data folder listens, from the server's own lock file.
fn server(data: &Path) -> Outcome<Server> {
    let base = [data.join("postgresql"), data.to_owned()]
        .into_iter()
        .find(|base| base.join("cluster/PG_VERSION").exists())
        .ok_or("no private cluster")?;
    let pid = fs::read_to_string(base.join("cluster/postmaster.pid"))?;
    let version = fs::read_to_string(base.join("cluster/PG_VERSION"))?;
    let socket = pid.lines().nth(4).ok_or("no socket")?;
    Ok(Server {
        binaries: Path::new("/usr/lib/postgresql").join(version.trim()).join("bin"),
        socket: PathBuf::from(socket),
        log: base.join("postgres.log"),
    })
}

fn write(folder: &Path, name: &str, text: &str) -> Outcome<PathBuf> {
    let path = folder.join(name);
    fs::write(&path, text)?;
    Ok(path)
}

/// What the disk allows: nothing that is acknowledged can be faster than this.
fn fdatasync(folder: &Path) -> Outcome<String> {
    let mut file = File::create(folder.join("probe"))?;
    let mut times = Vec::new();
    for _ in 0..200 {
        let started = Instant::now();
        file.write_all(&[1; 8192])?;
        file.sync_data()?;
        times.push(started.elapsed().as_secs_f64() * 1e3);
    }
    times.sort_by(f64::total_cmp);
    Ok(format!("median {:.2} ms, 99th of 100 {:.2} ms", median(times.clone()), times[times.len() * 99 / 100]))
}

/// After all that load the store must still be whole.
fn verify(data: &Path) -> Outcome<()> {
    let output = Command::new(program()).args(["verify", "--data"]).arg(data).env("RUST_LOG", "warn").output()?;
    println!("ferrotitre verify: {}", String::from_utf8_lossy(&output.stdout).trim());
    if output.status.success() { Ok(()) } else { Err(String::from_utf8_lossy(&output.stderr).into()) }
}

fn s(duration: Duration) -> f64 {
    duration.as_secs_f64()
}
