//! Power cut during save: whatever was acknowledged is there afterwards, once, with its audit event.

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use ferrotitre_api::cluster::Cluster;
use ferrotitre_tests::app::make_usable;
use ferrotitre_tests::bench;
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::{connect, until};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use reqwest::Method;
use serde_json::Value;

/// Requests at the same time.
const WRITERS: usize = 4;
/// Power cuts, each after so many acknowledged writes.
const CUTS: [usize; 3] = [25, 40, 10];

fn command(data: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"));
    command.args(arguments).env("FERROTITRE_DATA", data).env_remove("DATABASE_URL").env("RUST_LOG", "warn");
    command
}

/// A service in a process of its own.
struct Service {
    child: Child,
    url: String,
}

impl Drop for Service {
    fn drop(&mut self) {
        // Only where a test failed half-way: the service then stops the cluster, too.
        if let Ok(None) = self.child.try_wait() {
            let _ = kill(Pid::from_raw(i32::try_from(self.child.id()).unwrap()), Signal::SIGTERM);
            let _ = self.child.wait();
        }
    }
}

fn serve(data: &Path) -> Service {
    let arguments = ["serve", "--listen", "127.0.0.1:0", "--workers", "1"];
    let mut child = command(data, &arguments).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let url = line.split_whitespace().find(|word| word.starts_with("http://")).map(str::to_owned);
    Service { child, url: url.unwrap_or_else(|| panic!("the service did not come up: {line}")) }
}

/// The server process of the cluster and its children.
fn postgres_processes(data: &Path) -> Vec<i32> {
    let files = ["cluster", "postgresql/cluster"].map(|folder| data.join(folder).join("postmaster.pid"));
    let file = files.iter().find(|file| file.exists()).unwrap();
    let postmaster: i32 = std::fs::read_to_string(file).unwrap().lines().next().unwrap().trim().parse().unwrap();
    let mut found = vec![postmaster];
    for entry in std::fs::read_dir("/proc").unwrap().flatten() {
        let Ok(pid) = entry.file_name().to_string_lossy().parse::<i32>() else { continue };
        let Ok(stat) = std::fs::read_to_string(entry.path().join("stat")) else { continue };
        let parent = stat.rsplit_once(") ").and_then(|(_, rest)| rest.split(' ').nth(1)?.parse::<i32>().ok());
        if parent == Some(postmaster) {
            found.push(pid);
        }
    }
    found
}

/// Whether a process is still known to the system; PostgreSQL takes even one that only waits to be reaped for a server.
fn known(pid: i32) -> bool {
    Path::new(&format!("/proc/{pid}")).exists()
}

/// Ends service and store at the same moment, without a word of warning.
async fn cut_the_power(data: &Path, service: &mut Service) {
    let postgres = postgres_processes(data);
    kill(Pid::from_raw(i32::try_from(service.child.id()).unwrap()), Signal::SIGKILL).unwrap();
    for pid in &postgres {
        // A child may have followed its parent already.
        let _ = kill(Pid::from_raw(*pid), Signal::SIGKILL);
    }
    service.child.wait().unwrap();
    until("all processes have ended", async || postgres.iter().all(|pid| !known(*pid)).then_some(())).await;
}

/// A request that was sent, and its answer if one came back.
struct Sent {
    code: String,
    body: Value,
    answer: Option<String>,
}

/// Writes until the connection breaks.
async fn write(client: Client, series: String, acknowledged: Arc<AtomicUsize>, stop: Arc<AtomicBool>) -> Vec<Sent> {
    let mut sent = Vec::new();
    for number in 0.. {
        if stop.load(Ordering::Relaxed) {
            break;
        }
        let code = format!("{series}-{number}");
        let body = bench::sample(&code);
        let headers = [("Content-Type", "application/json"), ("Idempotency-Key", code.as_str())];
        let bytes = body.to_string().into_bytes();
        let answer = client.try_send(Method::POST, "/samples", &headers, Some(bytes)).await;
        let answer = answer.ok().filter(|answer| answer.status == 201).map(|answer| answer.text);
        let broken = answer.is_none();
        sent.push(Sent { code, body, answer });
        if broken {
            break;
        }
        acknowledged.fetch_add(1, Ordering::Relaxed);
    }
    sent
}

#[tokio::test(flavor = "multi_thread")]
async fn after_a_power_cut_every_acknowledged_record_is_there_once_with_its_event() {
    let data = std::env::temp_dir().join(format!("ferrotitre-crash-{}", uuid::Uuid::now_v7().simple()));
    std::fs::create_dir_all(&data).unwrap();
    let create = ["account", "create", "analyst-1", "--name", "Analyst 1", "--role", "analyst"];
    let output = command(&data, &create).output().unwrap();
    let printed = String::from_utf8_lossy(&output.stdout).into_owned();
    let provisional = printed.trim().rsplit(' ').next().unwrap().to_owned();
    assert!(output.status.success(), "{printed}{}", String::from_utf8_lossy(&output.stderr));
    let mut service = serve(&data);
    let nobody = Client::nobody(&service.url);
    let token = make_usable(&nobody, "analyst-1", &provisional, "the analyst has a long password").await;
    let mut all: Vec<Sent> = Vec::new();
    for (round, enough) in CUTS.into_iter().enumerate() {
        let client = Client::nobody(&service.url).with_token(&token);
        let (acknowledged, stop) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicBool::new(false)));
        let writers: Vec<_> = (0..WRITERS)
            .map(|writer| {
                let series = format!("S-{round}-{writer}");
                tokio::spawn(write(client.clone(), series, Arc::clone(&acknowledged), Arc::clone(&stop)))
            })
            .collect();
        until("enough was acknowledged", async || (acknowledged.load(Ordering::Relaxed) >= enough).then_some(())).await;
        cut_the_power(&data, &mut service).await;
        stop.store(true, Ordering::Relaxed);
        for writer in writers {
            all.extend(writer.await.unwrap());
        }
        service = serve(&data);
        // What the client does that does not know what became of its request: it sends the same again.
        let client = Client::nobody(&service.url).with_token(&token);
        for sent in &mut all {
            let again = client.post_with_key("/samples", &sent.code, &sent.body).await;
            assert_eq!(again.status, 201, "{}", again.text);
            if let Some(first) = &sent.answer {
                assert_eq!((&again.text, again.header("idempotency-replayed")), (first, "true"), "round {round}");
            }
            sent.answer = Some(again.text);
        }
    }
    let cluster = Cluster::open(&data).await.unwrap();
    let sql = connect(&cluster.app()).await;
    for sent in &all {
        let count = "SELECT count(*), count(e.id), count(DISTINCT s.id) FROM samples s \
                     LEFT JOIN audit_events e ON e.entity_id = s.id AND e.entity_kind = 'samples' WHERE s.code = $1";
        let row = sql.query_one(count, &[&sent.code]).await.unwrap();
        assert_eq!((row.get(0), row.get(1), row.get(2)), (1_i64, 1_i64, 1_i64), "{}", sent.code);
    }
    let rows: i64 = sql.query_one("SELECT count(*) FROM samples", &[]).await.unwrap().get(0);
    assert_eq!(usize::try_from(rows).unwrap(), all.len(), "nothing is there that nobody sent");
    drop(sql);
    kill(Pid::from_raw(i32::try_from(service.child.id()).unwrap()), Signal::SIGTERM).unwrap();
    assert!(service.child.wait().unwrap().success(), "the service stops in order");
    drop(service);
    let verified = command(&data, &["verify"]).output().unwrap();
    let report = String::from_utf8_lossy(&verified.stdout).into_owned();
    assert!(verified.status.success() && report.contains("nothing was altered"), "{report}");
    std::fs::remove_dir_all(&data).unwrap();
}
