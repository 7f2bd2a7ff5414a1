//! Signing in and out, tokens, roles.

use chrono::{Duration, Utc};
use ferrotitre_base::auth::local_key;
use ferrotitre_tests::app::{make_usable, new_instrument, sign_in};
use ferrotitre_tests::bench::{self, text};
use ferrotitre_tests::cluster::{DatabaseRole, until};
use ferrotitre_tests::{Client, TestApp};
use jsonwebtoken::{Algorithm, EncodingKey, Header};
use reqwest::Method;
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

#[tokio::test(flavor = "multi_thread")]
async fn the_right_password_signs_in_and_a_wrong_one_or_an_unknown_name_is_told_the_same() {
    let app = TestApp::start().await;
    let tokens = app.nobody.sign_in(&app.analyst.code, &app.analyst.password).await.expect(200);
    assert_eq!(tokens["token_type"], "Bearer");
    assert_eq!(tokens["password_provisional"], false);
    let own = app.nobody.with_token(&text(&tokens, "access_token")).get("/accounts/me").await.expect(200);
    assert_eq!(own["code"], "analyst-1");
    assert_eq!(own["roles"], json!(["analyst"]));
    let mut wrong = app.nobody.sign_in(&app.analyst.code, "not this one at all").await.refused(401, "bad_credentials");
    let mut unknown = app.nobody.sign_in("nobody-here", &app.analyst.password).await.refused(401, "bad_credentials");
    for problem in [&mut wrong, &mut unknown] {
        assert!(problem.as_object_mut().unwrap().remove("instance").is_some());
    }
    assert_eq!(wrong, unknown, "the answer must not tell whether the name exists");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_administrator_locks_and_unlocks_an_account() {
    let app = TestApp::start().await;
    let (code, password) = (app.analyst.code.clone(), app.analyst.password.clone());
    let moves = format!("/accounts/{}/moves", app.analyst.id);
    let lock = json!({ "to": "locked", "reason": "on leave until spring" });
    app.manager.post(&moves, &lock).await.refused(403, "forbidden");
    let _ = app.administrator.post(&moves, &lock).await.expect(201);
    app.nobody.sign_in(&code, &password).await.refused(401, "bad_credentials");
    // Sessions from before end, too.
    app.analyst.get("/accounts/me").await.refused(401, "session_ended");
    let account = app.auditor.get(&format!("/accounts/{}", app.analyst.id)).await.expect(200);
    assert_eq!(account["state"], "locked");
    app.administrator.post(&moves, &json!({ "to": "active" })).await.refused(422, "invalid_input");
    let unlock = json!({ "to": "active", "reason": "back from leave" });
    app.manager.post(&moves, &unlock).await.refused(403, "forbidden");
    let _ = app.administrator.post(&moves, &unlock).await.expect(201);
    let token = sign_in(&app.nobody, &code, &password).await;
    let _ = app.nobody.with_token(&token).get("/accounts/me").await.expect(200);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_provisional_password_must_be_changed_before_anything_else() {
    let app = TestApp::start().await;
    let new = json!({ "code": "analyst-3", "display_name": "Analyst 3", "kind": "person" });
    let created = app.administrator.post("/accounts", &new).await.expect(201);
    let account = text(&created["account"], "id");
    let provisional = text(&created, "provisional_password");
    let grant = json!({ "role": "analyst", "effect": "grant", "reason": "new colleague" });
    let grant = app.administrator.post(&format!("/accounts/{account}/role-grants"), &grant).await.expect(201);
    let decisions = format!("/role-grants/{}/decisions", text(&grant, "id"));
    let _ = app.manager.post(&decisions, &json!({ "decision": "approved" })).await.expect(201);
    let tokens = app.nobody.sign_in("analyst-3", &provisional).await.expect(200);
    assert_eq!(tokens["password_provisional"], true);
    let first = app.nobody.with_token(&text(&tokens, "access_token"));
    first.get("/samples").await.refused(403, "password_provisional");
    let path = "/accounts/me/password";
    first.post(path, &json!({ "present": provisional, "new": "short" })).await.refused(422, "invalid_input");
    first.post(path, &json!({ "present": provisional, "new": provisional })).await.refused(422, "invalid_input");
    let wrong = json!({ "present": "some other password", "new": "a password of my own" });
    let problem = first.post(path, &wrong).await.refused(403, "secret_wrong");
    assert!(!problem.to_string().contains("some other password"), "a password must not be echoed");
    let token = make_usable(&app.nobody, "analyst-3", &provisional, "a password of my own").await;
    let _ = app.nobody.with_token(&token).get("/samples").await.expect(200);
    first.get("/accounts/me").await.refused(401, "session_ended");
    app.nobody.sign_in("analyst-3", &provisional).await.refused(401, "bad_credentials");
}

async fn renew(client: &Client, refresh: &str) -> ferrotitre_tests::Answer {
    client.post("/sessions/renewals", &json!({ "refresh_token": refresh })).await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refresh_token_is_good_once_and_its_reuse_ends_the_whole_session() {
    let app = TestApp::start().await;
    let first = app.nobody.sign_in(&app.analyst.code, &app.analyst.password).await.expect(200);
    let second = renew(&app.nobody, &text(&first, "refresh_token")).await.expect(200);
    assert_ne!(first["refresh_token"], second["refresh_token"]);
    let renewed = app.nobody.with_token(&text(&second, "access_token"));
    let _ = renewed.get("/accounts/me").await.expect(200);
    renew(&app.nobody, &text(&first, "refresh_token")).await.refused(401, "session_ended");
    renew(&app.nobody, &text(&second, "refresh_token")).await.refused(401, "session_ended");
    renewed.get("/accounts/me").await.refused(401, "session_ended");
    renew(&app.nobody, "ftrt_never_issued").await.refused(401, "session_ended");
    // Another session of the same person is not concerned.
    let _ = app.analyst.get("/accounts/me").await.expect(200);
}

#[tokio::test(flavor = "multi_thread")]
async fn of_many_renewals_with_one_token_at_once_at_most_one_succeeds() {
    let app = TestApp::start().await;
    let tokens = app.nobody.sign_in(&app.analyst.code, &app.analyst.password).await.expect(200);
    let refresh = text(&tokens, "refresh_token");
    let tries = (0..8).map(|_| {
        let (client, refresh) = (app.nobody.clone(), refresh.clone());
        tokio::spawn(async move { renew(&client, &refresh).await.status })
    });
    let mut statuses = Vec::new();
    for task in tries.collect::<Vec<_>>() {
        statuses.push(task.await.unwrap());
    }
    assert_eq!(statuses.iter().filter(|status| **status == 200).count(), 1, "{statuses:?}");
    assert!(statuses.iter().all(|status| matches!(status, 200 | 401)), "{statuses:?}");
    app.nobody.with_token(&text(&tokens, "access_token")).get("/accounts/me").await.refused(401, "session_ended");
}

#[tokio::test(flavor = "multi_thread")]
async fn signing_out_makes_access_and_refresh_token_useless_at_once() {
    let app = TestApp::start().await;
    let tokens = app.nobody.sign_in(&app.analyst.code, &app.analyst.password).await.expect(200);
    let client = app.nobody.with_token(&text(&tokens, "access_token"));
    let _ = client.get("/accounts/me").await.expect(200);
    assert_eq!(client.delete("/sessions/current").await.status, 204);
    client.get("/accounts/me").await.refused(401, "session_ended");
    renew(&app.nobody, &text(&tokens, "refresh_token")).await.refused(401, "session_ended");
}

#[derive(Serialize)]
struct Claims {
    sub: Uuid,
    sid: Uuid,
    iat: i64,
    exp: i64,
}

/// A form that looks for readings of instruments every few seconds must not keep the session of somebody who has left.
#[tokio::test(flavor = "multi_thread")]
async fn what_a_page_asks_by_itself_keeps_no_session_alive() {
    let app = TestApp::start().await;
    let sql = app.sql(DatabaseRole::Superuser).await;
    let key = sql.query_one("SELECT id, secret FROM token_keys", &[]).await.unwrap();
    let (kid, kept): (String, Vec<u8>) = (key.get(0), key.get(1));
    let secret = local_key::code("token key", &[kid.as_bytes(), &kept]);
    let find = "SELECT id FROM sessions WHERE account_id = $1 AND ended_at IS NULL";
    let sid: Uuid = sql.query_one(find, &[&app.manager.id]).await.unwrap().get(0);
    let now = Utc::now().timestamp();
    let header = Header { kid: Some(kid), ..Header::new(Algorithm::HS256) };
    // Two minutes old: any use renews it.
    let claims = Claims { sub: app.manager.id, sid, iat: now - 120, exp: now + 600 };
    let token = jsonwebtoken::encode(&header, &claims, &EncodingKey::from_secret(&secret)).unwrap();
    let http = reqwest::Client::builder().no_proxy().build().unwrap();
    for (by_itself, renewed) in [(false, true), (true, false)] {
        let page = http.get(format!("http://{}/samples", app.running.address)).header("Accept", "text/html");
        let page = page.header("Cookie", format!("ferrotitre_access={token}"));
        let page = if by_itself { page.header("By-Itself", "look") } else { page };
        let answer = page.send().await.unwrap();
        assert_eq!(answer.status(), 200);
        let cookies = answer.headers().get_all("set-cookie");
        let fresh = cookies.iter().any(|one| one.to_str().unwrap().starts_with("ferrotitre_access="));
        assert_eq!(fresh, renewed, "by itself: {by_itself}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn expired_forged_unsigned_and_unknown_key_tokens_are_refused() {
    let app = TestApp::start().await;
    let sql = app.sql(DatabaseRole::Superuser).await;
    let key = sql.query_one("SELECT id, secret FROM token_keys", &[]).await.unwrap();
    let (kid, kept): (String, Vec<u8>) = (key.get(0), key.get(1));
    // The service under test has the secret of this process.
    let secret = local_key::code("token key", &[kid.as_bytes(), &kept]);
    let find = "SELECT id FROM sessions WHERE account_id = $1 AND ended_at IS NULL";
    let sid: Uuid = sql.query_one(find, &[&app.manager.id]).await.unwrap().get(0);
    let now = Utc::now().timestamp();
    let token = |kid: Option<&str>, secret: &[u8], exp: i64, algorithm| {
        let header = Header { kid: kid.map(str::to_owned), ..Header::new(algorithm) };
        let claims = Claims { sub: app.manager.id, sid, iat: now - 1000, exp };
        jsonwebtoken::encode(&header, &claims, &EncodingKey::from_secret(secret)).unwrap()
    };
    let good = token(Some(&kid), &secret, now + 60, Algorithm::HS256);
    let _ = app.nobody.with_token(&good).get("/accounts/me").await.expect(200);
    let parts: Vec<&str> = good.split('.').collect();
    // {"alg":"none","typ":"JWT","kid":...} with an empty signature.
    let none = {
        let header = json!({ "alg": "none", "typ": "JWT", "kid": kid }).to_string();
        format!("{}.{}.", base64_url(header.as_bytes()), parts[1])
    };
    let swapped = {
        let claims = json!({ "sub": app.administrator.id, "sid": sid, "iat": now, "exp": now + 60 }).to_string();
        format!("{}.{}.{}", parts[0], base64_url(claims.as_bytes()), parts[2])
    };
    let refused = [
        ("expired", token(Some(&kid), &secret, now - 1, Algorithm::HS256)),
        ("forged", token(Some(&kid), b"another secret of thirty-two byt", now + 60, Algorithm::HS256)),
        ("unknown key", token(Some("0000000000000000"), &secret, now + 60, Algorithm::HS256)),
        ("no key id", token(None, &secret, now + 60, Algorithm::HS256)),
        ("other algorithm", token(Some(&kid), &secret, now + 60, Algorithm::HS512)),
        ("unsigned", none),
        ("claims exchanged", swapped),
        ("not a token", "not.a.token".to_owned()),
        ("empty", String::new()),
        ("unknown service token", "ftst_never_issued".to_owned()),
    ];
    for (what, token) in refused {
        let answer = app.nobody.with_token(&token).get("/accounts/me").await;
        assert_eq!(answer.header("www-authenticate"), "Bearer", "{what}");
        let problem = answer.refused(401, "not_signed_in");
        assert!(!problem.to_string().contains(&kid), "{what}: {problem}");
    }
}

fn base64_url(bytes: &[u8]) -> String {
    const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
    let digit = |bits: u32| char::from(ALPHABET[usize::try_from(bits & 63).unwrap()]);
    let mut text = String::new();
    for chunk in bytes.chunks(3) {
        let bits = (0..3).fold(0_u32, |bits, index| (bits << 8) | u32::from(*chunk.get(index).unwrap_or(&0)));
        text.extend((0..=chunk.len()).map(|index| digit(bits >> (18 - 6 * index))));
    }
    text
}

#[tokio::test(flavor = "multi_thread")]
async fn a_role_counts_once_a_manager_approves_and_nobody_grants_to_themself() {
    let app = TestApp::start().await;
    let grants = format!("/accounts/{}/role-grants", app.analyst2.id);
    let ask = json!({ "role": "manager", "effect": "grant", "reason": "stands in for a month" });
    app.manager.post(&grants, &ask).await.refused(403, "forbidden");
    let grant = app.administrator.post(&grants, &ask).await.expect(201);
    let facts = bench::equipment("B-77", "burette", "50.00", Some("0.02"));
    app.analyst2.post("/equipment", &facts).await.refused(403, "forbidden");
    let decisions = format!("/role-grants/{}/decisions", text(&grant, "id"));
    let approve = json!({ "decision": "approved" });
    app.administrator.post(&decisions, &approve).await.refused(403, "forbidden");
    let _ = app.manager.post(&decisions, &approve).await.expect(201);
    // The roles of an open session follow at once.
    let _ = app.analyst2.post("/equipment", &facts).await.expect(201);
    app.manager2.post(&decisions, &json!({ "decision": "refused" })).await.refused(409, "state_conflict");
    let own = format!("/accounts/{}/role-grants", app.administrator.id);
    app.administrator.post(&own, &ask).await.refused(403, "own_record");
    let withdraw = json!({ "role": "manager", "effect": "withdraw", "reason": "back from the month" });
    let _ = app.administrator.post(&grants, &withdraw).await.expect(201);
    app.analyst2.post("/equipment", &facts).await.refused(403, "forbidden");
    let to_person = json!({ "role": "instrument", "effect": "grant", "reason": "not a machine" });
    app.administrator.post(&grants, &to_person).await.refused(422, "invalid_input");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_manager_does_not_decide_on_a_grant_to_themself() {
    let app = TestApp::start().await;
    let grants = format!("/accounts/{}/role-grants", app.manager.id);
    let ask = json!({ "role": "auditor", "effect": "grant", "reason": "wants to see more" });
    let grant = app.administrator.post(&grants, &ask).await.expect(201);
    let decisions = format!("/role-grants/{}/decisions", text(&grant, "id"));
    app.manager.post(&decisions, &json!({ "decision": "approved" })).await.refused(403, "own_record");
    let _ = app.manager2.post(&decisions, &json!({ "decision": "refused", "reason": "not needed" })).await.expect(201);
    let own = app.manager.get("/accounts/me").await.expect(200);
    assert_eq!(own["roles"], json!(["manager"]));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_token_does_what_its_scope_says_until_it_expires_or_is_revoked() {
    let app = TestApp::start().await;
    let burette = bench::install(
        &app,
        &bench::equipment("B-01", "burette", "50.00", Some("0.02")),
        &bench::calibration(None, "0.015"),
    )
    .await;
    let checks = format!("/equipment/{burette}/checks");
    let check = json!({ "outcome": "passed", "observed_at": bench::minutes_ago(1) });
    let (id, _) = new_instrument(&app.administrator, &app.manager, "titrator-2").await;
    let issue = async |scopes: &[&str], expires_at| {
        let body = json!({ "account": id, "label": "test", "scopes": scopes, "expires_at": expires_at });
        app.administrator.post("/service-tokens", &body).await
    };
    let soon = bench::days_ahead(1);
    let only_titrations = issue(&["record_titrations"], soon).await.expect(201);
    let checking = issue(&["check_equipment"], soon).await.expect(201);
    let client = |token: &Value| app.nobody.with_token(&text(token, "token"));
    client(&only_titrations).post(&checks, &check).await.refused(403, "forbidden");
    let _ = client(&checking).post(&checks, &check).await.expect(201);
    client(&checking).get("/samples").await.refused(403, "forbidden");
    issue(&["approve_determinations"], soon).await.refused(422, "invalid_input");
    issue(&[], soon).await.refused(422, "invalid_input");
    issue(&["check_equipment"], bench::days_ahead(401)).await.refused(422, "invalid_input");
    issue(&["check_equipment"], Utc::now() - Duration::minutes(1)).await.refused(422, "invalid_input");
    let brief = issue(&["check_equipment"], Utc::now() + Duration::seconds(2)).await.expect(201);
    let _ = client(&brief).post(&checks, &check).await.expect(201);
    until("the token has expired", async || {
        let answer = client(&brief).post(&checks, &check).await;
        (answer.status != 201).then(|| answer.refused(401, "session_ended"))
    })
    .await;
    let revocation = format!("/service-tokens/{}/revocation", text(&checking, "id"));
    app.administrator.post(&revocation, &json!({ "reason": "x" })).await.refused(422, "invalid_input");
    let _ = app.administrator.post(&revocation, &json!({ "reason": "the titrator was sold" })).await.expect(201);
    client(&checking).post(&checks, &check).await.refused(401, "session_ended");
    let listed = app.auditor.get("/service-tokens").await.expect(200);
    assert!(!listed.to_string().contains("ftst_"), "tokens are shown once");
}

#[tokio::test(flavor = "multi_thread")]
async fn no_secret_reaches_the_audit_log_or_an_answer() {
    let app = TestApp::start().await;
    let tokens = app.nobody.sign_in(&app.analyst.code, &app.analyst.password).await.expect(200);
    let issued = new_instrument(&app.administrator, &app.manager, "titrator-3").await.1;
    app.nobody.sign_in(&app.analyst.code, "a very secret typing slip").await.refused(401, "bad_credentials");
    let sql = app.sql(DatabaseRole::Superuser).await;
    let rows = sql.query("SELECT row_to_json(e)::text FROM audit_events e", &[]).await.unwrap();
    assert!(rows.len() > 30, "the log holds the making of the accounts");
    let events: String = rows.iter().map(|row| row.get::<_, String>(0)).collect::<Vec<_>>().join("\n");
    let hashes = sql
        .query(
            "SELECT encode(token_hash, 'hex') FROM service_tokens UNION SELECT encode(secret, 'hex') FROM token_keys",
            &[],
        )
        .await
        .unwrap();
    let mut secrets: Vec<String> = hashes.iter().map(|row| row.get(0)).collect();
    secrets.extend(["$argon2id", "a very secret typing slip", "has a long password"].map(str::to_owned));
    secrets.extend([issued, text(&tokens, "access_token"), text(&tokens, "refresh_token")]);
    for secret in &secrets {
        assert!(!events.contains(secret.as_str()), "the audit log contains {secret}");
    }
    for path in ["/accounts", "/role-grants", "/service-tokens", "/audit-events?limit=200"] {
        let answer = app.auditor.send(Method::GET, path, &[], None).await;
        assert_eq!(answer.status, 200, "{}", answer.text);
        for secret in &secrets {
            assert!(!answer.text.contains(secret.as_str()), "{path} shows {secret}");
        }
    }
}
