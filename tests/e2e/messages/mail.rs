//! E-mail through a real mail server.

use std::path::PathBuf;

use chrono::{Duration, NaiveDate, Timelike as _, Utc};
use ferrotitre_base::alert::Urgency;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::zone;
use ferrotitre_messages::look;
use ferrotitre_tests::app::Running;
use ferrotitre_tests::bench::{calibration, day, equipment, install};
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::DatabaseRole;
use ferrotitre_tests::mail::{MailServer, free_port};
use serde_json::json;
use uuid::Uuid;

use super::posts::{Mode, Receiver};
use super::{World, alert, choose, endpoint, settings};

/// A certificate for this machine, with its key, in files.
struct Pair {
    folder: PathBuf,
}

impl Pair {
    fn make() -> Self {
        let folder = std::env::temp_dir().join(format!("ferrotitre-mail-{}", Uuid::now_v7().simple()));
        std::fs::create_dir_all(&folder).unwrap();
        let names = ["localhost".to_owned(), "127.0.0.1".to_owned()];
        let made = rcgen::generate_simple_self_signed(names).unwrap();
        std::fs::write(folder.join("certificate.pem"), made.cert.pem()).unwrap();
        std::fs::write(folder.join("key.pem"), made.signing_key.serialize_pem()).unwrap();
        Self { folder }
    }

    fn file(&self, name: &str) -> String {
        self.folder.join(name).display().to_string()
    }
}

impl Drop for Pair {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_presses_is_told_once_over_starttls_with_a_password_and_again_only_when_it_begins_anew() {
    let pair = Pair::make();
    let world = World::trusting(Some(&pair.folder.join("certificate.pem"))).await;
    let app = &world.app;
    let (certificate, key) = (pair.file("certificate.pem"), pair.file("key.pem"));
    let arguments =
        ["--certificate", &certificate, "--key", &key, "--user", "iron", "--password", "the mail server's own"];
    let server = MailServer::start(free_port(), &arguments);
    let mut with_password = settings(server.port);
    with_password["encryption"] = json!("STARTTLS");
    with_password["user_name"] = json!("iron");
    with_password["password"] = json!("the mail server's own");
    world.settle(&with_password).await;
    choose(&app.analyst, true, None).await;
    choose(&app.manager, false, None).await;
    let now = Utc::now();
    world.look(now).await;
    assert_eq!(world.messages("").await.len(), 0, "nothing needs attention");

    let mut ended = calibration(None, "0.015");
    ended["due_on"] = json!(day(-1));
    let id = install(app, &equipment("B-09", "burette", "50.00", Some("0.02")), &ended).await;
    world.look(now).await;
    world.look(now + Duration::minutes(5)).await;
    let letter = server.taken(1).await.remove(0);
    assert_eq!(letter["to"], json!(["analyst-1@harbour.example"]));
    assert_eq!(letter["from"], "iron@harbour.example");
    assert_eq!(letter["sender"], "Iron laboratory <iron@harbour.example>");
    assert_eq!(letter["subject"], "ferrotitre: B-09: calibration overdue");
    assert_eq!((&letter["encrypted"], &letter["signed_in"]), (&json!(true), &json!(true)));
    assert_eq!(letter["automatic"], "auto-generated");
    let text = letter["text"].as_str().unwrap();
    let link = format!("https://iron.harbour.example:8420/equipment/{id}\n");
    let stop = "Change or stop it: https://iron.harbour.example:8420/account/messages\n";
    for part in ["the calibration of B-09", &link, "You get this because you chose", "(analyst-1)", stop] {
        assert!(text.contains(part), "no {part} in {text}");
    }
    let message = world.messages("").await.remove(0);
    assert_eq!((&message["state"], &message["tries"]), (&json!("delivered"), &json!(1)), "{message}");
    assert_eq!(message["answer"], "250 2.0.0 taken");
    let id_of = format!("<{}@harbour.example>", message["id"].as_str().unwrap());
    assert_eq!(letter["id"], json!(id_of));

    // It ends without a word; the same begins anew.
    world.sees(now + Duration::minutes(10), &[]).await;
    world.look(now + Duration::minutes(15)).await;
    let letters = server.taken(2).await;
    assert_eq!(letters[0]["text"], letters[1]["text"]);
    assert_ne!(letters[0]["id"], letters[1]["id"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_test_message_says_what_the_mail_server_answered_whatever_is_wrong() {
    let pair = Pair::make();
    let mut world = World::start().await;
    let (certificate, key) = (pair.file("certificate.pem"), pair.file("key.pem"));
    let arguments = ["--certificate", &certificate, "--key", &key, "--tls", "--user", "iron", "--password", "right"];
    let server = MailServer::start(free_port(), &arguments);
    let test = json!({ "address": "administrator@harbour.example" });
    let none = world.app.administrator.post("/mail-settings/tests", &test).await;
    none.refused(409, "state_conflict");
    // The same service, knowing the authority of the mail server.
    let (shared, database) = (world.app.shared, world.app.database.clone());
    let store = shared.address(DatabaseRole::Service, &database);
    let roots = pair.folder.join("certificate.pem");
    world.app.running = Running::start_as(&store, &shared.data, (&shared.seal_key, &world.app.memory), |set| {
        set.message_roots = Some(roots);
    });
    let there = |old: &Client| {
        world.app.running.nobody().with_account(old.id, &old.code, &old.password).with_token(old.token())
    };
    let (administrator, analyst) = (there(&world.app.administrator), there(&world.app.analyst));
    let try_it = async |change: serde_json::Value, address: &str| {
        let mut all = settings(server.port);
        all["host"] = json!("localhost");
        all["encryption"] = json!("TLS");
        for (name, value) in change.as_object().unwrap() {
            all[name] = value.clone();
        }
        let _ = administrator.post("/mail-settings", &all).await.expect(201);
        let test = json!({ "address": address });
        let told = administrator.post("/mail-settings/tests", &test).await.expect(201);
        (told["state"].as_str().unwrap().to_owned(), told["answer"].as_str().unwrap().to_owned())
    };
    let right = json!({ "user_name": "iron", "password": "right" });
    let here = "administrator@harbour.example";
    assert_eq!(try_it(right.clone(), here).await, ("delivered".to_owned(), "250 2.0.0 taken".to_owned()));
    let letter = server.taken(1).await.remove(0);
    assert!(letter["text"].as_str().unwrap().contains("tries the settings"), "{letter}");
    let (state, answer) = try_it(json!({ "user_name": "iron", "password": "wrong" }), here).await;
    assert!(state == "given up" && answer.contains("535"), "{state} {answer}");
    let (state, answer) = try_it(right.clone(), "refused@harbour.example").await;
    assert!(state == "given up" && answer.contains("550") && answer.contains("no such mailbox"), "{state} {answer}");
    let (state, answer) = try_it(json!({ "port": free_port() }), here).await;
    assert!(state == "given up" && answer.contains("refused"), "{state} {answer}");
    // The courier of this test was given no authority.
    choose(&analyst, true, None).await;
    let _ = try_it(right, here).await;
    world.sees(Utc::now(), &[alert("B-1", Urgency::Now)]).await;
    let waiting = administrator.get("/messages?state=waiting").await.expect(200);
    let answer = waiting["items"][0]["answer"].as_str().unwrap().to_owned();
    assert!(answer.contains("UnknownIssuer") || answer.contains("certificate"), "{answer}");
    server.taken(2).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_digest_comes_once_a_day_at_its_hour_by_the_clock_of_the_laboratory() {
    let world = World::start().await;
    let server = MailServer::start(free_port(), &[]);
    world.settle(&settings(server.port)).await;
    let told = [alert("B-1", Urgency::Soon), alert("B-2", Urgency::Now)];
    // Chosen for an hour that has come: today's is over.
    let now = Utc::now();
    let hour = zone::local(now).hour();
    choose(&world.app.analyst, false, Some(hour)).await;
    world.sees(now, &told).await;
    server.taken(0).await;
    let today = zone::local(now).date_naive();
    let at = |days: u64, hour: u32, minute: u32| {
        let day: NaiveDate = today.checked_add_days(chrono::Days::new(days)).unwrap();
        zone::moment(day.and_hms_opt(hour, minute, 0).unwrap()).unwrap()
    };
    choose(&world.app.analyst, false, Some(7)).await;
    world.sees(at(2, 6, 59), &told).await;
    server.taken(0).await;
    for (hour, minute) in [(7, 0), (7, 30), (23, 59)] {
        world.sees(at(2, hour, minute), &told).await;
    }
    server.taken(1).await;
    // Away at seven on the third day, back at noon.
    world.sees(at(3, 12, 0), &[]).await;
    world.sees(at(3, 12, 1), &told).await;
    let letters = server.taken(2).await;
    let subject = |at: usize| letters[at]["subject"].as_str().unwrap().to_owned();
    let day = |after: u64| today.checked_add_days(chrono::Days::new(after)).unwrap().format("%-d %b %Y").to_string();
    assert_eq!(subject(0), format!("ferrotitre, {}: 1 now, 1 soon", day(2)));
    assert_eq!(subject(1), format!("ferrotitre, {}: nothing needs attention", day(3)));
    let text = letters[0]["text"].as_str().unwrap();
    let (now_at, soon_at) = (text.find("Needs attention now").unwrap(), text.find("Needs attention soon").unwrap());
    assert!(now_at < text.find("B-2").unwrap() && text.find("B-2").unwrap() < soon_at, "{text}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_mail_server_that_is_away_for_an_hour_gets_everything_once_when_it_is_back() {
    let world = World::start().await;
    let port = free_port();
    world.settle(&settings(port)).await;
    choose(&world.app.analyst, true, None).await;
    choose(&world.app.manager, true, None).await;
    let begin = Utc::now() - Duration::minutes(70);
    let mut told = Vec::new();
    for minute in 0..=60 {
        if minute % 20 == 0 {
            told.push(alert(&format!("B-{minute}"), Urgency::Now));
        }
        world.sees(begin + Duration::minutes(minute), &told).await;
    }
    let waiting = world.messages("?state=waiting").await;
    assert_eq!(waiting.len(), 8, "two people, four alerts: {waiting:#?}");
    for one in &waiting {
        let tries = one["tries"].as_i64().unwrap();
        assert!(tries <= 9, "it is tried less and less often: {one}");
        assert!(tries == 0 || one["answer"].as_str().unwrap().contains("refused"), "{one}");
    }
    let alerts = world.app.manager.get("/alerts").await.expect(200).to_string();
    assert!(alerts.contains("8 messages cannot be delivered: e-mail"), "{alerts}");
    let server = MailServer::start(port, &[]);
    world.sees(begin + Duration::minutes(130), &told).await;
    world.sees(begin + Duration::minutes(131), &told).await;
    let mut ids: Vec<String> =
        server.taken(8).await.iter().map(|letter| letter["id"].as_str().unwrap().to_owned()).collect();
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), 8, "each once");
    assert_eq!(world.messages("?state=delivered").await.len(), 8);
    assert_eq!(world.messages("?state=waiting").await.len(), 0);
    let alerts = world.app.manager.get("/alerts").await.expect(200).to_string();
    assert!(!alerts.contains("cannot be delivered"), "{alerts}");
}

#[tokio::test(flavor = "multi_thread")]
async fn who_no_longer_may_or_wants_is_no_longer_told() {
    let world = World::start().await;
    let server = MailServer::start(free_port(), &[]);
    world.settle(&settings(server.port)).await;
    let now = Utc::now();
    for who in [&world.app.analyst, &world.app.analyst2, &world.app.manager, &world.app.auditor] {
        choose(who, true, None).await;
    }
    // One is locked, one chooses otherwise, the domain of one is no longer allowed.
    let locked = format!("/accounts/{}/moves", world.app.analyst2.id);
    let lock = json!({ "to": "locked", "reason": "away for a year" });
    let _ = world.app.administrator.post(&locked, &lock).await.expect(201);
    let off = json!({ "at_once": false });
    let _ = world.app.manager.post("/accounts/me/messages", &off).await.expect(201);
    world.sees(now, &[alert("B-1", Urgency::Now)]).await;
    let mut to: Vec<String> =
        server.taken(2).await.iter().map(|letter| letter["to"][0].as_str().unwrap().to_owned()).collect();
    to.sort();
    assert_eq!(to, ["analyst-1@harbour.example", "auditor-1@harbour.example"]);
    let mut narrower = settings(server.port);
    narrower["domains"] = json!(["elsewhere.example"]);
    world.settle(&narrower).await;
    world.sees(now, &[alert("B-1", Urgency::Now), alert("B-2", Urgency::Now)]).await;
    server.taken(2).await;
    // Turned off: nothing is made any more, and what waits is given up.
    world.settle(&settings(free_port())).await;
    world.sees(now, &[alert("B-3", Urgency::Now)]).await;
    assert_eq!(world.messages("?state=waiting").await.len(), 2);
    let mut off = settings(server.port);
    off["active"] = json!(false);
    world.settle(&off).await;
    world.sees(now + Duration::hours(1), &[alert("B-4", Urgency::Now)]).await;
    let given_up = world.messages("?state=given%20up").await;
    assert_eq!(given_up.len(), 2, "{given_up:#?}");
    assert!(given_up.iter().all(|one| one["answer"] == "e-mail was turned off"), "{given_up:#?}");
    server.taken(2).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn of_two_processes_over_one_store_one_sends() {
    let world = World::start().await;
    let server = MailServer::start(free_port(), &[]);
    world.settle(&settings(server.port)).await;
    choose(&world.app.analyst, true, None).await;
    let other = world.app.sql(DatabaseRole::Service).await;
    other.batch_execute("SELECT pg_advisory_lock(hashtextextended('messages', 0))").await.unwrap();
    let told = [alert("B-1", Urgency::Now)];
    let turn = look(&world.db, &world.courier, Utc::now(), async |_| Ok(told.to_vec()), &|| false).await.unwrap();
    assert!(!turn, "the other one looks");
    assert_eq!(world.messages("").await.len(), 0);
    other.batch_execute("SELECT pg_advisory_unlock(hashtextextended('messages', 0))").await.unwrap();
    world.sees(Utc::now(), &told).await;
    server.taken(1).await;
    // Whoever stops begins no further message; alerts that cannot be read end nothing.
    let more = [alert("B-1", Urgency::Now), alert("B-2", Urgency::Now)];
    let stopping = look(&world.db, &world.courier, Utc::now(), async |_| Ok(more.to_vec()), &|| true).await.unwrap();
    assert!(stopping);
    assert_eq!(world.messages("?state=waiting").await.len(), 1);
    let away = || Refusal::new(Code::StoreUnavailable, "away");
    let _ = look(&world.db, &world.courier, Utc::now(), async |_| Err(away()), &|| false).await.unwrap();
    world.sees(Utc::now(), &more).await;
    server.taken(2).await;
}

/// One that takes the connection and says nothing.
#[tokio::test(flavor = "multi_thread")]
async fn a_mail_server_that_hangs_is_left_after_a_while_and_a_program_is_told_meanwhile() {
    let world = World::start().await;
    let silent = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    world.settle(&settings(silent.local_addr().unwrap().port())).await;
    choose(&world.app.analyst, true, None).await;
    let receiver = Receiver::start(0, Mode::Status(200)).await;
    let board = endpoint("board", &receiver.address());
    let _ = world.app.administrator.post("/webhook-endpoints", &board).await.expect(201);
    world.sees(Utc::now(), &[alert("B-1", Urgency::Now)]).await;
    let found = world.messages("").await;
    let of = |kind: &str| found.iter().find(|one| one["kind"] == kind).unwrap();
    assert_eq!(of("alert began")["state"], "delivered", "{found:#?}");
    let (state, answer) = (&of("at once")["state"], of("at once")["answer"].as_str().unwrap());
    assert!(state == "waiting" && (answer.contains("no answer") || answer.contains("time")), "{found:#?}");
}
