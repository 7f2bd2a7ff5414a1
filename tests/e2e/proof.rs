//! What an administrator of the database could do while the sealing key is out of reach, each caught and named.

use std::path::PathBuf;
use std::process::Command;

use ferrotitre_ledger::audit::catalogue;
use ferrotitre_ledger::audit::resume::{Decider, resume};
use ferrotitre_ledger::audit::seal::{SealKey, SealKeyError};
use ferrotitre_ledger::audit::verify::{self, Against, Report};
use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{self, text};
use ferrotitre_tests::cluster::{DatabaseRole, until};
use serde_json::Value;
use tokio_postgres::Client as Sql;
use uuid::Uuid;

async fn check(app: &TestApp) -> Report {
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let remembered = app.memory.read().unwrap();
    let key = app.shared.seal_key.public();
    verify::check(&connection, Against { key: &key, remembered: remembered.as_ref(), kept: &[] }).await.unwrap()
}

#[track_caller]
fn assert_finds(report: &Report, what: &str) {
    assert!(report.findings.iter().any(|finding| finding.contains(what)), "no '{what}' in {:#?}", report.findings);
}

async fn superuser(app: &TestApp) -> Sql {
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute("SET session_replication_role = replica").await.unwrap();
    sql
}

async fn work(app: &TestApp, code: &str) -> String {
    let sample = app.analyst.post("/samples", &bench::sample(code)).await.expect(201);
    app.sealed().await;
    text(&sample, "version_id")
}

async fn stops(app: &TestApp) -> Value {
    until("sealing has stopped", async || {
        let answer = app.nobody.get("/ready").await;
        (answer.status == 503).then_some(answer.json)
    })
    .await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_log_that_was_rewritten_and_put_back_to_be_sealed_anew_is_never_signed() {
    let app = TestApp::start().await;
    let version = work(&app, "S-1").await;
    work(&app, "S-2").await;
    assert_eq!(check(&app).await.findings, Vec::<String>::new());
    let sql = superuser(&app).await;
    let heads = "SELECT max(tree_size) FROM audit_tree_heads";
    let before: i64 = sql.query_one(heads, &[]).await.unwrap().get(0);
    // Row and event are altered alike; the leaves from there on wait to be sealed again, newer heads are gone.
    sql.batch_execute(&format!(
        "BEGIN; \
         UPDATE samples SET condition = 'broken' WHERE id = '{version}'; \
         UPDATE audit_events SET after_row = replace(after_row, '\"intact\"', '\"broken\"') WHERE entity_id = '{version}'; \
         CREATE TEMP TABLE again AS SELECT event_id FROM audit_leaves WHERE leaf_index >= \
         (SELECT l.leaf_index FROM audit_leaves l JOIN audit_events e ON e.id = l.event_id WHERE e.entity_id = '{version}'); \
         DELETE FROM audit_tree_heads WHERE tree_size > (SELECT min(leaf_index) FROM audit_leaves WHERE event_id IN (SELECT event_id FROM again)); \
         DELETE FROM audit_leaves WHERE event_id IN (SELECT event_id FROM again); \
         INSERT INTO audit_pending SELECT event_id FROM again; COMMIT"
    ))
    .await
    .unwrap();
    let problem = stops(&app).await;
    assert_eq!(problem["code"], "sealing_stopped");
    assert!(problem["detail"].as_str().unwrap().contains("was cut off"), "{problem}");
    let metrics = app.nobody.get("/metrics").await.text;
    assert!(metrics.contains("ferrotitre_audit_sealing_stopped 1"), "{metrics}");
    let after: Option<i64> = sql.query_one(heads, &[]).await.unwrap().get(0);
    assert!(after.unwrap_or(0) < before, "nothing was signed over the rewritten log");
    assert_finds(&check(&app).await, "its end was cut off");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_last_events_cut_off_with_their_rows_are_missed() {
    let app = TestApp::start().await;
    let version = work(&app, "S-1").await;
    let sql = superuser(&app).await;
    sql.batch_execute(&format!(
        "BEGIN; CREATE TEMP TABLE cut AS SELECT event_id FROM audit_leaves WHERE leaf_index >= \
         (SELECT l.leaf_index FROM audit_leaves l JOIN audit_events e ON e.id = l.event_id WHERE e.entity_id = '{version}'); \
         DELETE FROM audit_tree_heads WHERE tree_size > (SELECT min(leaf_index) FROM audit_leaves WHERE event_id IN (SELECT event_id FROM cut)); \
         DELETE FROM audit_leaves WHERE event_id IN (SELECT event_id FROM cut); \
         DELETE FROM audit_events WHERE id IN (SELECT event_id FROM cut); \
         DELETE FROM samples WHERE id = '{version}'; COMMIT"
    ))
    .await
    .unwrap();
    assert_finds(&check(&app).await, "its end was cut off");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_renamed_or_disabled_trigger_is_named_and_its_table_still_compared() {
    let app = TestApp::start().await;
    let version = work(&app, "S-1").await;
    let sql = superuser(&app).await;
    sql.batch_execute(
        "ALTER TRIGGER audit ON samples RENAME TO audit_; ALTER TABLE titrations DISABLE TRIGGER append_only",
    )
    .await
    .unwrap();
    sql.batch_execute(&format!("UPDATE samples SET condition = 'broken' WHERE id = '{version}'")).await.unwrap();
    let report = check(&app).await;
    assert_finds(&report, "the store lacks: trigger audit on samples");
    assert_finds(&report, "the store has what no migration made: trigger audit_ on samples");
    assert_finds(&report, "trigger append_only on titrations D");
    assert_finds(&report, "a row of samples differs from its event");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_stays_out_of_events_is_covered_by_its_digest() {
    let app = TestApp::start().await;
    work(&app, "S-1").await;
    let sql = superuser(&app).await;
    let event = "SELECT after_row FROM audit_events WHERE entity_kind = 'account_secrets' LIMIT 1";
    let row: String = sql.query_one(event, &[]).await.unwrap().get(0);
    assert!(row.contains("password_hash_sha256") && !row.contains("argon2"), "{row}");
    let other = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";
    sql.batch_execute(&format!(
        "UPDATE account_secrets SET password_hash = '{other}' WHERE id = (SELECT max(id::text)::uuid FROM account_secrets)"
    ))
    .await
    .unwrap();
    assert_finds(&check(&app).await, "a row of account_secrets differs from its event");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_service_s_own_role_can_invent_no_event_and_date_no_record_back() {
    let app = TestApp::start().await;
    let version = work(&app, "S-1").await;
    let sql = app.sql(DatabaseRole::Service).await;
    let event = "INSERT INTO audit_events (actor_kind, action, entity_kind, at) \
                 VALUES ('system', 'register_samples', 'samples', '2026-01-15')";
    let refused = sql.batch_execute(event).await.unwrap_err();
    assert!(refused.as_db_error().unwrap().message().contains("permission denied"), "{refused}");
    let columns: Vec<String> = sql
        .query("SELECT column_name::text FROM information_schema.columns WHERE table_name = 'samples'", &[])
        .await
        .unwrap()
        .iter()
        .map(|row| row.get(0))
        .collect();
    let values: Vec<String> = columns
        .iter()
        .map(|column| match column.as_str() {
            "id" | "record_id" => format!("'{}'", Uuid::now_v7()),
            "code" => "'S-OLD'".to_owned(),
            "recorded_at" => "'2026-01-15'::timestamptz".to_owned(),
            other => other.to_owned(),
        })
        .collect();
    sql.batch_execute(&format!(
        "SET ferrotitre.act = '{{\"kind\": \"person\", \"action\": \"register_samples\"}}'; \
         INSERT INTO samples ({}) SELECT {} FROM samples WHERE id = '{version}'",
        columns.join(", "),
        values.join(", ")
    ))
    .await
    .unwrap();
    app.sealed().await;
    assert_finds(&check(&app).await, "its row says another time");
}

#[test]
fn a_key_is_made_with_an_empty_store_only() {
    let data = std::env::temp_dir().join(format!("ferrotitre-key-{}", Uuid::now_v7().simple()));
    assert!(matches!(SealKey::of_store(&data, false), Err(SealKeyError::Missing(_))));
    assert!(!data.exists());
    let made = SealKey::of_store(&data, true).unwrap();
    assert_eq!(SealKey::of_store(&data, false).unwrap().id(), made.id());
    std::fs::remove_dir_all(&data).unwrap();
}

#[test]
fn verify_makes_nothing_and_says_that_there_is_no_store() {
    let data = std::env::temp_dir().join(format!("ferrotitre-wrong-{}", Uuid::now_v7().simple()));
    let output = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"))
        .args(["verify", "--data"])
        .arg(&data)
        .env_remove("DATABASE_URL")
        .output()
        .unwrap();
    assert!(!output.status.success());
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("there is no store in"), "{said}");
    assert!(!data.exists(), "nothing was made");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_catalogue_that_was_compiled_in_is_that_of_a_fresh_store() {
    let app = TestApp::start().await;
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let found = catalogue::print(&connection).await.unwrap();
    let path: PathBuf = [env!("CARGO_MANIFEST_DIR"), "..", "target", "catalogue.txt"].iter().collect();
    if found != catalogue::expected() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, &found).unwrap();
        panic!(
            "the catalogue differs; copy target/catalogue.txt to api/ledger/src/audit/catalogue.txt if a migration is why"
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn two_people_decide_to_go_on_and_every_check_says_so() {
    let app = TestApp::start().await;
    let version = work(&app, "S-1").await;
    let sql = superuser(&app).await;
    sql.batch_execute(&format!(
        "BEGIN; UPDATE audit_events SET reason = 'none' WHERE entity_id = '{version}'; \
         DELETE FROM audit_tree_heads WHERE tree_size = (SELECT max(tree_size) FROM audit_tree_heads); \
         CREATE TEMP TABLE again AS SELECT event_id FROM audit_leaves ORDER BY leaf_index DESC LIMIT 1; \
         DELETE FROM audit_leaves WHERE event_id IN (SELECT event_id FROM again); \
         INSERT INTO audit_pending SELECT event_id FROM again; COMMIT"
    ))
    .await
    .unwrap();
    stops(&app).await;
    let db = ferrotitre_base::db::Db::for_worker(&app.shared.address(DatabaseRole::Service, &app.database)).unwrap();
    let decider = |client: &ferrotitre_tests::Client, password: &str| Decider {
        account: client.code.clone(),
        password: password.to_owned().into(),
    };
    let key = (&app.shared.seal_key, &app.memory);
    let manager = || decider(&app.manager, &app.manager.password);
    let reason = "restored from the backup of Friday";
    let twice = resume(&db, key, &[manager(), manager()], reason).await.unwrap_err();
    assert_eq!(twice.code.text(), "own_record");
    let wrong = resume(&db, key, &[manager(), decider(&app.auditor, "wrong password")], reason).await.unwrap_err();
    assert_eq!(wrong.code.text(), "forbidden");
    let analyst = decider(&app.analyst, &app.analyst.password);
    assert_eq!(resume(&db, key, &[manager(), analyst], reason).await.unwrap_err().code.text(), "forbidden");
    until("the sealer leaves its lock", async || {
        resume(&db, key, &[manager(), decider(&app.auditor, &app.auditor.password)], reason).await.ok()
    })
    .await;
    app.sealed().await;
    // The service says so with its next look at the log.
    until("the service is ready", async || (app.nobody.get("/ready").await.status == 200).then_some(())).await;
    let report = check(&app).await;
    assert!(report.notes.iter().any(|note| note.contains("decided to go on") && note.contains(reason)), "{report:?}");
}
