//! One-time codes: set up by their owner, each good once, and worth nothing to whoever has the store, the password or a role.

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use ferrotitre_ledger::accounts::reset_codes_by_operator;
use ferrotitre_ledger::audit::verify::{self, Against};
use ferrotitre_tests::app::make_usable;
use ferrotitre_tests::authenticator::{Authenticator, post, set_up, sign_in};
use ferrotitre_tests::bench::text;
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::DatabaseRole;
use ferrotitre_tests::{TestApp, bench};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

const PROPOSALS: &str = "/accounts/me/one-time-codes/proposals";
const CODES: &str = "/accounts/me/one-time-codes";
const RULES: &str = "/one-time-code-rules";

fn rule(who: &Client, must: bool) -> Value {
    json!({ "administrators_must": must, "reason": "administrators set passwords", "password": who.password })
}

fn who(client: &Client) -> (&str, &str) {
    (&client.code, &client.password)
}

/// Causes on record, oldest first.
async fn causes(app: &TestApp) -> Vec<String> {
    let sql = app.sql(DatabaseRole::Service).await;
    let rows = sql.query("SELECT cause FROM code_refusals ORDER BY id", &[]).await.unwrap();
    rows.iter().map(|row| row.get(0)).collect()
}

async fn nothing_was_altered(app: &TestApp) {
    app.sealed().await;
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let remembered = app.memory.read().unwrap();
    let key = app.shared.seal_key.public();
    let against = Against { key: &key, remembered: remembered.as_ref(), kept: &[] };
    let report = verify::check(&connection, against).await.unwrap();
    assert!(report.findings.is_empty(), "{:#?}", report.findings);
}

/// A QR code's modules as grey, six pixels each.
fn pixels(svg: &str) -> (Vec<u8>, u32) {
    let side: usize = svg.split("viewBox=\"0 0 ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    let (scale, width) = (6, side * 6);
    let mut luma = vec![255; width * width];
    for module in svg.split("<path d=\"").nth(1).unwrap().split('"').next().unwrap().split('M').skip(1) {
        let (x, rest) = module.split_once(' ').unwrap();
        let (x, y): (usize, usize) = (x.parse().unwrap(), rest.split('h').next().unwrap().parse().unwrap());
        for line in y * scale..(y + 1) * scale {
            luma[line * width + x * scale..line * width + (x + 1) * scale].fill(0);
        }
    }
    (luma, u32::try_from(width).unwrap())
}

#[tokio::test(flavor = "multi_thread")]
async fn codes_count_once_their_owner_has_shown_one_and_the_password() {
    let app = TestApp::start().await;
    let (analyst, path) = (&app.analyst, CODES);
    let answer = analyst.post(PROPOSALS, &json!({})).await;
    assert_eq!(answer.header("cache-control"), "no-store");
    let proposal = answer.expect(200);
    // Another reader reads from the picture what the text says.
    let (luma, side) = pixels(proposal["qr_code"].as_str().unwrap());
    let read = rxing::helpers::detect_in_luma(luma, side, side, Some(rxing::BarcodeFormat::QR_CODE)).unwrap();
    assert_eq!(read.getText(), text(&proposal, "uri"));
    assert!(text(&proposal, "uri").contains(&text(&proposal, "secret")));
    let mut device = Authenticator::of(&text(&proposal, "uri"));
    let code = device.fresh().await;
    let new = |proposal: &Value, code: &str, password: &str| json!({ "proposal": proposal["proposal"], "one_time_code": code, "password": password });
    let wrong =
        analyst.post(path, &new(&proposal, &device.off_by(-4), &analyst.password)).await.refused(422, "invalid_input");
    assert_eq!(wrong["errors"][0]["field"], "one_time_code", "{wrong}");
    analyst.post(path, &new(&proposal, &code, "not the password")).await.refused(403, "secret_wrong");
    // Nobody confirms what was proposed to somebody else.
    let other =
        app.analyst2.post(path, &new(&proposal, &code, &app.analyst2.password)).await.refused(422, "invalid_input");
    assert_eq!(other["errors"][0]["field"], "proposal", "{other}");
    assert_eq!(app.row_counts(&["code_enrolments"]).await, [0]);
    assert!(analyst.get("/accounts/me").await.expect(200)["one_time_codes"].is_null());

    let answer = analyst.post(path, &new(&proposal, &code, &analyst.password)).await;
    assert_eq!(answer.header("cache-control"), "no-store");
    let done = answer.expect(201);
    assert_eq!(done["recovery_codes"].as_array().unwrap().len(), 10);
    analyst.post(path, &new(&proposal, &device.fresh().await, &analyst.password)).await.refused(409, "state_conflict");
    let own = analyst.get("/accounts/me").await.expect(200);
    assert_eq!(own["one_time_codes"]["recovery_codes_left"], 10, "{own}");
    let account = app.manager.get(&format!("/accounts/{}", analyst.id)).await.expect(200);
    assert_eq!(account["one_time_codes"], true);
    // The code that was shown to set them up does not sign in.
    sign_in(&app.nobody, who(analyst), &code).await.refused(401, "bad_credentials");
    nothing_was_altered(&app).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_sign_in_needs_a_fresh_code_and_nobody_is_told_what_was_wrong() {
    let app = TestApp::start().await;
    let (mut device, recovery) = set_up(&app.analyst, false).await;
    let (name, password) = who(&app.analyst);
    let mut refusals = vec![
        app.nobody.sign_in(name, password).await,
        sign_in(&app.nobody, (name, password), "abcdef").await,
        sign_in(&app.nobody, (name, password), &device.off_by(-2)).await,
        sign_in(&app.nobody, (name, password), &device.off_by(3)).await,
    ];
    let code = device.fresh().await;
    refusals.push(sign_in(&app.nobody, (name, "not the password"), &code).await);
    // A code that came with a wrong password is not used up.
    let tokens = sign_in(&app.nobody, (name, password), &code).await.expect(200);
    refusals.push(sign_in(&app.nobody, (name, password), &code).await);
    refusals.push(sign_in(&app.nobody, ("nobody-here", password), &code).await);
    let told: Vec<Value> = refusals
        .into_iter()
        .map(|answer| {
            let mut problem = answer.refused(401, "bad_credentials");
            problem.as_object_mut().unwrap().remove("instance");
            problem
        })
        .collect();
    assert!(told.iter().all(|one| *one == told[0]), "{told:#?}");
    assert_eq!(causes(&app).await, ["missing", "wrong", "wrong", "wrong", "used before"]);
    // Renewals and instruments need none.
    let renew = json!({ "refresh_token": tokens["refresh_token"] });
    let _ = app.nobody.post("/sessions/renewals", &renew).await.expect(200);

    // A recovery code in place of it, as people type it, once.
    let typed = recovery[3].to_lowercase().replace('-', " ");
    let _ = sign_in(&app.nobody, (name, password), &typed).await.expect(200);
    sign_in(&app.nobody, (name, password), &recovery[3]).await.refused(401, "bad_credentials");
    let own = app.analyst.get("/accounts/me").await.expect(200);
    assert_eq!(own["one_time_codes"]["recovery_codes_left"], 9);
    app.sealed().await;
    let listed = app.auditor.get("/audit-lists/refused-sign-ins?limit=200").await.expect(200).to_string();
    for said in [
        "one-time codes set up",
        "refused: right password, one-time code missing",
        "refused: right password, one-time code wrong",
        "refused: right password, one-time code used before",
        "recovery code 4 used",
    ] {
        assert!(listed.contains(said), "no {said} in {listed}");
    }
    nothing_was_altered(&app).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn of_two_with_one_code_at_the_same_moment_one_gets_in() {
    let app = TestApp::start().await;
    let (mut device, recovery) = set_up(&app.manager, true).await;
    let both = async |code: String| {
        let both = [sign_in(&app.nobody, who(&app.manager), &code), sign_in(&app.nobody, who(&app.manager), &code)];
        let mut statuses: Vec<u16> = futures_of(both).await.iter().map(|answer| answer.status).collect();
        statuses.sort_unstable();
        statuses
    };
    assert_eq!(both(device.fresh().await).await, [200, 401]);
    assert_eq!(both(recovery[0].clone()).await, [200, 401]);
    // The same with signatures; the same request sent twice is one signature, and both are told so.
    let body = rule(&app.manager, false);
    let code = &recovery[1];
    let answers = futures_of([
        post(&app.manager, RULES, &body, ("one", code)),
        post(&app.manager, RULES, &body, ("another", code)),
    ])
    .await;
    let mut statuses: Vec<u16> = answers.iter().map(|answer| answer.status).collect();
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 403]);
    let code = &recovery[2];
    let twice = [post(&app.manager, RULES, &body, ("twice", code)), post(&app.manager, RULES, &body, ("twice", code))];
    let answers = futures_of(twice).await;
    assert_eq!((answers[0].status, answers[1].status), (201, 201), "{} {}", answers[0].text, answers[1].text);
    assert_eq!(answers[0].json["id"], answers[1].json["id"]);
    assert_eq!(app.row_counts(&["code_rules"]).await, [2]);
}

async fn futures_of<T>(both: [impl Future<Output = T>; 2]) -> [T; 2] {
    let [first, second] = both;
    tokio::join!(first, second).into()
}

#[tokio::test(flavor = "multi_thread")]
async fn six_digits_are_not_guessed() {
    let app = TestApp::start().await;
    let (_, _) = set_up(&app.manager, true).await;
    for _ in 0..10 {
        sign_in(&app.nobody, who(&app.manager), "no code").await.refused(401, "bad_credentials");
    }
    sign_in(&app.nobody, who(&app.manager), "no code").await.refused(429, "too_many_tries");
    for at in 0..10 {
        let key = format!("guess {at}");
        post(&app.manager, RULES, &rule(&app.manager, true), (&key, "no code")).await.refused(403, "secret_wrong");
    }
    post(&app.manager, RULES, &rule(&app.manager, true), ("last", "no code")).await.refused(429, "too_many_tries");
    assert_eq!(app.row_counts(&["code_rules"]).await, [0]);
}

#[tokio::test(flavor = "multi_thread")]
async fn signatures_ask_for_a_code_where_the_owner_chose_so() {
    let app = TestApp::start().await;
    let (mut device, recovery) = set_up(&app.manager, false).await;
    let _ = app.manager.post(RULES, &rule(&app.manager, false)).await.expect(201);
    let choice = |at: bool| json!({ "at_signatures": at, "password": app.manager.password });
    let path = "/accounts/me/one-time-codes/choices";
    app.manager.post(path, &choice(true)).await.refused(403, "one_time_code_missing");
    let chosen = post(&app.manager, path, &choice(true), ("choice", &recovery[0])).await.expect(201);
    assert_eq!(chosen["at_signatures"], true);
    let missing = app.manager.post(RULES, &rule(&app.manager, false)).await.refused(403, "one_time_code_missing");
    assert_eq!(missing["errors"][0]["field"], "one-time-code", "{missing}");
    post(&app.manager, RULES, &rule(&app.manager, false), ("w", &device.off_by(-3))).await.refused(403, "secret_wrong");
    // The same request with a fresh code is the same request.
    let _ = post(&app.manager, RULES, &rule(&app.manager, false), ("w", &device.fresh().await)).await.expect(201);
    let again = post(&app.manager, RULES, &rule(&app.manager, false), ("w", &recovery[1])).await;
    assert_eq!((again.status, again.header("idempotency-replayed")), (201, "true"), "{}", again.text);
    // What is not signed asks for none.
    let _ = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    let off = post(&app.manager, path, &choice(false), ("off", &recovery[2])).await.expect(201);
    assert_eq!(off["at_signatures"], false);
    let _ = app.manager.post(RULES, &rule(&app.manager, false)).await.expect(201);
    let refused = app.auditor.get("/audit-lists/refused-sign-ins?limit=200").await.expect(200).to_string();
    assert!(refused.contains("asked to sign: right password, one-time code wrong"), "{refused}");
}

#[tokio::test(flavor = "multi_thread")]
async fn administrators_without_codes_do_nothing_else_where_managers_decided_so() {
    let app = TestApp::start().await;
    let administrator = &app.administrator;
    let _ = administrator.get("/accounts").await.expect(200);
    administrator.post(RULES, &rule(administrator, true)).await.refused(403, "forbidden");
    app.manager
        .post(RULES, &json!({ "administrators_must": true, "reason": "no", "password": app.manager.password }))
        .await
        .refused(422, "invalid_input");
    let _ = app.manager.post(RULES, &rule(&app.manager, true)).await.expect(201);
    administrator.get("/accounts").await.refused(403, "one_time_codes_due");
    let reset = format!("/accounts/{}/provisional-password", app.analyst.id);
    administrator.post(&reset, &json!({})).await.refused(403, "one_time_codes_due");
    let own = administrator.get("/accounts/me").await.expect(200);
    assert_eq!(own["one_time_codes_due"], true);
    let _ = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    let (mut device, _) = set_up(administrator, false).await;
    let _ = administrator.get("/accounts").await.expect(200);

    // Whoever sets a password must not be able to set up the codes, and a new password does not take them away.
    let _ = administrator.post(&reset, &json!({})).await.expect(201);
    let (_, _) = set_up(&app.manager2, false).await;
    let set = administrator.post(&format!("/accounts/{}/provisional-password", app.manager2.id), &json!({})).await;
    let provisional = text(&set.expect(201), "provisional_password");
    app.nobody.sign_in(&app.manager2.code, &provisional).await.refused(401, "bad_credentials");
    let set = administrator.post(&reset, &json!({})).await.expect(201);
    let token = text(
        &app.nobody.sign_in(&app.analyst.code, &text(&set, "provisional_password")).await.expect(200),
        "access_token",
    );
    let analyst = app.nobody.with_token(&token).with_account(
        app.analyst.id,
        &app.analyst.code,
        &text(&set, "provisional_password"),
    );
    let proposal = analyst.post(PROPOSALS, &json!({})).await.expect(200);
    let new = json!({
        "proposal": proposal["proposal"], "password": analyst.password,
        "one_time_code": Authenticator::of(&text(&proposal, "uri")).fresh().await,
    });
    analyst.post(CODES, &new).await.refused(403, "password_provisional");

    // Without codes again it is due again; and a manager takes the rule back.
    let end = json!({ "password": administrator.password, "reason": "another telephone" });
    administrator.post(&format!("{CODES}/end"), &end).await.refused(403, "one_time_code_missing");
    let _ = post(administrator, &format!("{CODES}/end"), &end, ("end", &device.fresh().await)).await.expect(201);
    administrator.get("/accounts/me").await.refused(401, "session_ended");
    let token =
        text(&app.nobody.sign_in(&administrator.code, &administrator.password).await.expect(200), "access_token");
    let administrator = app.nobody.with_token(&token);
    administrator.get("/accounts").await.refused(403, "one_time_codes_due");
    let _ = app.manager.post(RULES, &rule(&app.manager, false)).await.expect(201);
    assert_eq!(administrator.get(RULES).await.expect(200).as_array().unwrap().len(), 2);
    nothing_was_altered(&app).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn codes_are_reset_by_somebody_else_with_a_reason_and_everybody_sees_it() {
    let app = TestApp::start().await;
    let administrator = &app.administrator;
    let path = format!("/accounts/{}/one-time-codes/reset", app.analyst.id);
    let why = json!({ "reason": "telephone lost, asked in person" });
    administrator.post(&path, &why).await.refused(409, "state_conflict");
    let (_, _) = set_up(&app.analyst, false).await;
    let (_, _) = set_up(administrator, false).await;
    let own = format!("/accounts/{}/one-time-codes/reset", administrator.id);
    administrator.post(&own, &why).await.refused(403, "own_record");
    administrator.post(&path, &json!({ "reason": "no" })).await.refused(422, "invalid_input");
    app.manager.post(&path, &why).await.refused(403, "forbidden");
    let done = administrator.post_with_key(&path, "reset", &why).await.expect(201);
    assert_eq!((text(&done, "kind"), text(&done, "recorded_by")), ("reset".to_owned(), administrator.id.to_string()));
    app.analyst.get("/accounts/me").await.refused(401, "session_ended");
    let again = app.nobody.sign_in(&app.analyst.code, &app.analyst.password).await.expect(200);
    // The owner, other analysts and managers are told, and by whom.
    let owner = app.nobody.with_token(&text(&again, "access_token"));
    for who in [&owner, &app.manager, &app.auditor] {
        let alerts = who.get("/alerts").await.expect(200);
        let alerts = alerts["items"].as_array().unwrap();
        let told = alerts.iter().find(|alert| alert["kind"] == "one-time codes reset").unwrap();
        let words = text(told, "message");
        for part in [&app.analyst.code, "administrator-1", "telephone lost, asked in person"] {
            assert!(words.contains(part), "{words}");
        }
    }
    // From the command line, too, with its reason on record.
    let db = ferrotitre_base::db::Db::for_worker(&app.shared.address(DatabaseRole::Service, &app.database)).unwrap();
    assert!(reset_codes_by_operator(&db, &administrator.code, "no").await.is_err());
    reset_codes_by_operator(&db, &administrator.code, "the only administrator lost the telephone").await.unwrap();
    administrator.get("/accounts/me").await.refused(401, "session_ended");
    app.sealed().await;
    let listed = app.auditor.get("/audit-lists/refused-sign-ins?limit=200").await.expect(200).to_string();
    for said in ["reset by somebody else: telephone lost", "reset by somebody else: the only administrator lost"] {
        assert!(listed.contains(said), "no {said} in {listed}");
    }
    let events = app.auditor.get("/audit-events?kind=code_ends").await.expect(200).to_string();
    assert!(events.contains("telephone lost"), "{events}");
    nothing_was_altered(&app).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_copy_of_the_store_opens_nothing_and_a_secret_does_not_move_to_another_account() {
    let app = TestApp::start().await;
    let proposal = app.analyst.post(PROPOSALS, &json!({})).await.expect(200);
    let mut device = Authenticator::of(&text(&proposal, "uri"));
    let new = json!({
        "proposal": proposal["proposal"], "one_time_code": device.fresh().await, "password": app.analyst.password,
    });
    let done = app.analyst.post_with_key(CODES, "set up", &new).await.expect(201);
    let (mut other, recovery) = set_up(&app.manager, false).await;
    app.sealed().await;
    // Neither in an event nor among the answers kept, in any spelling.
    let sql = app.sql(DatabaseRole::Superuser).await;
    let secret = text(&proposal, "secret");
    let first = done["recovery_codes"][0].as_str().unwrap();
    for table in ["audit_events", "idempotency_keys", "code_enrolments", "code_uses"] {
        for part in [&secret, first, &first.replace('-', ""), &text(&proposal, "proposal")] {
            let found = format!("SELECT count(*) FROM {table} t WHERE t::text LIKE '%' || $1 || '%'");
            assert_eq!(sql.query_one(&found, &[&part]).await.unwrap().get::<_, i64>(0), 0, "{table}: {part}");
        }
    }
    let told = "SELECT count(*) FROM audit_events e JOIN code_enrolments c ON c.id = e.entity_id \
                WHERE position(encode(c.sealed_secret, 'hex') IN e.after_row) > 0 OR e.after_row NOT LIKE '%sealed_secret_sha256%'";
    assert_eq!(sql.query_one(told, &[]).await.unwrap().get::<_, i64>(0), 0);
    // Who administers the database gives an analyst's secret to a manager.
    sql.batch_execute(
        "ALTER TABLE code_enrolments DISABLE TRIGGER append_only; UPDATE code_enrolments SET sealed_secret = \
         (SELECT sealed_secret FROM code_enrolments o WHERE o.id <> code_enrolments.id LIMIT 1); \
         ALTER TABLE code_enrolments ENABLE TRIGGER append_only;",
    )
    .await
    .unwrap();
    sign_in(&app.nobody, who(&app.manager), &device.fresh().await).await.refused(401, "bad_credentials");
    sign_in(&app.nobody, who(&app.manager), &other.fresh().await).await.refused(401, "bad_credentials");
    assert_eq!(causes(&app).await, ["cannot be checked", "cannot be checked"]);
    let _ = sign_in(&app.nobody, who(&app.manager), &recovery[0]).await.expect(200);
}

fn command(data: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"));
    command.args(arguments).env("FERROTITRE_DATA", data).env_remove("DATABASE_URL").env("RUST_LOG", "warn");
    command
}

/// A service in a process of its own, which is stopped in order.
struct Service(Child, Client);

impl Service {
    fn start(data: &Path) -> Self {
        let log = std::fs::OpenOptions::new().create(true).append(true).open(data.join("log")).unwrap();
        let arguments = ["serve", "--listen", "127.0.0.1:0", "--workers", "1"];
        let mut child = command(data, &arguments).stdout(Stdio::piped()).stderr(log).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let url = line.split_whitespace().find(|word| word.starts_with("http://")).unwrap().to_owned();
        Self(child, Client::nobody(&url))
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = kill(Pid::from_raw(i32::try_from(self.0.id()).unwrap()), Signal::SIGTERM);
        let _ = self.0.wait();
    }
}

fn ran(data: &Path, arguments: &[&str]) -> String {
    let output = command(data, arguments).output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    said
}

#[tokio::test(flavor = "multi_thread")]
async fn without_its_door_key_no_code_is_taken_and_the_command_line_is_the_way_out() {
    let data = std::env::temp_dir().join(format!("ferrotitre-codes-{}", uuid::Uuid::now_v7().simple()));
    std::fs::create_dir_all(&data).unwrap();
    let printed = ran(&data, &["account", "create", "admin-1", "--name", "Admin 1", "--role", "administrator"]);
    let provisional = printed.trim().rsplit(' ').next().unwrap().to_owned();
    let account = ("admin-1", "the administrator has a long password");
    let service = Service::start(&data);
    let token = make_usable(&service.1, account.0, &provisional, account.1).await;
    let owner = service.1.with_token(&token).with_account(uuid::Uuid::nil(), account.0, account.1);
    let (mut device, recovery) = set_up(&owner, false).await;
    let _ = sign_in(&service.1, account, &device.fresh().await).await.expect(200);
    drop(service);
    // The store was copied, or restored, without the file.
    std::fs::remove_file(data.join("door.key")).unwrap();
    let service = Service::start(&data);
    sign_in(&service.1, account, &device.off_by(1)).await.refused(401, "bad_credentials");
    let log = std::fs::read_to_string(data.join("log")).unwrap();
    assert!(log.contains("sealed with another door.key") && log.contains("reset-codes"), "{log}");
    let _ = sign_in(&service.1, account, &recovery[0]).await.expect(200);
    drop(service);
    let said = ran(&data, &["account", "reset-codes", "admin-1", "--reason", "door.key was lost"]);
    assert!(said.contains("were reset"), "{said}");
    let service = Service::start(&data);
    let _ = service.1.sign_in(account.0, account.1).await.expect(200);
    drop(service);
    let report = ran(&data, &["verify"]);
    assert!(report.contains("nothing was altered"), "{report}");
    std::fs::remove_dir_all(data).unwrap();
}
