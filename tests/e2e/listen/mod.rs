//! The connector: real pseudo-terminals, real TCP, real files, the real program in processes of its own.

mod accepted;
mod refused;

use std::fs::{File, OpenOptions};
use std::io::{BufRead as _, BufReader, Write as _};
use std::net::{SocketAddr, TcpListener};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ferrotitre_tests::TestApp;
use ferrotitre_tests::app::Running;
use ferrotitre_tests::bench::{bench, calibration, equipment, install};
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::{DatabaseRole, until};
use nix::fcntl::OFlag;
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use serde_json::Value;
use uuid::Uuid;

/// What the balance of these tests prints: `OK NET +   0.4903 g` when it is stable, `?? NET …` when it is not.
const PATTERN: &str = "{stable=OK} NET {value} {unit}";

struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        let path = std::env::temp_dir().join(format!("ferrotitre-listen-{}", Uuid::now_v7().simple()));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn at(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// A connector in a process of its own, with what it said.
struct Connector {
    child: Child,
    said: Arc<Mutex<Vec<String>>>,
}

fn program(arguments: &[&str], token: &str) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"));
    command.arg("listen").args(arguments).env("FERROTITRE_TOKEN", token);
    command
}

impl Connector {
    fn start(arguments: &[&str], token: &str) -> Self {
        let mut child = program(arguments, token).stdout(Stdio::piped()).spawn().unwrap();
        let said = Arc::new(Mutex::new(Vec::new()));
        let (lines, hears) = (BufReader::new(child.stdout.take().unwrap()), Arc::clone(&said));
        std::thread::spawn(move || {
            for line in lines.lines().map_while(Result::ok) {
                hears.lock().unwrap().push(line);
            }
        });
        Self { child, said }
    }

    fn said(&self) -> Vec<String> {
        self.said.lock().unwrap().clone()
    }

    /// Waits until it has said something so many times.
    async fn says(&self, words: &str, times: usize) {
        let found = until(words, async || {
            let count = self.said().iter().filter(|line| line.contains(words)).count();
            (count >= times).then_some(count)
        });
        let count = found.await;
        assert_eq!(count, times, "{words}: {:?}", self.said());
    }

    /// Ends it at once, whatever it is doing.
    fn kill(mut self) -> Vec<String> {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        self.said()
    }
}

impl Drop for Connector {
    fn drop(&mut self) {
        if let Ok(None) = self.child.try_wait() {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}

/// A balance at the end of a pseudo-terminal, plugged into a place with a name of its own.
struct Balance {
    /// Not handed on to the connectors: one that held it would never see the balance unplugged.
    wire: PtyMaster,
    /// Held open as the machine holds the port.
    _port: File,
}

impl Balance {
    fn plugged_into(place: &Path) -> Self {
        let wire = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_CLOEXEC).unwrap();
        grantpt(&wire).unwrap();
        unlockpt(&wire).unwrap();
        let name = ptsname_r(&wire).unwrap();
        let port = OpenOptions::new().read(true).custom_flags(OFlag::O_NOCTTY.bits()).open(&name).unwrap();
        let _ = std::fs::remove_file(place);
        std::os::unix::fs::symlink(name, place).unwrap();
        Self { wire, _port: port }
    }

    fn prints(&mut self, bytes: &[u8]) {
        self.wire.write_all(bytes).unwrap();
    }

    async fn stutters(&mut self, bytes: &[u8]) {
        for piece in bytes.chunks(3) {
            self.prints(piece);
            tokio::time::sleep(Duration::from_millis(30)).await;
        }
    }
}

/// Values and lines that the service has, in the order in which they came.
async fn recorded(app: &TestApp) -> Vec<(String, String)> {
    let page = app.auditor.get("/instrument-readings?limit=200").await.expect(200);
    let text = |one: &Value, field: &str| one[field].as_str().unwrap().to_owned();
    let items = page["items"].as_array().unwrap().iter().rev();
    items.map(|one| (text(one, "value"), text(one, "raw_line"))).collect()
}

async fn values(app: &TestApp) -> Vec<String> {
    recorded(app).await.into_iter().map(|(value, _)| value).collect()
}

/// Waits until the service has so many readings; all of them.
async fn has(app: &TestApp, count: usize) -> Vec<String> {
    until("the readings are there", async || Some(values(app).await).filter(|found| found.len() >= count)).await
}

fn address(app: &TestApp) -> String {
    format!("http://{}", app.running.address)
}

/// The same service at an address of its own, which can be stopped while the other goes on.
fn service(app: &TestApp, at: SocketAddr) -> Running {
    let store = app.shared.address(DatabaseRole::Service, &app.database);
    let seal = (&app.shared.seal_key, &app.memory);
    Running::start_as(&store, &app.shared.data, seal, |settings| settings.listen = at)
}

/// An address that nothing listens at.
fn free() -> SocketAddr {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap()
}

/// A laboratory with a balance BAL-1 and a piston burette PB-1.
async fn laboratory() -> TestApp {
    let app = TestApp::start().await;
    let _ = bench(&app).await;
    let piston = equipment("PB-1", "piston burette", "20.000", Some("0.001"));
    let _ = install(&app, &piston, &calibration(None, "0.008")).await;
    app
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn token(client: &Client) -> String {
    client.token().to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_balance_that_stutters_errs_and_is_unplugged_loses_no_reading_and_doubles_none() {
    let (app, folder) = (laboratory().await, Folder::new());
    let (place, queue, service) = (folder.at("balance"), folder.at("queue"), address(&app));
    let mut balance = Balance::plugged_into(&place);
    let arguments = [
        "--serial",
        text(&place),
        "--speed",
        "4800",
        "--pattern",
        PATTERN,
        "--unit",
        "g",
        "--equipment",
        "BAL-1",
        "--service",
        &service,
        "--queue",
        text(&queue),
    ];
    let connector = Connector::start(&arguments, &token(&app.instrument));
    connector.says("listening to", 1).await;

    balance.stutters(b"OK NET +   0.4903 g\r\n").await;
    balance.prints(b"?? NET +   0.4911 g\r\nOK NET + 490.3 mg\r\n\x00\x00OK NET -   0.0003 g\x03\r\n");
    // Pressed twice, ended by CR alone; noise in a line; a line without end.
    balance.prints(b"OK NET 0.5000 g\rOK NET 0.5000 g\rOK NET 0.5\x07000 g\r");
    balance.prints(&[b"7".repeat(5000), b"\r\nOK NET 0.6000 g\r\n".to_vec()].concat());
    let expected = ["0.4903", "-0.0003", "0.5000", "0.5000", "0.6000"];
    assert_eq!(has(&app, 5).await, expected);

    // Unplugged in the middle of a line, and in again: the halves do not grow together.
    balance.prints(b"OK NET 0.7");
    tokio::time::sleep(Duration::from_millis(200)).await;
    drop(balance);
    connector.says("is gone", 1).await;
    let mut balance = Balance::plugged_into(&place);
    connector.says("listening to", 2).await;
    balance.prints(b"003 g\r\nOK NET 0.7003 g\r\n");
    assert_eq!(has(&app, 6).await[5..], ["0.7003"]);
    assert_eq!(recorded(&app).await[0].1, "OK NET +   0.4903 g");

    let said = connector.kill();
    let not_taken: Vec<&str> = said.iter().filter_map(|line| line.strip_prefix("not taken: ")).collect();
    let reasons: Vec<&str> = not_taken.iter().map(|line| line.split(" |").next().unwrap()).collect();
    let expected = [
        "not stable",
        "its unit is mg, not g",
        "it has bytes in it that are no text",
        "longer than 256 characters",
        "half a line: its end did not come",
        "not as the pattern says",
    ];
    assert_eq!(reasons, expected, "{said:?}");
    assert_eq!(values(&app).await.len(), 6);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_instrument_on_the_network_that_prints_all_the_time_gives_each_value_once() {
    let (app, folder) = (laboratory().await, Folder::new());
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let (at, queue, service) = (listener.local_addr().unwrap().to_string(), folder.at("queue"), address(&app));
    let token_file = folder.at("token");
    std::fs::write(&token_file, format!("{}\n", app.instrument.token())).unwrap();
    let arguments = [
        "--tcp",
        &at,
        "--pattern",
        "{value} {unit}{unstable=*}",
        "--unit",
        "mL",
        "--continuous",
        "--equipment",
        "PB-1",
        "--service",
        &service,
        "--token-file",
        text(&token_file),
        "--queue",
        text(&queue),
    ];
    let connector = Connector::start(&arguments, "");
    let mut wire = listener.accept().unwrap().0;
    connector.says("listening to", 1).await;
    // Lines may have begun before the connection: the first of them counts only after a silence.
    wire.write_all(b"3.456 mL\n3.456 mL\n").unwrap();
    for _ in 0..40 {
        wire.write_all(b"12.345 mL\n").unwrap();
    }
    wire.write_all(b"12.346 mL\n12.345 mL\n12.345 mL\n12.345 mL\n12.345 mL*\n").unwrap();
    for _ in 0..5 {
        wire.write_all(b"12.345 mL\n").unwrap();
    }
    for _ in 0..5 {
        wire.write_all(b"0.000 mL\n").unwrap();
    }
    assert_eq!(has(&app, 3).await, ["12.345", "12.345", "0.000"]);

    // It is switched off and on; what it shows is what it showed before.
    drop(wire);
    let mut wire = listener.accept().unwrap().0;
    connector.says("listening to", 2).await;
    tokio::time::sleep(Duration::from_millis(500)).await;
    wire.write_all(&b"0.000 mL\n".repeat(20)).unwrap();
    wire.write_all(&b"7.000 mL\n".repeat(20)).unwrap();
    assert_eq!(has(&app, 4).await, ["12.345", "12.345", "0.000", "7.000"]);
    // Nor does a connector that was killed and started again take it once more.
    let _ = connector.kill();
    drop(wire);
    let connector = Connector::start(&arguments, "");
    let mut wire = listener.accept().unwrap().0;
    connector.says("listening to", 1).await;
    tokio::time::sleep(Duration::from_millis(500)).await;
    wire.write_all(&b"7.000 mL\n".repeat(20)).unwrap();
    wire.write_all(&b"8.000 mL\n".repeat(20)).unwrap();
    assert_eq!(has(&app, 5).await[3..], ["7.000", "8.000"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_read_while_the_service_is_away_arrives_in_order_and_once_whatever_is_killed() {
    let (app, folder) = (laboratory().await, Folder::new());
    let (place, queue, at) = (folder.at("balance"), folder.at("queue"), free());
    let mut balance = Balance::plugged_into(&place);
    let service_at = format!("http://{at}");
    let arguments = [
        "--serial",
        text(&place),
        "--pattern",
        PATTERN,
        "--unit",
        "g",
        "--equipment",
        "BAL-1",
        "--service",
        &service_at,
        "--queue",
        text(&queue),
    ];
    let connector = Connector::start(&arguments, &token(&app.instrument));
    connector.says("listening to", 1).await;
    for value in 1..=5 {
        balance.prints(format!("OK NET 0.100{value} g\r\n").as_bytes());
    }
    connector.says("taken 0.1005", 1).await;
    connector.says("waiting: the service cannot be reached", 1).await;
    // A second one would send what the first has answered for.
    let second = program(&arguments, &token(&app.instrument)).output().unwrap();
    assert!(!second.status.success());
    let words = String::from_utf8_lossy(&second.stderr).into_owned();
    assert!(words.contains("another connector already uses"), "{words}");

    // Killed between taking and sending; what it has is on disk.
    let _ = connector.kill();
    let look = program(&["--look", "--queue", text(&queue)], "").output().unwrap();
    let look = String::from_utf8(look.stdout).unwrap();
    assert!(look.starts_with("0 sent, 5 waiting, 0 refused\n"), "{look}");
    let connector = Connector::start(&arguments, &token(&app.instrument));
    connector.says("listening to", 1).await;
    balance.prints(b"OK NET 0.1006 g\r\n");
    let first = service(&app, at);
    let expected = ["0.1001", "0.1002", "0.1003", "0.1004", "0.1005", "0.1006"];
    assert_eq!(has(&app, 6).await, expected);
    connector.says("sent ", 6).await;

    // The service goes and comes back.
    drop(first);
    balance.prints(b"OK NET 0.1007 g\r\n");
    connector.says("taken 0.1007", 1).await;
    let _again = service(&app, at);
    assert_eq!(has(&app, 7).await[6..], ["0.1007"]);
    connector.says("sent ", 7).await;

    // What the service answered is lost, as by a crash in between: all are sent again, and none is there twice.
    let _ = connector.kill();
    std::fs::remove_file(queue.join("outcomes")).unwrap();
    let connector = Connector::start(&arguments, &token(&app.instrument));
    connector.says("sent ", 7).await;
    assert_eq!(values(&app).await.len(), 7);
}

#[tokio::test(flavor = "multi_thread")]
async fn files_in_a_folder_are_read_line_by_line_and_none_twice() {
    let (app, folder) = (laboratory().await, Folder::new());
    let (watched, queue, service) = (folder.at("results"), folder.at("queue"), address(&app));
    std::fs::create_dir(&watched).unwrap();
    std::fs::write(watched.join("old.txt"), "OK NET 0.1000 g\n").unwrap();
    let arguments = [
        "--folder",
        text(&watched),
        "--pattern",
        PATTERN,
        "--unit",
        "g",
        "--equipment",
        "BAL-1",
        "--service",
        &service,
        "--queue",
        text(&queue),
    ];
    let connector = Connector::start(&arguments, &token(&app.instrument));
    connector.says("watching", 1).await;
    std::fs::write(watched.join("1.txt"), "OK NET 0.2000 g\r\nOK NET 0.30").unwrap();
    assert_eq!(has(&app, 1).await, ["0.2000"]);
    std::fs::write(watched.join("1.txt"), "OK NET 0.2000 g\r\nOK NET 0.3000 g\r\n?? NET 0.4000 g\r\n").unwrap();
    std::fs::write(watched.join("2.txt"), "OK NET 0.2000 g\n").unwrap();
    assert_eq!(has(&app, 3).await, ["0.2000", "0.3000", "0.2000"]);
    connector.says("sent ", 3).await;
    // Killed, and what it remembers of the files lost: the lines are known.
    let _ = connector.kill();
    std::fs::remove_file(queue.join("files")).unwrap();
    let mut again = arguments.to_vec();
    again.push("--all");
    let _connector = Connector::start(&again, &token(&app.instrument));
    std::fs::write(watched.join("3.txt"), "OK NET 0.5000 g\n").unwrap();
    let mut found = has(&app, 5).await;
    found.sort();
    assert_eq!(found, ["0.1000", "0.2000", "0.2000", "0.3000", "0.5000"]);
}

#[test]
fn a_preview_shows_what_would_become_of_each_line_and_keeps_nothing() {
    let folder = Folder::new();
    let lines = folder.at("lines");
    std::fs::write(&lines, b"OK NET +   0.4903 g\r\n?? NET 0.4911 g\r\nOK NET 490.3 mg\r\nzero\r\nOK NET 0,5 g")
        .unwrap();
    let preview = ["--preview", "--lines", text(&lines), "--pattern", PATTERN, "--unit", "g"];
    let shown = program(&preview, "").output().unwrap();
    assert!(shown.status.success());
    let expected = "taken      0.4903 g  |OK NET +   0.4903 g|\n\
                    not taken  not stable  |?? NET 0.4911 g|\n\
                    not taken  its unit is mg, not g  |OK NET 490.3 mg|\n\
                    not taken  not as the pattern says  |zero|\n\
                    taken      0.5 g  |OK NET 0,5 g|\n";
    assert_eq!(String::from_utf8(shown.stdout).unwrap(), expected);
    assert_eq!(std::fs::read_dir(&folder.0).unwrap().count(), 1);
}
