//! The program is killed between sending and noting: the message comes again, and is known by its identity.

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use ferrotitre_tests::app::{make_usable, sign_in};
use ferrotitre_tests::bench::{day, minutes_ago};
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::until;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::json;

use super::endpoint;
use super::posts::{Mode, Receiver};

fn command(data: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"));
    command.args(arguments).env("FERROTITRE_DATA", data).env_remove("DATABASE_URL").env("RUST_LOG", "warn");
    command
}

fn account(data: &Path, code: &str, role: &str) -> String {
    let output = command(data, &["account", "create", code, "--name", code, "--role", role]).output().unwrap();
    let printed = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{printed}{}", String::from_utf8_lossy(&output.stderr));
    printed.trim().rsplit(' ').next().unwrap().to_owned()
}

fn serve(data: &Path) -> (Child, Client) {
    let arguments = ["serve", "--listen", "127.0.0.1:0", "--workers", "1", "--messages-every-seconds", "1"];
    let mut child = command(data, &arguments).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let url = line.split_whitespace().find(|word| word.starts_with("http://")).map(str::to_owned);
    (child, Client::nobody(&url.unwrap_or_else(|| panic!("the service did not come up: {line}"))))
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_sent_and_not_noted_comes_again_with_the_same_identity_and_nothing_is_lost() {
    let data = std::env::temp_dir().join(format!("ferrotitre-told-{}", uuid::Uuid::now_v7().simple()));
    std::fs::create_dir_all(&data).unwrap();
    let provisional = [("manager-1", "manager"), ("administrator-1", "administrator")]
        .map(|(code, role)| (code, account(&data, code, role)));
    let (mut child, nobody) = serve(&data);
    let mut people = Vec::new();
    for (code, provisional) in &provisional {
        let token = make_usable(&nobody, code, provisional, "somebody has a long password").await;
        people.push(nobody.with_token(&token));
    }
    // It takes what comes and does not answer, so that nothing can be noted.
    let receiver = Receiver::start(0, Mode::Hangs).await;
    let new = people[1].post("/webhook-endpoints", &endpoint("board", &receiver.address())).await.expect(201);
    let secret = new["secret"].as_str().unwrap().to_owned();
    let overdue = json!({
        "source": "complaint", "severity": "minor", "title": "label unreadable", "scope": "one bottle",
        "due_on": day(0), "observed_at": minutes_ago(5),
    });
    let _ = people[0].post("/nonconformities", &overdue).await.expect(201);
    until("the receiver has it", async || (!receiver.got().is_empty()).then_some(())).await;
    kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGKILL).unwrap();
    child.wait().unwrap();
    let before = receiver.got().len();
    receiver.answers(Mode::Status(200));
    let (mut child, nobody) = serve(&data);
    until("it comes again", async || (receiver.got().len() > before).then_some(())).await;
    let token = sign_in(&nobody, "manager-1", "somebody has a long password").await;
    let manager = nobody.with_token(&token);
    let delivered = async || {
        let found = manager.get("/messages?state=delivered").await.json;
        found["items"].as_array().is_some_and(|items| items.len() == 1).then_some(found)
    };
    let found = until("it is noted", delivered).await;
    assert_eq!(found["items"][0]["tries"], 1, "what was not noted was no try: {found}");
    let got = receiver.got();
    assert!(got.iter().all(|post| post.holds(&secret)), "{got:#?}");
    assert!(got.iter().all(|post| post.header("webhook-id") == got[0].header("webhook-id")), "{got:#?}");
    assert!(got.iter().all(|post| post.body == got[0].body), "{got:#?}");
    kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGTERM).unwrap();
    assert!(child.wait().unwrap().success(), "the service stops in order");
    std::fs::remove_dir_all(&data).unwrap();
}
