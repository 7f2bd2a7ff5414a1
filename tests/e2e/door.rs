//! The door: who gets in, what a stranger can cost, and under which names.

use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::time::Duration;

use ferrotitre_tests::app::{Running, sign_in};
use ferrotitre_tests::bench::text;
use ferrotitre_tests::cluster::{DatabaseRole, until};
use ferrotitre_tests::{Client, TestApp, bench};
use jsonwebtoken::{Algorithm, EncodingKey, Header};
use reqwest::Method;
use rustls::pki_types::ServerName;
use rustls::pki_types::pem::PemObject as _;
use serde_json::json;
use sha2::{Digest, Sha256};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

const WRONG: &str = "not this one at all";

/// Signs in from another address of this machine.
async fn from(address: Ipv4Addr, app: &TestApp, account: &str, password: &str) -> reqwest::Response {
    let client = reqwest::Client::builder().no_proxy().local_address(IpAddr::V4(address)).build().unwrap();
    let url = format!("http://{}/api/v1/sessions", app.running.address);
    client.post(url).json(&json!({ "account": account, "password": password })).send().await.unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stranger_with_five_wrong_passwords_for_everybody_keeps_nobody_out() {
    let app = TestApp::start().await;
    let everybody = [&app.analyst, &app.analyst2, &app.manager, &app.manager2, &app.auditor, &app.administrator];
    for client in everybody {
        for _ in 0..5 {
            app.nobody.sign_in(&client.code, WRONG).await.refused(401, "bad_credentials");
        }
    }
    for client in everybody {
        // The sessions of before go on, and the right password signs in at once.
        let _ = client.get("/accounts/me").await.expect(200);
        sign_in(&app.nobody, &client.code, &client.password).await;
        let own = app.auditor.get(&format!("/accounts/{}", client.id)).await.expect(200);
        assert_eq!(own["state"], "active");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_guesser_waits_longer_each_time_and_the_owner_elsewhere_does_not() {
    let app = TestApp::start().await;
    let (code, password) = (app.manager.code.clone(), app.manager.password.clone());
    let mut guesses = 0;
    let waits = loop {
        let answer = app.nobody.sign_in(&code, WRONG).await;
        if answer.status == 429 {
            break answer;
        }
        guesses += 1;
        answer.refused(401, "bad_credentials");
        assert!(guesses < 50, "nothing slows the guesser down");
    };
    assert_eq!(guesses, 10);
    assert_eq!(waits.header("retry-after"), "1");
    waits.refused(429, "too_many_tries");
    // The right password is not looked at either, so that a guess in the row is told nothing.
    app.nobody.sign_in(&code, &password).await.refused(429, "too_many_tries");
    assert_eq!(from(Ipv4Addr::new(127, 0, 0, 2), &app, &code, &password).await.status(), 200);
    sign_in(&app.nobody, &app.analyst.code, &app.analyst.password).await;
    // After the wait the right one signs in.
    until("the wait is over", async || (app.nobody.sign_in(&code, &password).await.status == 200).then_some(())).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_locked_account_tells_nobody_whether_the_password_was_right() {
    let app = TestApp::start().await;
    let lock = json!({ "to": "locked", "reason": "away for three months" });
    let _ = app.administrator.post(&format!("/accounts/{}/moves", app.analyst2.id), &lock).await.expect(201);
    let mut answers = Vec::new();
    for (name, password) in [
        (&app.analyst2.code, app.analyst2.password.as_str()),
        (&app.analyst2.code, WRONG),
        (&"nobody-here".to_owned(), WRONG),
    ] {
        let mut problem = app.nobody.sign_in(name, password).await.refused(401, "bad_credentials");
        problem.as_object_mut().unwrap().remove("instance");
        answers.push(problem);
    }
    assert!(answers.iter().all(|answer| *answer == answers[0]), "{answers:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_secrets_at_signatures_slow_down_signatures_and_lock_nobody() {
    let app = TestApp::start().await;
    let change = json!({ "present": WRONG, "new": "kettle orbit fern lantern" });
    for _ in 0..10 {
        app.manager.post("/accounts/me/password", &change).await.refused(403, "secret_wrong");
    }
    app.manager.post("/accounts/me/password", &change).await.refused(429, "too_many_tries");
    let _ = app.manager.get("/accounts/me").await.expect(200);
    sign_in(&app.nobody, &app.manager.code, &app.manager.password).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_guessed_first_is_no_password() {
    let app = TestApp::start().await;
    for weak in ["            ", "password1234", "analyst-1 analyst-1"] {
        let change = json!({ "present": app.analyst.password, "new": weak });
        let problem = app.analyst.post("/accounts/me/password", &change).await.refused(422, "invalid_input");
        assert_eq!(problem["errors"][0]["rule"], "guessable", "{problem}");
        assert!(!problem.to_string().contains(weak));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn where_one_is_signed_in_is_listed_and_can_be_ended_by_its_owner_only() {
    let app = TestApp::start().await;
    let other = app.nobody.with_token(&sign_in(&app.nobody, &app.analyst.code, &app.analyst.password).await);
    let listed = other.get("/sessions").await.expect(200);
    let listed = listed.as_array().unwrap();
    let current: Vec<_> = listed.iter().filter(|session| session["current"] == true).collect();
    assert_eq!((current.len(), current[0]["source_address"].as_str()), (1, Some("127.0.0.1")));
    let path = format!("/sessions/{}", text(current[0], "id"));
    app.manager.delete(&path).await.refused(404, "not_found");
    assert_eq!(app.analyst.delete(&path).await.status, 204);
    other.get("/accounts/me").await.refused(401, "session_ended");
    app.analyst.delete(&path).await.refused(404, "not_found");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_session_ends_with_the_working_day_however_often_it_is_renewed() {
    let app = TestApp::start().await;
    let first = app.nobody.sign_in(&app.analyst.code, &app.analyst.password).await.expect(200);
    let renew = json!({ "refresh_token": first["refresh_token"] });
    let second = app.nobody.post("/sessions/renewals", &renew).await.expect(200);
    let end = |tokens: &serde_json::Value| -> chrono::DateTime<chrono::Utc> {
        text(tokens, "refresh_expires_at").parse().unwrap()
    };
    // The store's clock and the service's are one here, but are read one after the other.
    assert!((end(&first) - end(&second)).num_seconds().abs() < 60, "{first} {second}");
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.execute("UPDATE sessions SET started_at = started_at - interval '11 hours 59 minutes 30 seconds'", &[])
        .await
        .unwrap();
    let renew = json!({ "refresh_token": second["refresh_token"] });
    let third = app.nobody.post("/sessions/renewals", &renew).await.expect(200);
    assert!(end(&third) < chrono::Utc::now() + chrono::Duration::minutes(1), "{third}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_store_alone_opens_nothing() {
    let app = TestApp::start().await;
    let body = json!({ "code": "analyst-9", "display_name": "Analyst 9", "kind": "person" });
    let _ = app.administrator.post_with_key("/accounts", "a key", &body).await.expect(201);
    let _ = app.analyst.post_with_key("/samples", "k", &bench::sample("S-1")).await;
    let sql = app.sql(DatabaseRole::Superuser).await;
    let digests = sql.query("SELECT body_digest FROM idempotency_keys", &[]).await.unwrap();
    assert!(!digests.is_empty());
    for text in [body.to_string(), bench::sample("S-1").to_string()] {
        let plain = Sha256::digest(text.as_bytes()).to_vec();
        assert!(digests.iter().all(|row| row.get::<_, Vec<u8>>(0) != plain), "a body can be guessed from the store");
    }
    // A token made with what the store keeps is refused.
    let key = sql.query_one("SELECT id, secret FROM token_keys ORDER BY signs_until DESC LIMIT 1", &[]).await.unwrap();
    let session = sql.query_one("SELECT id::text, account_id::text FROM sessions WHERE ended_at IS NULL LIMIT 1", &[]);
    let session = session.await.unwrap();
    let now = chrono::Utc::now().timestamp();
    let claims = json!({
        "sub": session.get::<_, String>(1), "sid": session.get::<_, String>(0), "iat": now, "exp": now + 600,
    });
    let header = Header { kid: Some(key.get(0)), ..Header::new(Algorithm::HS256) };
    let forged = jsonwebtoken::encode(&header, &claims, &EncodingKey::from_secret(&key.get::<_, Vec<u8>>(1))).unwrap();
    app.nobody.with_token(&forged).get("/accounts/me").await.refused(401, "not_signed_in");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_only_served_the_door_is_taken_away_and_records_are_not() {
    let app = TestApp::start().await;
    let _ = app.analyst.post_with_key("/samples", "old", &bench::sample("S-1")).await.expect(201);
    let _ = app.analyst.post_with_key("/samples", "new", &bench::sample("S-2")).await.expect(201);
    let _ = app.nobody.sign_in(&app.analyst.code, &app.analyst.password).await.expect(200);
    let sql = app.sql(DatabaseRole::Superuser).await;
    for aged in [
        "UPDATE idempotency_keys SET recorded_at = now() - interval '31 days' WHERE key = 'old'",
        "UPDATE refresh_tokens SET expires_at = now() - interval '8 days'",
        "INSERT INTO token_keys (id, secret, signs_until, verifies_until) VALUES ('gone', '\\x00', now() - interval '9 days', now() - interval '8 days')",
    ] {
        sql.execute(aged, &[]).await.unwrap();
    }
    let before = app.row_counts(&["samples", "sessions", "sign_in_attempts"]).await;
    let db = ferrotitre_base::db::Db::for_worker(&app.shared.address(DatabaseRole::Service, &app.database)).unwrap();
    let pruned = ferrotitre_ledger::accounts::pruning::prune(&db).await.unwrap();
    assert_eq!((pruned.answers, pruned.keys), (1, 1));
    assert!(pruned.tokens > 0);
    assert_eq!(app.row_counts(&["samples", "sessions", "sign_in_attempts"]).await, before);
    assert_eq!(app.row_counts(&["refresh_tokens"]).await, [0]);
}

/// Sends bytes as they are and reads what comes until the other end closes.
async fn raw(app: &TestApp, parts: &[&[u8]]) -> String {
    let mut stream = TcpStream::connect(app.running.address).await.unwrap();
    for part in parts {
        // The service may have hung up, and says why.
        if stream.write_all(part).await.is_err() {
            break;
        }
    }
    let mut answer = Vec::new();
    // It must hang up by itself.
    let _ = tokio::time::timeout(Duration::from_secs(60), stream.read_to_end(&mut answer)).await.unwrap();
    String::from_utf8_lossy(&answer).into_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_strangers_body_is_small_and_the_rest_of_a_large_one_is_not_waited_for() {
    let app = TestApp::start().await;
    let head = |path: &str, kind: &str, length: &str| {
        format!(
            "POST {path} HTTP/1.1\r\nHost: localhost\r\nSec-Fetch-Site: same-origin\r\nContent-Type: {kind}\r\n{length}\r\n\r\n"
        )
    };
    for (path, kind) in [
        ("/api/v1/sessions", "application/json"),
        ("/sign-in", "application/x-www-form-urlencoded"),
        ("/sign-in", "multipart/form-data; boundary=b"),
        ("/look", "application/x-www-form-urlencoded"),
        ("/api/v1/samples", "application/json"),
    ] {
        // Announced: refused before a byte of it came.
        let announced = raw(&app, &[head(path, kind, "Content-Length: 16000000").as_bytes()]).await;
        let status = if path.ends_with("samples") { "HTTP/1.1 401 " } else { "HTTP/1.1 413 " };
        assert!(announced.starts_with(status), "{path} {kind}: {announced}");
        // In pieces without an announcement: after the first few.
        let chunk = [b"1000\r\n".as_slice(), &[b'x'; 0x1000], b"\r\n"].concat();
        let head = head(path, kind, "Transfer-Encoding: chunked");
        let mut parts = vec![head.as_bytes()];
        parts.extend(std::iter::repeat_n(chunk.as_slice(), 6));
        let begun = std::time::Instant::now();
        let chunked = raw(&app, &parts).await;
        assert!(chunked.starts_with(status), "{path} {kind}: {chunked}");
        // Not only because it paused.
        assert!(begun.elapsed() < Duration::from_secs(8), "{path} {kind}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn connections_that_trickle_are_ended_and_hold_up_nobody() {
    let app = TestApp::start().await;
    let head = "POST /api/v1/sessions HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{";
    let mut held = Vec::new();
    for _ in 0..600 {
        let mut stream = TcpStream::connect(app.running.address).await.unwrap();
        stream.write_all(head.as_bytes()).await.unwrap();
        held.push(stream);
    }
    // From the same address as the crowd: a genuine sign-in and a save, over a connection of their own. One that was kept open from
    // before the crowd is the oldest, and may be ended while the request is on its way.
    let fresh = Client::nobody(&format!("http://{}", app.running.address));
    let analyst = fresh.with_token(&sign_in(&fresh, &app.analyst.code, &app.analyst.password).await);
    let _ = analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    // The oldest gave way, the newest are told that they took too long.
    let mut oldest = String::new();
    let read = tokio::time::timeout(Duration::from_secs(30), held[0].read_to_string(&mut oldest)).await.unwrap();
    assert!(read.is_err() || oldest.is_empty(), "{oldest}");
    let mut newest = String::new();
    let newest_stream = held.last_mut().unwrap();
    let _ = tokio::time::timeout(Duration::from_secs(30), newest_stream.read_to_string(&mut newest)).await.unwrap();
    assert!(newest.starts_with("HTTP/1.1 408 "), "{newest}");
}

#[tokio::test(flavor = "multi_thread")]
async fn other_names_are_refused_and_answers_are_not_kept() {
    let app = TestApp::start().await;
    for (host, status) in [("evil.example.com", 421), ("localhost", 200), ("127.0.0.1:1", 200), ("[::1]:1", 200)] {
        let answer = app.nobody.send(Method::GET, "/health", &[("Host", host)], None).await;
        assert_eq!(answer.status, status, "{host}: {}", answer.text);
    }
    for path in ["/accounts/me", "/samples", "/alerts"] {
        assert_eq!(app.analyst.get(path).await.header("cache-control"), "no-store", "{path}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn signing_in_leads_to_no_other_site() {
    let app = TestApp::start().await;
    let http = reqwest::Client::builder().no_proxy().redirect(reqwest::redirect::Policy::none()).build().unwrap();
    for next in [
        "/%09/host.example",
        "//host.example",
        "/\\host.example",
        "/a\r\nSet-Cookie: b=c",
        "https://host.example",
        "/day",
    ] {
        let form = [
            ("account", app.analyst.code.as_str()),
            ("password", &app.analyst.password),
            ("next", &next.replace("%09", "\t")),
        ];
        let form = form.map(|(name, value)| format!("{name}={}", encoded(value))).join("&");
        let answer = http
            .post(format!("http://{}/sign-in", app.running.address))
            .header("Content-Type", "application/x-www-form-urlencoded")
            .header("Sec-Fetch-Site", "same-origin")
            .body(form)
            .send()
            .await
            .unwrap();
        assert_eq!(answer.status(), 303, "{next:?}");
        assert_eq!(answer.headers()["location"], if next == "/day" { "/day" } else { "/" }, "{next:?}");
    }
}

fn encoded(text: &str) -> String {
    text.bytes().map(|byte| format!("%{byte:02X}")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stream_ends_with_the_session_that_began_it() {
    let app = TestApp::start().await;
    let client = app.nobody.with_token(&sign_in(&app.nobody, &app.manager.code, &app.manager.password).await);
    let url = format!("http://{}/api/v1/alerts/stream", app.running.address);
    let http = reqwest::Client::builder().no_proxy().build().unwrap();
    let stream = http.get(url).bearer_auth(client.token()).send().await.unwrap();
    assert_eq!(stream.status(), 200);
    assert_eq!(client.delete("/sessions/current").await.status, 204);
    let rest = tokio::time::timeout(Duration::from_secs(30), stream.text()).await.unwrap().unwrap();
    assert!(rest.starts_with("event: alerts\n"), "{rest}");
}

#[tokio::test(flavor = "multi_thread")]
async fn only_a_proxy_of_the_settings_is_believed_about_addresses() {
    let app = TestApp::start().await;
    let store = app.shared.address(DatabaseRole::Service, &app.database);
    let behind = Running::start_as(&store, &app.shared.data, (&app.shared.seal_key, &app.memory), |settings| {
        settings.trusted_proxies = vec![IpAddr::from([127, 0, 0, 1]), IpAddr::from([192, 0, 2, 250])];
    });
    let address = async |client: &Client, said: &str| {
        let body = json!({ "account": app.analyst.code, "password": app.analyst.password }).to_string();
        let headers = [("Content-Type", "application/json"), ("X-Forwarded-For", said)];
        let tokens = client.send(Method::POST, "/sessions", &headers, Some(body.into_bytes())).await.expect(200);
        let signed_in = client.with_token(&text(&tokens, "access_token"));
        let listed = signed_in.get("/sessions").await.expect(200);
        let current = listed.as_array().unwrap().iter().find(|session| session["current"] == true).cloned().unwrap();
        text(&current, "source_address")
    };
    assert_eq!(address(&app.nobody, "192.0.2.7").await, "127.0.0.1");
    let nobody = behind.nobody();
    assert_eq!(address(&nobody, "192.0.2.7").await, "192.0.2.7");
    // The last that is no proxy: what stands before it, the client made up.
    assert_eq!(address(&nobody, "10.9.9.9, 192.0.2.8, 192.0.2.250").await, "192.0.2.8");
    assert_eq!(address(&nobody, "10.9.9.9, x, 192.0.2.8").await, "192.0.2.8");
    assert_eq!(address(&nobody, "10.9.9.9, x").await, "127.0.0.1");
    assert_eq!(address(&nobody, "unknown").await, "127.0.0.1");
}

#[tokio::test(flavor = "multi_thread")]
async fn tls_is_spoken_with_a_certificate_of_the_own_authority() {
    let app = TestApp::start().await;
    let store = app.shared.address(DatabaseRole::Service, &app.database);
    let data = std::env::temp_dir().join(format!("ferrotitre-door-{}", uuid::Uuid::now_v7()));
    std::fs::create_dir_all(&data).unwrap();
    let running = Running::start_as(&store, &data, (&app.shared.seal_key, &app.memory), |settings| {
        settings.tls.tls = true;
        settings.hosts = vec!["iron.example.org".to_owned()];
    });
    let pem = std::fs::read(data.join("tls/authority.pem")).unwrap();
    let authority = rustls::pki_types::CertificateDer::from_pem_slice(&pem).unwrap();
    let mut roots = rustls::RootCertStore::empty();
    roots.add(authority).unwrap();
    let ask = async |roots: rustls::RootCertStore, name: &'static str| -> std::io::Result<String> {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = rustls::ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_root_certificates(roots)
            .with_no_client_auth();
        let connector = tokio_rustls::TlsConnector::from(Arc::new(config));
        let stream = TcpStream::connect(running.address).await?;
        let mut stream = connector.connect(ServerName::try_from(name).unwrap(), stream).await?;
        let ask = format!("GET /sign-in HTTP/1.1\r\nHost: {name}\r\nConnection: close\r\n\r\n");
        stream.write_all(ask.as_bytes()).await?;
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer).await;
        Ok(String::from_utf8_lossy(&answer).into_owned())
    };
    for name in ["127.0.0.1", "localhost", "iron.example.org"] {
        let answer = ask(roots.clone(), name).await.unwrap();
        assert!(answer.starts_with("HTTP/1.1 200 OK"), "{name}: {answer}");
        assert!(answer.to_ascii_lowercase().contains("strict-transport-security: max-age="), "{answer}");
        assert!(!answer.contains("not encrypted"));
    }
    assert!(ask(rustls::RootCertStore::empty(), "localhost").await.is_err(), "nobody trusts it unasked");
    assert!(ask(roots, "other.example.org").await.is_err(), "it is for its own names only");
    // Plain HTTP at the same place is no way in.
    let mut plain = TcpStream::connect(running.address).await.unwrap();
    plain.write_all(b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
    let mut answer = Vec::new();
    let _ = tokio::time::timeout(Duration::from_secs(30), plain.read_to_end(&mut answer)).await;
    assert!(!String::from_utf8_lossy(&answer).contains("200 OK"));
    drop(running);
    std::fs::remove_dir_all(data).unwrap();
}

/// What a scanner of such set-ups (sslscan) finds: nothing older than TLS 1.2 (RFC 8996), no cipher without forward secrecy and
/// authenticated encryption (RFC 9325, 4.2), no compression, no renegotiation.
#[tokio::test(flavor = "multi_thread")]
async fn a_public_scanner_finds_nothing_weak_in_the_encryption() {
    let app = TestApp::start().await;
    let store = app.shared.address(DatabaseRole::Service, &app.database);
    let data = std::env::temp_dir().join(format!("ferrotitre-scan-{}", uuid::Uuid::now_v7()));
    std::fs::create_dir_all(&data).unwrap();
    let running = Running::start_as(&store, &data, (&app.shared.seal_key, &app.memory), |settings| {
        settings.tls.tls = true;
    });
    let address = running.address.to_string();
    let scan = tokio::process::Command::new("sslscan").args(["--no-colour", "--xml=-", &address]).output().await;
    let scanned = scan.expect("sslscan is not installed");
    let found = String::from_utf8(scanned.stdout).unwrap();
    for (kind, version, enabled) in
        [("ssl", "2", 0), ("ssl", "3", 0), ("tls", "1.0", 0), ("tls", "1.1", 0), ("tls", "1.2", 1), ("tls", "1.3", 1)]
    {
        let says = format!("<protocol type=\"{kind}\" version=\"{version}\" enabled=\"{enabled}\" />");
        assert!(found.contains(&says), "{says}: {found}");
    }
    let ciphers: Vec<&str> = found.lines().filter(|line| line.contains("<cipher ")).collect();
    assert!(ciphers.len() >= 4, "{found}");
    for cipher in ciphers {
        let modern = cipher.contains("GCM") || cipher.contains("CHACHA20");
        let forward = cipher.contains("cipher=\"TLS_") || cipher.contains("cipher=\"ECDHE-");
        assert!(modern && forward && !cipher.contains("strength=\"weak\""), "{cipher}");
    }
    assert!(found.contains("vulnerable=\"0\"") && !found.contains("<compression supported=\"1\""), "{found}");
    assert!(
        !found.contains("vulnerable=\"1\"") && !found.contains("<renegotiation supported=\"1\" secure=\"0\""),
        "{found}"
    );
    assert!(found.contains("<signature-algorithm>ecdsa-with-SHA256</signature-algorithm>"), "{found}");
    drop(running);
    std::fs::remove_dir_all(data).unwrap();
}
