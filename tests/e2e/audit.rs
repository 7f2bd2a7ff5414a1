//! Every change has its event, and the check of the store names every forgery.

use ferrotitre_core::merkle::{Hash, verify_consistency, verify_inclusion};
use ferrotitre_ledger::audit::verify::{self, Against, KeptHead, Report};
use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{self, text};
use ferrotitre_tests::cluster::{DatabaseRole, until};
use serde_json::{Value, json};
use tokio_postgres::Client as Sql;
use uuid::Uuid;

async fn check(app: &TestApp, kept: &[KeptHead]) -> Report {
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let remembered = app.memory.read().unwrap();
    let key = app.shared.seal_key.public();
    verify::check(&connection, Against { key: &key, remembered: remembered.as_ref(), kept }).await.unwrap()
}

/// A little work whose events are then forged.
async fn work(app: &TestApp) -> Uuid {
    let sample = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    let id = text(&sample, "id");
    let mut facts = bench::sample("S-1");
    facts["condition"] = json!("seal broken");
    let correction = json!({ "reason": "looked again in better light", "facts": facts });
    let path = format!("/samples/{id}/corrections");
    let _ = app.analyst.post_if_match(&path, &text(&sample, "version_id"), &correction).await.expect(201);
    let _ = app.analyst.post(&format!("/samples/{id}/moves"), &json!({ "to": "accepted" })).await.expect(201);
    app.sealed().await;
    id.parse().unwrap()
}

/// A superuser who switches the triggers off for the session: the strongest forger there is inside the database.
async fn forger(app: &TestApp) -> Sql {
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute("SET session_replication_role = replica").await.unwrap();
    sql
}

async fn forge(sql: &Sql, statement: &str) {
    assert!(sql.execute(statement, &[]).await.unwrap() > 0, "{statement} changed nothing");
}

#[track_caller]
fn assert_finds(report: &Report, what: &str) {
    assert!(report.findings.iter().any(|finding| finding.contains(what)), "no '{what}' in {:#?}", report.findings);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_event_tells_who_did_what_with_the_rows_before_and_after() {
    let app = TestApp::start().await;
    let answer = app.analyst.post("/samples", &bench::sample("S-1")).await;
    let request = answer.header("x-request-id").to_owned();
    let sample = answer.expect(201);
    let (id, version) = (text(&sample, "id"), text(&sample, "version_id"));
    let mut facts = bench::sample("S-1");
    facts["condition"] = json!("seal broken");
    let correction = json!({ "reason": "looked again in better light", "facts": facts });
    let path = format!("/samples/{id}/corrections");
    let corrected = app.analyst2.post_if_match(&path, &version, &correction).await.expect(201);
    let event = async |entity: &str| {
        let page = app.auditor.get(&format!("/audit-events?entity_id={entity}")).await.expect(200);
        assert_eq!(page["items"].as_array().unwrap().len(), 1, "{page}");
        page["items"][0].clone()
    };
    let first = event(&version).await;
    assert_eq!(first["actor"], json!(app.analyst.id));
    assert_eq!(first["actor_kind"], "person");
    assert_eq!(first["source_address"], "127.0.0.1");
    assert_eq!(first["action"], "register_samples");
    assert_eq!(first["entity_kind"], "samples");
    assert_eq!(first["request_id"], json!(request));
    assert_eq!(first["before_row"], Value::Null);
    let after: Value = serde_json::from_str(first["after_row"].as_str().unwrap()).unwrap();
    assert_eq!((&after["code"], &after["condition"]), (&json!("S-1"), &json!("intact")));
    let second = event(&text(&corrected, "version_id")).await;
    assert_eq!(second["actor"], json!(app.analyst2.id));
    assert_eq!(second["reason"], "looked again in better light");
    assert_eq!(second["before_row"], first["after_row"], "the row before is the row that was recorded");
    let after: Value = serde_json::from_str(second["after_row"].as_str().unwrap()).unwrap();
    assert_eq!((&after["version"], &after["condition"]), (&json!(2), &json!("seal broken")));
}

#[tokio::test(flavor = "multi_thread")]
async fn every_insert_has_exactly_one_event_and_nothing_is_found_in_an_honest_store() {
    let app = TestApp::start().await;
    work(&app).await;
    let sql = app.sql(DatabaseRole::Superuser).await;
    let find = "SELECT c.relname::text FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid WHERE t.tgname = 'audit'";
    let mut total = 0_i64;
    for row in sql.query(find, &[]).await.unwrap() {
        let table: String = row.get(0);
        let rows: i64 = sql.query_one(&format!("SELECT count(*) FROM {table}"), &[]).await.unwrap().get(0);
        let count = "SELECT count(*), count(DISTINCT entity_id) FROM audit_events WHERE entity_kind = $1";
        let events = sql.query_one(count, &[&table]).await.unwrap();
        assert_eq!((events.get::<_, i64>(0), events.get::<_, i64>(1)), (rows, rows), "{table}");
        total += rows;
    }
    let events: i64 = sql.query_one("SELECT count(*) FROM audit_events", &[]).await.unwrap().get(0);
    assert_eq!(events, total, "no event without its row");
    let report = check(&app, &[]).await;
    assert_eq!(report.findings, Vec::<String>::new());
    assert_eq!(report.leaves, u64::try_from(total).unwrap());
    assert!(report.heads > 0 && report.tables > 10, "{report:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_request_leaves_neither_row_nor_event() {
    let app = TestApp::start().await;
    work(&app).await;
    let tables = ["samples", "audit_events", "idempotency_keys"];
    let before = app.row_counts(&tables).await;
    app.analyst.post_with_key("/samples", "k1", &bench::sample("S-1")).await.refused(409, "already_exists");
    assert_eq!(app.row_counts(&tables).await, before);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_altered_record_is_named() {
    let app = TestApp::start().await;
    work(&app).await;
    let sql = forger(&app).await;
    forge(&sql, "UPDATE samples SET condition = 'perfect' WHERE version = 1").await;
    let id: Uuid = sql.query_one("SELECT id FROM samples WHERE version = 1", &[]).await.unwrap().get(0);
    let report = check(&app, &[]).await;
    assert_finds(&report, &format!("a row of samples differs from its event: {id}"));
    assert_eq!(report.findings.len(), 1, "and nothing else: {:?}", report.findings);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_removed_or_smuggled_record_is_named() {
    let app = TestApp::start().await;
    work(&app).await;
    let sql = forger(&app).await;
    forge(&sql, "DELETE FROM state_moves WHERE entity_kind = 'samples'").await;
    let smuggle = "INSERT INTO sign_in_attempts (id, account_id, succeeded, purpose) \
                   SELECT gen_random_uuid(), id, true, 'sign in' FROM accounts LIMIT 1";
    forge(&sql, smuggle).await;
    let report = check(&app, &[]).await;
    assert_finds(&report, "a row of state_moves is gone");
    assert_finds(&report, "a row of sign_in_attempts has no event");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_list_that_shows_another_state_than_the_moves_is_found() {
    let app = TestApp::start().await;
    let sample = work(&app).await;
    assert_eq!(check(&app, &[]).await.findings, Vec::<String>::new());
    let sql = forger(&app).await;
    forge(&sql, "UPDATE present_states SET state = 'disposed' WHERE state = 'accepted'").await;
    let report = check(&app, &[]).await;
    assert_finds(&report, &format!("lists show a row of samples in another state than its moves: {sample}"));
    assert_eq!(report.findings.len(), 1, "{:?}", report.findings);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_altered_event_is_named_even_if_the_record_was_altered_to_fit() {
    let app = TestApp::start().await;
    work(&app).await;
    let sql = forger(&app).await;
    forge(&sql, "UPDATE samples SET condition = 'perfect' WHERE version = 1").await;
    forge(
        &sql,
        "UPDATE audit_events e SET after_row = (SELECT to_jsonb(s)::text FROM samples s WHERE s.id = e.entity_id) \
         WHERE entity_id = (SELECT id FROM samples WHERE version = 1)",
    )
    .await;
    let event: Uuid = sql
        .query_one("SELECT id FROM audit_events WHERE entity_id = (SELECT id FROM samples WHERE version = 1)", &[])
        .await
        .unwrap()
        .get(0);
    let report = check(&app, &[]).await;
    assert_finds(&report, &format!("event {event} differs from its leaf"));
    assert_finds(&report, "has another root");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_changed_actor_time_or_address_of_an_event_is_named() {
    for change in ["actor = NULL", "at = at - interval '1 day'", "source_address = '192.0.2.1'", "action = 'seal'"] {
        let app = TestApp::start().await;
        work(&app).await;
        let sql = forger(&app).await;
        forge(&sql, &format!("UPDATE audit_events SET {change} WHERE entity_kind = 'samples'")).await;
        assert_finds(&check(&app, &[]).await, "differs from its leaf");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_removed_event_is_named() {
    let app = TestApp::start().await;
    work(&app).await;
    let sql = forger(&app).await;
    let find = "SELECT l.leaf_index FROM audit_leaves l JOIN audit_events e ON e.id = l.event_id \
                WHERE e.entity_kind = 'samples' ORDER BY 1 LIMIT 1";
    let index: i64 = sql.query_one(find, &[]).await.unwrap().get(0);
    let delete =
        format!("DELETE FROM audit_events WHERE id = (SELECT event_id FROM audit_leaves WHERE leaf_index = {index})");
    forge(&sql, &delete).await;
    let report = check(&app, &[]).await;
    assert_finds(&report, &format!("leaf {index} is missing"));
    assert_finds(&report, "a row of samples has no event");
}

#[tokio::test(flavor = "multi_thread")]
async fn two_swapped_leaves_are_named() {
    let app = TestApp::start().await;
    work(&app).await;
    let sql = forger(&app).await;
    // Index and hash stay, the events change places; then whole leaves change places.
    let swap = |columns: &str| {
        format!(
            "UPDATE audit_leaves a SET {columns} FROM audit_leaves b \
             WHERE (a.leaf_index, b.leaf_index) IN ((3, 4), (4, 3))"
        )
    };
    sql.batch_execute("ALTER TABLE audit_leaves DROP CONSTRAINT audit_leaves_event_once").await.unwrap();
    forge(&sql, &swap("event_id = b.event_id")).await;
    let report = check(&app, &[]).await;
    assert_finds(&report, "differs from its leaf 3");
    assert_finds(&report, "differs from its leaf 4");
    forge(&sql, &swap("leaf_hash = b.leaf_hash")).await;
    assert_finds(&check(&app, &[]).await, "has another root");
}

async fn latest_head(app: &TestApp) -> KeptHead {
    let head = app.auditor.get("/audit-tree/heads/latest").await.expect(200);
    KeptHead { tree_size: head["tree_size"].as_u64().unwrap(), root: hash(&head["root_hash"]) }
}

fn hash(value: &Value) -> Hash {
    hex::decode(value.as_str().unwrap()).unwrap().try_into().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_cut_off_end_is_proved_by_a_head_kept_elsewhere() {
    let app = TestApp::start().await;
    let earlier = latest_head_after(&app, "S-0").await;
    work(&app).await;
    let kept = latest_head(&app).await;
    assert_eq!(check(&app, &[earlier.clone(), kept.clone()]).await.findings, Vec::<String>::new());
    let sql = forger(&app).await;
    let size = i64::try_from(earlier.tree_size).unwrap();
    // The forger removes leaves, events, rows and heads alike, so that inside the store nothing is missing.
    for statement in [
        "DELETE FROM samples WHERE recorded_at >= (SELECT min(at) FROM audit_events e JOIN audit_leaves l ON l.event_id = e.id WHERE l.leaf_index >= $1)",
        "DELETE FROM state_moves WHERE recorded_at >= (SELECT min(at) FROM audit_events e JOIN audit_leaves l ON l.event_id = e.id WHERE l.leaf_index >= $1) - interval '1 s' AND entity_kind = 'samples'",
        "DELETE FROM audit_events WHERE id IN (SELECT event_id FROM audit_leaves WHERE leaf_index >= $1)",
        "DELETE FROM audit_leaves WHERE leaf_index >= $1",
        "DELETE FROM audit_checkpoints WHERE tree_size > $1",
        "DELETE FROM audit_tree_heads WHERE tree_size > $1",
    ] {
        sql.execute(statement, &[&size]).await.unwrap();
    }
    sql.execute("DELETE FROM samples WHERE code = 'S-1'", &[]).await.unwrap();
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let key = app.shared.seal_key.public();
    let alone = verify::check(&connection, Against { key: &key, remembered: None, kept: &[] }).await.unwrap();
    assert_eq!(
        alone.findings,
        Vec::<String>::new(),
        "without a kept head and the sealer's memory the store looks honest"
    );
    assert_finds(&check(&app, &[]).await, "its end was cut off");
    let finding = format!("the kept head of size {} is beyond the log", kept.tree_size);
    assert_finds(&check(&app, std::slice::from_ref(&kept)).await, &finding);
    // Growing again does not help the forger: nothing more is signed.
    let _ = app.analyst.post("/samples", &bench::sample("S-9")).await.expect(201);
    until("sealing has stopped", async || (app.nobody.get("/ready").await.status == 503).then_some(())).await;
    assert_eq!(latest_head(&app).await.tree_size, earlier.tree_size);
}

async fn latest_head_after(app: &TestApp, code: &str) -> KeptHead {
    let _ = app.analyst.post("/samples", &bench::sample(code)).await.expect(201);
    app.sealed().await;
    latest_head(app).await
}

#[tokio::test(flavor = "multi_thread")]
async fn leaves_cut_off_while_their_heads_or_events_stay_are_named() {
    let app = TestApp::start().await;
    work(&app).await;
    let sql = forger(&app).await;
    forge(&sql, "DELETE FROM audit_leaves WHERE leaf_index >= (SELECT max(leaf_index) - 1 FROM audit_leaves)").await;
    let report = check(&app, &[]).await;
    assert_finds(&report, "has no leaves up to there");
    assert_finds(&report, "an event is neither in the tree nor waiting for it");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_rewritten_head_is_named() {
    let app = TestApp::start().await;
    work(&app).await;
    let sql = forger(&app).await;
    let last = "tree_size = (SELECT max(tree_size) FROM audit_tree_heads)";
    forge(&sql, &format!("UPDATE audit_tree_heads SET root_hash = sha256('other') WHERE {last}")).await;
    let report = check(&app, &[]).await;
    assert_finds(&report, "has another root");
    assert_finds(&report, "the signature of the tree head");
    let app = TestApp::start().await;
    work(&app).await;
    let sql = forger(&app).await;
    forge(&sql, &format!("UPDATE audit_tree_heads SET signed_at = signed_at - interval '1 hour' WHERE {last}")).await;
    let report = check(&app, &[]).await;
    assert_finds(&report, "the signature of the tree head");
    assert_eq!(report.findings.len(), 1, "{:?}", report.findings);
}

#[tokio::test(flavor = "multi_thread")]
async fn proofs_from_the_service_hold_by_the_published_algorithm() {
    let app = TestApp::start().await;
    let older = latest_head_after(&app, "S-0").await;
    let sample = work(&app).await;
    let events = app.auditor.get("/audit-events?limit=200").await.expect(200);
    let newest = latest_head(&app).await;
    assert!(newest.tree_size > older.tree_size);
    for event in events["items"].as_array().unwrap() {
        let path = format!("/audit-events/{}/inclusion-proof", event["id"].as_str().unwrap());
        let proof = app.auditor.get(&path).await.expect(200);
        assert_eq!(proof["leaf_hash"], event["leaf_hash"]);
        let nodes: Vec<Hash> = proof["proof"].as_array().unwrap().iter().map(hash).collect();
        let (index, size) = (proof["leaf_index"].as_u64().unwrap(), proof["head"]["tree_size"].as_u64().unwrap());
        let (leaf, root) = (hash(&proof["leaf_hash"]), hash(&proof["head"]["root_hash"]));
        assert!(verify_inclusion(&leaf, index, size, &nodes, &root).is_ok(), "{proof}");
        let mut other = leaf;
        other[0] ^= 1;
        assert!(verify_inclusion(&other, index, size, &nodes, &root).is_err(), "a proof must not fit another leaf");
    }
    let path = format!("/audit-tree/consistency-proof?older={}&newer={}", older.tree_size, newest.tree_size);
    let proof = app.auditor.get(&path).await.expect(200);
    assert_eq!((hash(&proof["older_root"]), hash(&proof["newer_root"])), (older.root, newest.root));
    let nodes: Vec<Hash> = proof["proof"].as_array().unwrap().iter().map(hash).collect();
    let verdict = verify_consistency(older.tree_size, newest.tree_size, &nodes, &older.root, &newest.root);
    assert!(verdict.is_ok(), "{proof}");
    app.auditor.get("/audit-tree/consistency-proof?older=5&newer=4").await.refused(422, "invalid_input");
    app.auditor.get("/audit-tree/consistency-proof?older=1&newer=1000000").await.refused(422, "invalid_input");
    app.auditor.get(&format!("/audit-events/{sample}/inclusion-proof")).await.refused(404, "not_found");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_analyst_sees_own_events_and_an_administrator_no_contents() {
    let app = TestApp::start().await;
    work(&app).await;
    let items = |page: Value| page["items"].as_array().unwrap().clone();
    let own = items(app.analyst.get("/audit-events?limit=200").await.expect(200));
    assert!(!own.is_empty() && own.iter().all(|event| event["actor"] == json!(app.analyst.id)));
    let asked_for_other = format!("/audit-events?limit=200&actor={}", app.administrator.id);
    let other = items(app.analyst.get(&asked_for_other).await.expect(200));
    assert!(other.iter().all(|event| event["actor"] == json!(app.analyst.id)));
    let seen = items(app.administrator.get("/audit-events?limit=200").await.expect(200));
    assert!(seen.len() > own.len());
    assert!(seen.iter().all(|event| event["after_row"].is_null() && event["before_row"].is_null()));
    let all = items(app.auditor.get("/audit-events?limit=200").await.expect(200));
    assert!(all.iter().all(|event| event["after_row"].is_string()));
}

#[tokio::test(flavor = "multi_thread")]
async fn the_trail_of_a_thing_is_found_by_its_code_with_everything_that_belongs_to_it() {
    let app = TestApp::start().await;
    let id = work(&app).await;
    let _ = app.analyst.post("/samples", &bench::sample("S-2")).await.expect(201);
    let trail = async |thing: &str| {
        let page = app.auditor.get(&format!("/audit-events?limit=200&thing={thing}")).await.expect(200);
        page["items"].as_array().unwrap().clone()
    };
    let by_code = trail("S-1").await;
    let kinds: Vec<&str> = by_code.iter().map(|event| event["entity_kind"].as_str().unwrap()).collect();
    // Both versions and the move, newest first, and nothing of the other sample.
    assert_eq!(kinds, ["state_moves", "samples", "samples"]);
    assert_eq!(trail(&id.to_string()).await, by_code, "by identity");
    assert_eq!(trail("S-404").await, Vec::<Value>::new());
    // An analyst sees the own part of it.
    let own = app.analyst2.get("/audit-events?thing=S-1").await.expect(200);
    assert_eq!(own["items"], json!([]));
}
