//! Times on pages are the laboratory's, whatever the server's own zone is.

use std::io::{BufRead as _, BufReader};
use std::process::{Command, Stdio};

use ferrotitre_tests::app::make_usable;
use ferrotitre_tests::bench;
use ferrotitre_tests::client::Client;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::Visitor;

#[tokio::test(flavor = "multi_thread")]
async fn pages_show_and_read_times_in_the_configured_zone_and_name_it() {
    let data = std::env::temp_dir().join(format!("ferrotitre-zone-{}", uuid::Uuid::now_v7().simple()));
    std::fs::create_dir_all(&data).unwrap();
    // Nepal is 5 hours and 45 minutes ahead of UTC all year (IANA tz database, zone Asia/Kathmandu).
    let command = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"));
        command.args(arguments).env("FERROTITRE_DATA", &data).env_remove("DATABASE_URL").env("RUST_LOG", "warn");
        command.env("FERROTITRE_TIME_ZONE", "Asia/Kathmandu");
        command
    };
    let create = ["account", "create", "analyst-1", "--name", "Analyst 1", "--role", "analyst"];
    let output = command(&create).output().unwrap();
    let provisional = String::from_utf8_lossy(&output.stdout).trim().rsplit(' ').next().unwrap().to_owned();
    let serve = ["serve", "--listen", "127.0.0.1:0", "--workers", "1"];
    let mut service = command(&serve).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(service.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let url = line.split_whitespace().find(|word| word.starts_with("http://")).unwrap().to_owned();
    let nobody = Client::nobody(&url);
    let token = make_usable(&nobody, "analyst-1", &provisional, "the analyst has a long password").await;
    let analyst = nobody.with_token(&token);
    let visitor = Visitor::of(url.trim_start_matches("http://").trim_end_matches('/').parse().unwrap(), &analyst);

    let mut facts = bench::sample("S-1");
    facts["received_at"] = serde_json::json!("2026-03-01T20:30:00Z");
    let id = bench::text(&analyst.post("/samples", &facts).await.expect(201), "id");
    let page = visitor.get(&format!("/samples/{id}")).await.text;
    assert!(page.contains("2 Mar 2026 02:15"), "{page}");
    assert!(page.contains("Times are in Asia/Kathmandu, UTC+05:45."), "{page}");
    let form = visitor.get("/samples/new").await.text;
    assert!(form.contains("<span class=\"zone\">Asia/Kathmandu, UTC+05:45.</span>"), "{form}");
    let kept = bench::day(90);
    let sample = [
        ("code", "S-2"),
        ("client_reference", "bath 3, morning"),
        ("description", "green, clear"),
        ("matrix", "hydrochloric pickling bath"),
        ("received_at", "2026-03-02T02:15"),
        ("condition", "intact"),
        ("preservation", "acid as taken"),
        ("container", "glass, 250 mL"),
        ("storage", "refrigerator 2"),
        ("retained_until", kept.as_str()),
    ];
    let place = visitor.fill("/samples/new", &sample).await;
    let read = analyst.get(&place).await.expect(200);
    let received = read["versions"][0]["received_at"].as_str().or(read["received_at"].as_str()).unwrap_or_default();
    assert_eq!(received, "2026-03-01T20:30:00Z", "{read}");
    kill(Pid::from_raw(i32::try_from(service.id()).unwrap()), Signal::SIGTERM).unwrap();
    service.wait().unwrap();
    std::fs::remove_dir_all(&data).unwrap();
    let wrong = command(&["serve"]).env("FERROTITRE_TIME_ZONE", "Mars/Olympus").output().unwrap();
    assert!(!wrong.status.success() && String::from_utf8_lossy(&wrong.stderr).contains("time-zone"), "{wrong:?}");
}
