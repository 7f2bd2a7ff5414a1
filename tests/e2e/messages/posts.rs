//! Messages to a program, which checks by itself what it gets.

use std::sync::{Arc, Mutex};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chrono::{Duration, Utc};
use ferrotitre_base::alert::Urgency;
use ferrotitre_tests::mail::free_port;
use hmac::{Hmac, KeyInit as _, Mac as _};
use serde_json::{Value, json};
use sha2::Sha256;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Barrier;

use super::{World, alert, endpoint};

/// How a receiver answers.
#[derive(Clone)]
pub(super) enum Mode {
    /// With a status and no more.
    Status(u16),
    /// With a place to go to instead.
    Redirect(String),
    /// With a body that does not end.
    Endless,
    /// Not at all.
    Hangs,
    /// Once others have been reached, too.
    Together(Arc<Barrier>),
}

/// What was posted.
#[derive(Debug, Clone)]
pub(super) struct Post {
    headers: Vec<(String, String)>,
    pub(super) body: String,
}

impl Post {
    pub(super) fn header(&self, name: &str) -> &str {
        self.headers.iter().find(|(found, _)| found == name).map_or("", |(_, value)| value.as_str())
    }

    /// Whether it is from somebody who has the secret: Standard Webhooks 1.0, written here once more.
    pub(super) fn holds(&self, secret: &str) -> bool {
        let key = STANDARD.decode(secret.strip_prefix("whsec_").unwrap()).unwrap();
        let mut code = Hmac::<Sha256>::new_from_slice(&key).unwrap();
        let signed = format!("{}.{}.{}", self.header("webhook-id"), self.header("webhook-timestamp"), self.body);
        code.update(signed.as_bytes());
        self.header("webhook-signature") == format!("v1,{}", STANDARD.encode(code.finalize().into_bytes()))
    }

    pub(super) fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap()
    }
}

async fn read(stream: &mut TcpStream) -> Option<Post> {
    let mut bytes = Vec::new();
    loop {
        let text = String::from_utf8_lossy(&bytes).into_owned();
        if let Some((head, body)) = text.split_once("\r\n\r\n") {
            let lines = head.lines().skip(1).filter_map(|line| line.split_once(": "));
            let headers: Vec<_> = lines.map(|(name, value)| (name.to_ascii_lowercase(), value.to_owned())).collect();
            let length = headers.iter().find(|(name, _)| name == "content-length").unwrap().1.parse::<usize>().unwrap();
            if body.len() >= length {
                return Some(Post { headers, body: body.to_owned() });
            }
        }
        let mut piece = [0; 4096];
        match stream.read(&mut piece).await {
            Ok(count) if count > 0 => bytes.extend(&piece[..count]),
            _ => return None,
        }
    }
}

async fn answer(mut stream: TcpStream, mode: Mode) {
    let plain = |status: u16| format!("HTTP/1.1 {status} said\r\ncontent-length: 0\r\nconnection: close\r\n\r\n");
    let head = match &mode {
        Mode::Hangs => {
            let mut byte = [0];
            // Until the other side gives up.
            let _ = stream.read(&mut byte).await;
            return;
        }
        Mode::Together(all) => {
            let _ = all.wait().await;
            plain(204)
        }
        Mode::Status(status) => plain(*status),
        Mode::Redirect(place) => {
            format!("HTTP/1.1 302 said\r\nlocation: {place}\r\ncontent-length: 0\r\nconnection: close\r\n\r\n")
        }
        Mode::Endless => "HTTP/1.1 200 said\r\ncontent-length: 1000000000000\r\n\r\n".to_owned(),
    };
    let _ = stream.write_all(head.as_bytes()).await;
    if matches!(mode, Mode::Endless) {
        while stream.write_all(&[b'x'; 65_536]).await.is_ok() {}
    }
}

/// A program that is told.
pub(super) struct Receiver {
    pub(super) port: u16,
    mode: Arc<Mutex<Mode>>,
    got: Arc<Mutex<Vec<Post>>>,
    task: tokio::task::JoinHandle<()>,
}

impl Receiver {
    pub(super) async fn start(port: u16, mode: Mode) -> Self {
        let listener = TcpListener::bind(("127.0.0.1", port)).await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let (mode, got) = (Arc::new(Mutex::new(mode)), Arc::new(Mutex::new(Vec::new())));
        let (shared, taken) = (Arc::clone(&mode), Arc::clone(&got));
        let task = tokio::spawn(async move {
            while let Ok((mut stream, _)) = listener.accept().await {
                let (shared, taken) = (Arc::clone(&shared), Arc::clone(&taken));
                tokio::spawn(async move {
                    if let Some(post) = read(&mut stream).await {
                        taken.lock().unwrap().push(post);
                        let mode = shared.lock().unwrap().clone();
                        answer(stream, mode).await;
                    }
                });
            }
        });
        Self { port, mode, got, task }
    }

    pub(super) fn address(&self) -> String {
        format!("http://127.0.0.1:{}/alerts", self.port)
    }

    pub(super) fn answers(&self, mode: Mode) {
        *self.mode.lock().unwrap() = mode;
    }

    pub(super) fn got(&self) -> Vec<Post> {
        self.got.lock().unwrap().clone()
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// Records an endpoint; its identity and secret.
async fn told(world: &World, name: &str, address: &str) -> (String, String) {
    let new = world.app.administrator.post("/webhook-endpoints", &endpoint(name, address)).await;
    assert_eq!(new.header("cache-control"), "no-store");
    let new = new.expect(201);
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    (text(&new["endpoint"]["id"]), text(&new["secret"]))
}

#[tokio::test(flavor = "multi_thread")]
async fn each_alert_that_begins_and_ends_is_posted_once_and_signed_anew_at_every_try() {
    let world = World::start().await;
    let receiver = Receiver::start(0, Mode::Status(500)).await;
    let (_, secret) = told(&world, "board", &receiver.address()).await;
    let now = Utc::now();
    world.sees(now, &[alert("B-1", Urgency::Soon)]).await;
    let waiting = world.messages("?state=waiting").await;
    assert_eq!(waiting[0]["answer"], "answered 500", "{waiting:#?}");
    world.sees(now + Duration::seconds(5), &[alert("B-1", Urgency::Soon)]).await;
    assert_eq!(receiver.got().len(), 1, "not before its time");
    receiver.answers(Mode::Status(204));
    world.sees(now + Duration::seconds(16), &[alert("B-1", Urgency::Soon)]).await;
    world.sees(now + Duration::hours(1), &[alert("B-1", Urgency::Soon)]).await;
    let got = receiver.got();
    assert_eq!(got.len(), 2, "{got:#?}");
    assert!(got.iter().all(|post| post.holds(&secret)), "{got:#?}");
    assert_eq!(got[0].header("webhook-id"), got[1].header("webhook-id"));
    assert_eq!(got[0].body, got[1].body);
    let (first, second) = (got[0].header("webhook-timestamp"), got[1].header("webhook-timestamp"));
    assert_eq!(second.parse::<i64>().unwrap() - first.parse::<i64>().unwrap(), 16);
    let began = got[1].json();
    assert_eq!((&began["type"], &began["data"]["code"]), (&json!("alert.began"), &json!("B-1")));
    assert_eq!(began["data"]["urgency"], "soon");
    assert!(began["data"]["page"].as_str().unwrap().starts_with("/equipment/"), "{began}");
    // It becomes pressing, which is another alert; then it ends.
    world.sees(now + Duration::hours(2), &[alert("B-1", Urgency::Now)]).await;
    world.sees(now + Duration::hours(3), &[]).await;
    let types: Vec<(Value, Value)> = receiver.got()[2..]
        .iter()
        .map(|post| (post.json()["type"].clone(), post.json()["data"]["urgency"].clone()))
        .collect();
    let expected = [("alert.began", "now"), ("alert.ended", "soon"), ("alert.ended", "now")];
    assert_eq!(types, expected.map(|(kind, urgency)| (json!(kind), json!(urgency))));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_receiver_that_is_away_for_an_hour_loses_nothing() {
    let world = World::start().await;
    let port = free_port();
    let (_, secret) = told(&world, "board", &format!("http://127.0.0.1:{port}/")).await;
    let begin = Utc::now();
    let mut standing = Vec::new();
    for minute in 0..=60 {
        if minute % 15 == 0 {
            standing.push(alert(&format!("B-{minute}"), Urgency::Now));
        }
        if minute == 50 {
            standing.remove(0);
        }
        world.sees(begin + Duration::minutes(minute), &standing).await;
    }
    assert_eq!(world.messages("?state=waiting").await.len(), 6);
    let receiver = Receiver::start(port, Mode::Status(200)).await;
    world.sees(begin + Duration::minutes(125), &standing).await;
    world.sees(begin + Duration::minutes(126), &standing).await;
    let got = receiver.got();
    assert!(got.len() == 6 && got.iter().all(|post| post.holds(&secret)), "{got:#?}");
    let mut ids: Vec<&str> = got.iter().map(|post| post.header("webhook-id")).collect();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), 6);
    let ended = got.iter().filter(|post| post.json()["type"] == "alert.ended").collect::<Vec<_>>();
    assert!(ended.len() == 1 && ended[0].json()["data"]["code"] == "B-0", "{ended:#?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn receivers_are_reached_beside_each_other_and_what_hangs_redirects_or_does_not_end_harms_nobody() {
    let world = World::start().await;
    // Each answers only once both have been reached.
    let both = Arc::new(Barrier::new(2));
    let first = Receiver::start(0, Mode::Together(Arc::clone(&both))).await;
    let second = Receiver::start(0, Mode::Together(both)).await;
    let _ = told(&world, "first", &first.address()).await;
    let _ = told(&world, "second", &second.address()).await;
    let now = Utc::now();
    world.sees(now, &[alert("B-1", Urgency::Now)]).await;
    let delivered = world.messages("?state=delivered").await;
    assert!(delivered.len() == 2 && delivered.iter().all(|one| one["tries"] == 1), "{delivered:#?}");
    first.answers(Mode::Hangs);
    second.answers(Mode::Endless);
    world.sees(now, &[]).await;
    let states = world.messages("").await;
    let of = |name: &str| states.iter().find(|one| one["to"] == name).unwrap();
    assert_eq!(of("first")["answer"], "it cannot be reached: no answer within 10 s", "{states:#?}");
    assert_eq!((&of("second")["state"], &of("second")["answer"]), (&json!("delivered"), &json!("answered 200")));
    // What the first redirects to is not asked.
    first.answers(Mode::Redirect(second.address()));
    let before = second.got().len();
    world.sees(now + Duration::minutes(1), &[]).await;
    assert_eq!(second.got().len(), before);
    let states = world.messages("?state=waiting").await;
    assert_eq!(states[0]["answer"], "answered 302; redirects are not followed", "{states:#?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_endpoint_that_is_ended_is_told_nothing_more_and_stays_on_record() {
    let world = World::start().await;
    let receiver = Receiver::start(0, Mode::Status(503)).await;
    let (id, _) = told(&world, "board", &receiver.address()).await;
    let again = world.app.administrator.post("/webhook-endpoints", &endpoint("board", &receiver.address())).await;
    again.refused(409, "already_exists");
    let now = Utc::now();
    world.sees(now, &[alert("B-1", Urgency::Now)]).await;
    let path = format!("/webhook-endpoints/{id}/end");
    let end = json!({ "reason": "the board was taken down" });
    let _ = world.app.administrator.post(&path, &end).await.expect(201);
    world.app.administrator.post(&path, &end).await.refused(409, "state_conflict");
    world.sees(now + Duration::hours(1), &[]).await;
    assert_eq!(receiver.got().len(), 1);
    let all = world.messages("").await;
    assert!(all.len() == 1 && all[0]["state"] == "given up", "{all:#?}");
    assert_eq!(all[0]["answer"], "the endpoint was ended");
    let message = world.app.manager.get(&format!("/messages/{}", all[0]["id"].as_str().unwrap())).await.expect(200);
    assert_eq!(message["history"].as_array().unwrap().len(), 2, "{message}");
    let listed = world.app.administrator.get("/webhook-endpoints").await.expect(200);
    assert_eq!(listed[0]["end_reason"], "the board was taken down");
    // The name is free again.
    let _ = told(&world, "board", &receiver.address()).await;
}
