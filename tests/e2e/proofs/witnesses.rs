//! Witnesses: our program, and one made of a library that nobody here wrote.

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use ferrotitre_base::db::Db;
use ferrotitre_check::bundle::{Against, Bundle};
use ferrotitre_check::note::{KeyKind, NamedKey, Note};
use ferrotitre_check::witness::Request;
use ferrotitre_core::merkle::{Hash, consistency_proof};
use ferrotitre_ledger::audit::verify::{self, Against as Store};
use ferrotitre_ledger::audit::witnesses::{self, http::Http};
use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench;
use ferrotitre_tests::cluster::{DatabaseRole, until};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};
use uuid::Uuid;

use super::{brought, log_key};

struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        Self(std::env::temp_dir().join(format!("ferrotitre-witness-{}", Uuid::now_v7().simple())))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// A witness in a process of its own.
struct Witness {
    child: Child,
    key: NamedKey,
    address: String,
}

impl Witness {
    fn start(keep: &Path, log: &NamedKey) -> Self {
        Self::start_with(keep, log, &[])
    }

    fn start_with(keep: &Path, log: &NamedKey, more: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"))
            .args(["witness", "--listen", "127.0.0.1:0", "--name", "auditor.example/w1", "--keep"])
            .arg(keep)
            .args(["--log", &log.text()])
            .args(more)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let words: Vec<&str> = line.split_whitespace().collect();
        let ["witness", key, address] = words.as_slice() else { panic!("the witness did not come up: {line}") };
        // It has said where it listens before it serves; a signal before that would end it without a word.
        let started = std::time::Instant::now();
        let (_, socket) = address.split_once("://").unwrap();
        while std::net::TcpStream::connect(socket).is_err() || started.elapsed().as_millis() < 300 {
            assert!(started.elapsed().as_secs() < 20, "the witness does not listen");
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        Self { child, key: NamedKey::read(key).unwrap(), address: (*address).to_owned() }
    }

    /// Stops it; its exit code.
    fn stop(mut self) -> i32 {
        kill(Pid::from_raw(i32::try_from(self.child.id()).unwrap()), Signal::SIGTERM).unwrap();
        self.child.wait().unwrap().code().unwrap_or(-1)
    }
}

impl Drop for Witness {
    fn drop(&mut self) {
        // Only where a test failed half-way.
        if let Ok(None) = self.child.try_wait() {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}

async fn policy(app: &TestApp, key: &NamedKey, address: &str) {
    let policy = json!({
        "witnesses": [format!("{} {address}", key.text())], "needed": 1, "within_hours": 24,
        "reason": "the auditor's laptop countersigns",
    });
    let _ = app.manager.post("/audit-tree/witness-policies", &policy).await.expect(201);
}

/// Waits until the newest head is countersigned by this key; the note.
async fn countersigned(app: &TestApp, key: &NamedKey) -> String {
    app.sealed().await;
    let keys = [key.clone()];
    until("the newest head is countersigned", async || {
        let note = app.auditor.get("/audit-tree/checkpoint").await.text;
        Note::read(&note).ok()?.signed_by(&keys).ok()?;
        Some(note)
    })
    .await
}

async fn leaves(app: &TestApp) -> Vec<Hash> {
    let sql = app.sql(DatabaseRole::Superuser).await;
    let rows = sql.query("SELECT leaf_hash FROM audit_leaves ORDER BY leaf_index", &[]).await.unwrap();
    rows.iter().map(|row| row.get::<_, Vec<u8>>(0).try_into().unwrap()).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn heads_are_countersigned_printed_bundled_and_verified() {
    let app = TestApp::start().await;
    let (folder, log) = (Folder::new(), log_key(&app.nobody).await);
    let witness = Witness::start(&folder.0, &log);
    policy(&app, &witness.key, &witness.address).await;
    let _ = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    countersigned(&app, &witness.key).await;
    let _ = app.analyst.post("/samples", &bench::sample("S-2")).await.expect(201);
    let note = countersigned(&app, &witness.key).await;
    // The library that nobody here wrote passes over the line of a kind it does not know, and checks the log's.
    let verifier = signed_note::StandardVerifier::new(&log.text()).unwrap();
    let read = signed_note::Note::from_bytes(note.as_bytes()).unwrap();
    let (verified, others) = read.verify(&signed_note::VerifierList::new(vec![Box::new(verifier)])).unwrap();
    assert_eq!((verified.len(), others.len()), (1, 1));
    // A bundle carries it; the auditor brings the witness's key, too.
    let file = app.auditor.get("/exports/period-bundle?from=2020-01-01T00:00:00Z&until=2100-01-01T00:00:00Z").await;
    assert_eq!(file.status, 200, "{}", file.text);
    let (key, keys) = (brought(&log), [witness.key.clone()]);
    let found = Bundle::check(&file.bytes, &Against { key: &key, witnesses: &keys, needed: 1 }).unwrap().text();
    assert!(found.contains("witness auditor.example/w1, whose key you brought, countersigned"), "{found}");
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let (remembered, public) = (app.memory.read().unwrap(), app.shared.seal_key.public());
    let against = Store { key: &public, remembered: remembered.as_ref(), kept: &[] };
    let report = verify::check(&connection, against).await.unwrap();
    assert_eq!(report.findings, Vec::<String>::new());
    assert!(report.checkpoints.1 >= 2, "{report:?}");
    let metrics = app.nobody.get("/metrics").await.text;
    assert!(metrics.contains("ferrotitre_audit_countersigned_seconds"), "{metrics}");
    // A countersignature that somebody made up is named.
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute(
        "SET session_replication_role = replica; UPDATE audit_cosignatures SET line = \
         (SELECT line FROM audit_cosignatures ORDER BY tree_size LIMIT 1)",
    )
    .await
    .unwrap();
    let report = verify::check(&connection, against).await.unwrap();
    assert!(
        report.findings.iter().any(|finding| finding.contains("a countersignature on the checkpoint")),
        "{report:?}"
    );
    assert_eq!(witness.stop(), 0, "no evidence");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_witness_remembers_across_restarts_and_keeps_the_evidence_of_a_fork() {
    let app = TestApp::start().await;
    let (folder, log) = (Folder::new(), log_key(&app.nobody).await);
    let first = Witness::start(&folder.0, &log);
    policy(&app, &first.key, &first.address).await;
    let note = countersigned(&app, &first.key).await;
    let size = u64::try_from(leaves(&app).await.len()).unwrap();
    let known = first.key.clone();
    assert_eq!(first.stop(), 0);
    let second = Witness::start(&folder.0, &log);
    assert_eq!(second.key, known, "the same key");
    let http = reqwest::Client::builder().no_proxy().build().unwrap();
    let send = async |request: &Request| {
        let answer =
            http.post(format!("{}/add-checkpoint", second.address)).body(request.print()).send().await.unwrap();
        (answer.status().as_u16(), answer.text().await.unwrap())
    };
    let log_note = note.split_inclusive('\n').take(5).collect::<String>();
    assert_eq!(send(&Request { old: 0, proof: Vec::new(), note: log_note.clone() }).await, (409, format!("{size}\n")));
    // The same head again is countersigned again.
    let again = send(&Request { old: size, proof: Vec::new(), note: log_note }).await;
    assert_eq!(again.0, 200, "{}", again.1);
    // Whoever holds database and key signs a rewritten log: a bundle of it would hold, the witness's line is missing.
    let mut forked = leaves(&app).await;
    forked[1] = [7; 32];
    forked.push([8; 32]);
    let text = ferrotitre_check::note::Checkpoint {
        origin: log.name.clone(),
        size: forked.len() as u64,
        root: ferrotitre_core::merkle::root(&forked),
    }
    .text();
    let line = ferrotitre_check::note::SignatureLine::by(&log, &app.shared.seal_key.sign(&text));
    let fork = Note { text, signatures: vec![line] }.print();
    let request = Request { old: size, proof: consistency_proof(&forked, size).unwrap(), note: fork };
    assert_eq!(send(&request).await.0, 422);
    let metrics = http.get(format!("{}/metrics", second.address)).send().await.unwrap().text().await.unwrap();
    assert!(metrics.contains("ferrotitre_witness_evidence{kind=\"fork\"} 1"), "{metrics}");
    // Another witness over the same folder would not know what this one signs.
    let beside = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"))
        .args(["witness", "--listen", "127.0.0.1:0", "--log", &log.text(), "--keep"])
        .arg(&folder.0)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&beside.stderr).into_owned();
    assert!(!beside.status.success() && said.contains("another witness already keeps"), "{said}");
    assert_eq!(second.stop(), 3, "evidence of a fork");
    let look = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"))
        .args(["witness", "--look", "--keep"])
        .arg(&folder.0)
        .output()
        .unwrap();
    assert_eq!(look.status.code(), Some(3), "{}", String::from_utf8_lossy(&look.stdout));
    let kept = std::fs::read_dir(folder.0.join("evidence")).unwrap().next().unwrap().unwrap();
    let page = std::fs::read_to_string(kept.path()).unwrap();
    assert!(page.contains(&request.note) && page.contains("countersigned before:"), "{page}");
}

/// A line cut off by a crash was never answered; any other that cannot be read must not make a witness forget what it signed.
#[tokio::test(flavor = "multi_thread")]
async fn a_history_that_was_altered_stops_the_witness_and_a_cut_line_does_not() {
    let app = TestApp::start().await;
    let (folder, log) = (Folder::new(), log_key(&app.nobody).await);
    let first = Witness::start(&folder.0, &log);
    policy(&app, &first.key, &first.address).await;
    countersigned(&app, &first.key).await;
    let _ = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    countersigned(&app, &first.key).await;
    assert_eq!(first.stop(), 0);
    let path = std::fs::read_dir(&folder.0).unwrap().map(|entry| entry.unwrap().path());
    let path = path.into_iter().find(|path| path.extension().is_some_and(|end| end == "history")).unwrap();
    let whole = std::fs::read_to_string(&path).unwrap();
    let cut = format!("{whole}\n99999 AB");
    std::fs::write(&path, &cut).unwrap();
    // Looking takes nothing away: another witness may be writing that very line.
    let look = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"))
        .args(["witness", "--look", "--log", &log.text(), "--keep"])
        .arg(&folder.0)
        .output()
        .unwrap();
    assert_eq!(look.status.code(), Some(0), "{}", String::from_utf8_lossy(&look.stderr));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), cut);
    assert_eq!(Witness::start(&folder.0, &log).stop(), 0);
    assert!(!std::fs::read_to_string(&path).unwrap().contains("99999"));
    let started = |with: &str| {
        std::fs::write(&path, with).unwrap();
        let output = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"))
            .args(["witness", "--listen", "127.0.0.1:0", "--log", &log.text(), "--keep"])
            .arg(&folder.0)
            .output()
            .unwrap();
        (output.status.success(), String::from_utf8_lossy(&output.stderr).into_owned())
    };
    let (success, said) = started(&whole.replacen(' ', ";", 1));
    assert!(!success && said.contains("was altered"), "{said}");
    // A folder that is none of a witness is not made into one by looking.
    let nowhere = Folder::new();
    let look = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"))
        .args(["witness", "--look", "--keep"])
        .arg(&nowhere.0)
        .output()
        .unwrap();
    assert_eq!(look.status.code(), Some(1), "{}", String::from_utf8_lossy(&look.stderr));
    assert!(!nowhere.0.exists());
}

/// RFC 9110, 4.3.4 (from memory): who speaks https checks that the certificate is of somebody it trusts, for the name it asked for.
#[tokio::test(flavor = "multi_thread")]
async fn a_witness_under_tls_is_asked_only_where_its_authority_is_known() {
    let app = TestApp::start().await;
    let (folder, log) = (Folder::new(), log_key(&app.nobody).await);
    let witness = Witness::start_with(&folder.0, &log, &["--tls"]);
    assert!(witness.address.starts_with("https://127.0.0.1:"), "{}", witness.address);
    policy(&app, &witness.key, &witness.address).await;
    let add = format!("{}/add-checkpoint", witness.address);
    // The service that knows no authority of it, as the application of this test does, does not get as far as a request.
    let stranger = Http::trusting(None).unwrap();
    let why = stranger.post(&add, String::new()).await.unwrap_err().to_string();
    assert!(why.contains("invalid peer certificate: UnknownIssuer"), "{why}");
    let authority = folder.0.join("tls/authority.pem");
    let known = Http::trusting(Some(&authority)).unwrap();
    assert_eq!(known.post(&add, String::new()).await.unwrap().0, 400, "it is reached, and that is no request");
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let db = Db::for_worker(&app.shared.address(DatabaseRole::Service, &app.database)).unwrap();
    let working = async {
        let note = countersigned(&app, &witness.key).await;
        stop.send(true).unwrap();
        note
    };
    let (note, ()) = tokio::join!(working, witnesses::run(db, known, stopped));
    assert!(note.contains("auditor.example/w1"), "{note}");
    // Its name is in the certificate, too; a file that is none; an address that is neither.
    let port = witness.address.rsplit(':').next().unwrap();
    let other = Http::trusting(Some(&authority)).unwrap();
    assert!(other.post(&format!("https://localhost:{port}/add-checkpoint"), String::new()).await.is_ok());
    for (name, text) in [("none.pem", None), ("empty.pem", Some("")), ("key.pem", Some("not a certificate"))] {
        let file = folder.0.join(name);
        if let Some(text) = text {
            std::fs::write(&file, text).unwrap();
        }
        let why = Http::trusting(Some(&file)).unwrap_err().to_string();
        assert!(why.contains("--witness-roots") && why.contains(name), "{why}");
    }
    let odd = json!({
        "witnesses": [format!("{} ftp://127.0.0.1", witness.key.text())], "needed": 0, "within_hours": 24, "reason": "odd",
    });
    let refused = app.manager.post("/audit-tree/witness-policies", &odd).await;
    assert_eq!(refused.status, 422);
    assert!(refused.text.contains("begins with http:// or https://"), "{}", refused.text);
    assert_eq!(witness.stop(), 0, "no evidence");
}

/// Two processes over one store: the one that comes late with an older head would accuse an honest laboratory.
#[tokio::test(flavor = "multi_thread")]
async fn two_processes_over_one_store_leave_no_evidence_with_the_witness() {
    let app = TestApp::start().await;
    let (folder, log) = (Folder::new(), log_key(&app.nobody).await);
    let witness = Witness::start(&folder.0, &log);
    policy(&app, &witness.key, &witness.address).await;
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let beside = || {
        let db = Db::for_worker(&app.shared.address(DatabaseRole::Service, &app.database)).unwrap();
        witnesses::run(db, Http::trusting(None).unwrap(), stopped.clone())
    };
    let working = async {
        for at in 0..6 {
            let _ = app.analyst.post("/samples", &bench::sample(&format!("S-{at}"))).await.expect(201);
            countersigned(&app, &witness.key).await;
        }
        stop.send(true).unwrap();
    };
    tokio::join!(beside(), beside(), beside(), working);
    assert_eq!(witness.stop(), 0, "no evidence");
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_waits_for_a_witness_and_its_silence_is_an_alert() {
    let app = TestApp::start().await;
    let (folder, log) = (Folder::new(), log_key(&app.nobody).await);
    let witness = Witness::start(&folder.0, &log);
    let key = witness.key.clone();
    assert_eq!(witness.stop(), 0);
    // One that takes the request and never answers: the asking waits for its ten seconds.
    let silent = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let asked = silent.try_clone().unwrap();
    policy(&app, &key, &format!("http://{}", silent.local_addr().unwrap())).await;
    let _ = app.analyst.post("/samples", &bench::sample("S-0")).await.expect(201);
    let (_kept_open, _) = tokio::task::spawn_blocking(move || asked.accept().unwrap()).await.unwrap();
    let started = std::time::Instant::now();
    let _ = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    app.sealed().await;
    assert!(started.elapsed() < std::time::Duration::from_secs(8), "as long as the witness is waited for");
    let alert = async || -> Option<Value> {
        let alerts = app.auditor.get("/alerts").await.expect(200);
        let items = alerts["items"].as_array().unwrap().iter();
        items.clone().find(|alert| alert["kind"] == "audit log not countersigned").cloned()
    };
    assert_eq!(alert().await, None, "not yet");
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute(
        "SET session_replication_role = replica; UPDATE witness_policies SET recorded_at = recorded_at - interval '2 days'",
    )
    .await
    .unwrap();
    let found = alert().await.unwrap();
    assert!(found["message"].as_str().unwrap().contains("must countersign"), "{found}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_decision_that_nobody_could_carry_out_is_refused_field_by_field() {
    let app = TestApp::start().await;
    let log = log_key(&app.nobody).await;
    let decide = async |witnesses: Value, needed: i32| {
        let policy = json!({ "witnesses": witnesses, "needed": needed, "within_hours": 24, "reason": "as agreed" });
        app.manager.post("/audit-tree/witness-policies", &policy).await.refused(422, "invalid_input")
    };
    let own = decide(json!([format!("{} http://127.0.0.1:1", log.text())]), 0).await;
    assert!(own["errors"][0]["message"].as_str().unwrap().contains("not the key of a witness"), "{own}");
    let none = decide(json!([]), 1).await;
    assert_eq!(none["errors"][0]["field"], "needed");
    let key = NamedKey { name: "auditor.example/w1".to_owned(), kind: KeyKind::Cosignature, key: log.key };
    let other = NamedKey { name: "auditor.example/w2".to_owned(), ..key.clone() };
    let both = [&key, &other].map(|key| format!("{} http://127.0.0.1:1", key.text()));
    let twice = decide(json!(both), 2).await;
    assert!(twice["errors"][0]["message"].as_str().unwrap().contains("the key of another line"), "{twice}");
    let words = decide(json!(["the auditor"]), 0).await;
    assert_eq!(words["errors"][0]["field"], "witnesses[0]");
    let policy = json!({ "witnesses": [], "needed": 0, "within_hours": 24, "reason": "as agreed" });
    for client in [&app.analyst, &app.auditor, &app.administrator] {
        client.post("/audit-tree/witness-policies", &policy).await.refused(403, "forbidden");
    }
    let _ = app.manager.post("/audit-tree/witness-policies", &policy).await.expect(201);
    let decided = app.auditor.get("/audit-tree/witness-policies").await.expect(200);
    assert_eq!(decided[0]["reason"], "as agreed");
}
