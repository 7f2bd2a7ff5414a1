//! What the service promised with an answer, against what became of the log.

use ferrotitre_check::bundle::{Against, Brought, Bundle};
use ferrotitre_check::receipt::Receipt;
use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{self, text};
use ferrotitre_tests::client::Answer;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};
use tokio_postgres::Client as Sql;

use super::{brought, log_key};
use crate::validation_studies::{method, most, plan, planned};

/// The lock of the sealer.
pub(crate) const LOCK: i64 = 0x6665_7272_6f74;

/// A superuser who keeps the sealer from its work, and forges meanwhile.
pub(crate) async fn forger(app: &TestApp) -> Sql {
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute(&format!("SET session_replication_role = replica; SELECT pg_advisory_lock({LOCK})"))
        .await
        .unwrap();
    sql
}

pub(crate) async fn period(app: &TestApp, key: &Brought) -> Bundle {
    let file = app.auditor.get("/exports/period-bundle?from=2020-01-01T00:00:00Z&until=2100-01-01T00:00:00Z").await;
    assert_eq!(file.status, 200, "{}", file.text);
    Bundle::open(&file.bytes, &Against { key, witnesses: &[], needed: 0 }).unwrap()
}

pub(crate) async fn sample(app: &TestApp, code: &str) -> Answer {
    let answer = app.analyst.post("/samples", &bench::sample(code)).await;
    assert_eq!(answer.status, 201, "{}", answer.text);
    answer
}

#[tokio::test(flavor = "multi_thread")]
async fn every_write_is_answered_with_a_receipt_that_the_log_keeps() {
    let app = TestApp::start().await;
    let key = brought(&log_key(&app.nobody).await);
    let answer = sample(&app, "S-1").await;
    let receipt = Receipt::open(answer.header("audit-receipt"), &key).unwrap();
    let found = receipt.check(Some(&answer.bytes), None).unwrap().text();
    assert!(found.contains("the answer is the one that was sent with it"), "{found}");
    assert!(receipt.check(Some(b"{}"), None).is_err(), "another answer");
    // As many events as the log has of this request, and with their leaves.
    let value: Value = serde_json::from_str(answer.header("audit-receipt")).unwrap();
    let sql = app.sql(DatabaseRole::Service).await;
    let request = answer.header("x-request-id").to_owned();
    let rows = sql
        .query("SELECT id::text FROM audit_events WHERE request_id = $1 ORDER BY at, id", &[&request])
        .await
        .unwrap();
    let ids: Vec<String> = rows.iter().map(|row| row.get(0)).collect();
    let promised: Vec<&str> =
        value["events"].as_array().unwrap().iter().map(|event| event["id"].as_str().unwrap()).collect();
    assert_eq!(promised, ids);
    assert_eq!((&value["request"], value["count"].as_u64()), (&json!(request), Some(ids.len() as u64)));
    app.sealed().await;
    let found = receipt.check(None, Some(&period(&app, &key).await)).unwrap().text();
    assert!(found.contains("is in the log as it was promised"), "{found}");
    // Any altered letter of it is refused.
    let header = answer.header("audit-receipt");
    for at in 0..header.len() {
        let mut bytes = header.as_bytes().to_vec();
        bytes[at] ^= 1;
        let altered = String::from_utf8(bytes).unwrap_or_default();
        assert!(Receipt::open(&altered, &key).is_err(), "{altered}");
    }
    // Reading makes no events, refusals promise nothing, what is put on record by a reader is promised.
    assert_eq!(app.auditor.get("/samples").await.header("audit-receipt"), "");
    assert_eq!(app.analyst.post("/samples", &bench::sample("S-1")).await.header("audit-receipt"), "");
    let id = text(&answer.json, "id");
    let moved = app.analyst.post(&format!("/samples/{id}/moves"), &json!({ "to": "accepted" })).await;
    assert!(!moved.header("audit-receipt").is_empty());
    let exported = app.auditor.get("/exports/determinations?format=csv").await;
    assert!(Receipt::open(exported.header("audit-receipt"), &key).is_ok());
}

#[tokio::test(flavor = "multi_thread")]
async fn an_event_altered_before_it_was_sealed_contradicts_its_receipt() {
    let app = TestApp::start().await;
    let key = brought(&log_key(&app.nobody).await);
    app.sealed().await;
    let sql = forger(&app).await;
    let answer = sample(&app, "S-1").await;
    let version = text(&answer.json, "version_id");
    sql.batch_execute(&format!(
        "UPDATE samples SET condition = 'broken' WHERE id = '{version}'; \
         UPDATE audit_events SET after_row = replace(after_row, '\"intact\"', '\"broken\"') WHERE entity_id = '{version}'; \
         SELECT pg_advisory_unlock({LOCK})"
    ))
    .await
    .unwrap();
    app.sealed().await;
    // The log is in order, and the receipt alone tells.
    let bundle = period(&app, &key).await;
    let receipt = Receipt::open(answer.header("audit-receipt"), &key).unwrap();
    let broken = receipt.check(Some(&answer.bytes), Some(&bundle)).unwrap_err();
    assert!(broken.contains("it was altered"), "{broken}");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_event_that_never_came_into_the_log_contradicts_its_receipt() {
    let app = TestApp::start().await;
    let key = brought(&log_key(&app.nobody).await);
    app.sealed().await;
    let sql = forger(&app).await;
    let [victim, before, after] = [sample(&app, "S-1").await, sample(&app, "S-2").await, sample(&app, "S-3").await];
    let version = |answer: &Answer| text(&answer.json, "version_id");
    sql.batch_execute(&format!(
        "UPDATE audit_events SET at = at - interval '1 hour' WHERE entity_id = '{}'; \
         UPDATE audit_events SET at = at + interval '1 hour' WHERE entity_id = '{}'; \
         DELETE FROM audit_pending WHERE event_id IN (SELECT id FROM audit_events WHERE entity_id = '{victim}'); \
         DELETE FROM audit_events WHERE entity_id = '{victim}'; DELETE FROM samples WHERE id = '{victim}'; \
         SELECT pg_advisory_unlock({LOCK})",
        version(&before),
        version(&after),
        victim = version(&victim),
    ))
    .await
    .unwrap();
    app.sealed().await;
    let bundle = period(&app, &key).await;
    let receipt = Receipt::open(victim.header("audit-receipt"), &key).unwrap();
    let broken = receipt.check(None, Some(&bundle)).unwrap_err();
    assert!(broken.contains("it was suppressed"), "{broken}");
    let kept = Receipt::open(before.header("audit-receipt"), &key).unwrap().check(None, Some(&bundle)).unwrap_err();
    assert!(kept.contains("it was altered"), "its time was: {kept}");
}

/// A refusal promises nothing: otherwise the failed sign-in of an account that exists would look other than one of a name that nobody
/// has.
#[tokio::test(flavor = "multi_thread")]
async fn a_failed_sign_in_does_not_say_by_its_headers_whether_there_is_such_an_account() {
    let app = TestApp::start().await;
    let names = async |account: &str| {
        let answer = app.nobody.sign_in(account, "not the password of anybody").await;
        assert_eq!(answer.status, 401, "{}", answer.text);
        let mut names: Vec<String> = answer.headers.keys().map(ToString::to_string).collect();
        names.sort();
        names
    };
    let known = names(&app.analyst.code).await;
    assert_eq!(known, names("nobody-of-that-name").await);
    assert!(!known.contains(&"audit-receipt".to_owned()), "{known:?}");
}

/// A plan of 14 characteristics makes more events than a receipt names; what holding it against the log comes to after somebody did
/// this to the events before they were sealed.
async fn many_events(done: &str) -> Result<String, String> {
    let app = TestApp::start().await;
    let key = brought(&log_key(&app.nobody).await);
    let characteristics = vec![planned("repeatability", "% m/m", 6, &json!({}), &[most("rsd_r", "0.6", "%")]); 14];
    let method = method(&app).await;
    app.sealed().await;
    let sql = forger(&app).await;
    let made = app.analyst.post("/validation-studies", &plan("VS-1", &method, &characteristics)).await;
    assert_eq!(made.status, 201, "{}", made.text);
    let value: Value = serde_json::from_str(made.header("audit-receipt")).unwrap();
    assert!(value["count"].as_u64().unwrap() > 12 && value.get("events").is_none(), "{value}");
    let [before, after] = [sample(&app, "S-1").await, sample(&app, "S-2").await];
    let version = |answer: &Answer| text(&answer.json, "version_id");
    sql.batch_execute(&format!(
        "UPDATE audit_events SET at = at - interval '1 hour' WHERE entity_id = '{}'; \
         UPDATE audit_events SET at = at + interval '1 hour' WHERE entity_id = '{}'; \
         {done}; SELECT pg_advisory_unlock({LOCK})",
        version(&before),
        version(&after)
    ))
    .await
    .unwrap();
    app.sealed().await;
    let receipt = Receipt::open(made.header("audit-receipt"), &key).unwrap();
    receipt.check(None, Some(&period(&app, &key).await)).map(|found| found.text())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_receipt_of_many_events_is_held_against_the_log_by_their_root() {
    let found = many_events("SELECT 1").await.unwrap();
    assert!(found.contains("events are in the log as they were promised"), "{found}");
    let altered = "UPDATE audit_events SET after_row = replace(after_row, 'repeatability as planned', 'as it came') WHERE id = \
                   (SELECT id FROM audit_events WHERE entity_kind = 'validation_characteristics' LIMIT 1)";
    let why = many_events(altered).await.unwrap_err();
    assert!(why.contains("one was altered or suppressed"), "{why}");
}
