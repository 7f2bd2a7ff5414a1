//! The periodic review: each begins where the one before ended, covers everything up to its head, and is signed over what was seen.

use ferrotitre_ledger::audit::verify::{self, Against, Report};
use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{self, day, minutes_ago, text};
use ferrotitre_tests::client::{Answer, Client};
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};

use crate::pages::Visitor;

async fn next(who: &Client) -> Value {
    who.get("/trail-reviews/next").await.expect(200)
}

/// Signs what was seen.
async fn review(who: &Client, seen: &Value, changes: &Value) -> Answer {
    let mut new = json!({
        "until_size": seen["until_size"], "content_digest": seen["content_digest"], "password": who.password,
        "findings": "looked at every row; nothing to object to", "nonconformities": [],
    });
    for (name, value) in changes.as_object().unwrap() {
        new[name] = value.clone();
    }
    who.post("/trail-reviews", &new).await
}

async fn check(app: &TestApp) -> Report {
    app.sealed().await;
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let remembered = app.memory.read().unwrap();
    let key = app.shared.seal_key.public();
    verify::check(&connection, Against { key: &key, remembered: remembered.as_ref(), kept: &[] }).await.unwrap()
}

fn rows(of: &Value, list: &str) -> i64 {
    let count = of["lists"].as_array().unwrap().iter().find(|count| count["list"] == list).unwrap();
    count["rows"].as_i64().unwrap()
}

async fn count(app: &TestApp, sql: &str) -> i64 {
    app.sql(DatabaseRole::Superuser).await.query_one(sql, &[]).await.unwrap().get(0)
}

#[tokio::test(flavor = "multi_thread")]
async fn periods_join_without_a_gap_from_the_first_event_on() {
    let app = TestApp::start().await;
    app.sealed().await;
    let seen = next(&app.manager).await;
    assert_eq!((&seen["number"], &seen["from_size"]), (&json!(1), &json!(0)));
    assert_eq!(seen["events"], seen["until_size"]);
    let first = review(&app.manager, &seen, &json!({})).await.expect(201);
    assert_eq!(first["sign_offs"][0]["printed_name"], "manager-1");
    assert_eq!(
        (&first["sign_offs"][0]["meaning"], &first["sign_offs"][0]["still_valid"]),
        (&json!("reviewed"), &json!(true))
    );
    assert_eq!(first["root_hash"], seen["root_hash"]);
    app.sealed().await;
    let seen = next(&app.auditor).await;
    assert_eq!(
        (&seen["number"], &seen["from_size"], &seen["from"]),
        (&json!(2), &first["until_size"], &first["until"])
    );
    let second = review(&app.auditor, &seen, &json!({})).await.expect(201);
    let all = app.auditor.get("/trail-reviews").await.expect(200);
    assert_eq!(
        (all["items"][0]["id"].clone(), all["items"][1]["id"].clone()),
        (second["id"].clone(), first["id"].clone())
    );
    let one = app.manager.get(&format!("/trail-reviews/{}", text(&second, "id"))).await.expect(200);
    assert_eq!(one["findings"], "looked at every row; nothing to object to");
    // Every event is under exactly one review or still to come.
    let under = "SELECT (SELECT sum(until_size - from_size) FROM trail_reviews)::bigint - (SELECT max(until_size) FROM trail_reviews)";
    assert_eq!(count(&app, under).await, 0);
    let report = check(&app).await;
    assert_eq!((report.findings.clone(), report.reviews), (Vec::<String>::new(), 2));
    assert!(report.text().contains("checked with their signatures: 2"), "{}", report.text());
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_signs_a_review_whose_counts_moved_in_between() {
    let app = TestApp::start().await;
    app.sealed().await;
    let seen = next(&app.manager).await;
    app.nobody.sign_in("stranger", "some password").await.refused(401, "bad_credentials");
    let problem = review(&app.manager, &seen, &json!({})).await.refused(412, "stale_version");
    assert!(text(&problem, "detail").contains("Sign-ins refused and passwords set: 1 more"), "{problem}");
    let changed = problem["facts"]["changed"].as_array().unwrap_or_else(|| panic!("{problem}"));
    assert!(changed.iter().any(|list| list["list"] == "refused-sign-ins" && list["rows"] == 1), "{problem}");
    assert_eq!(app.row_counts(&["trail_reviews", "sign_offs"]).await, [0, 0]);
    app.sealed().await;
    let again = next(&app.manager).await;
    assert_eq!(rows(&again, "refused-sign-ins"), rows(&seen, "refused-sign-ins") + 1);
    // The digest of what was seen first is no other's, and none at all signs nothing.
    for digest in [seen["content_digest"].clone(), Value::Null, json!("0".repeat(64))] {
        let changes = json!({ "content_digest": digest });
        review(&app.manager, &again, &changes).await.refused(412, "stale_version");
    }
    // What is in no list may go on meanwhile; it is under the next review.
    let _ = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    let signed = review(&app.manager, &again, &json!({})).await.expect(201);
    app.sealed().await;
    assert_eq!(next(&app.manager).await["from_size"], signed["until_size"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_review_that_hides_the_last_day_is_refused_and_what_it_left_out_comes_next() {
    let app = TestApp::start().await;
    app.sealed().await;
    let early = next(&app.manager).await;
    let old = early["until_size"].as_i64().unwrap();
    let _ = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    app.sealed().await;
    // The head is dated two days back, as if it had been looked at then; only a superuser can.
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute("SET session_replication_role = replica").await.unwrap();
    let date = format!("UPDATE audit_tree_heads SET signed_at = signed_at - interval '2 days' WHERE tree_size = {old}");
    sql.batch_execute(&date).await.unwrap();
    let hidden = app.manager.get(&format!("/trail-reviews/next?until_size={old}")).await.expect(200);
    let problem = review(&app.manager, &hidden, &json!({})).await.refused(412, "stale_version");
    assert!(text(&problem, "detail").contains("there is more"), "{problem}");
    // A size that is no head, one beyond the log, and one that is under review already.
    let seen = next(&app.manager).await;
    for size in [3, 1_000_000] {
        let changes = json!({ "until_size": size });
        let problem = review(&app.manager, &seen, &changes).await.refused(422, "invalid_input");
        assert_eq!(problem["errors"][0]["field"], "until_size", "{problem}");
    }
    let _ = review(&app.manager, &seen, &json!({})).await.expect(201);
    let _ = review(&app.manager2, &seen, &json!({})).await.refused(412, "stale_version");
    app.manager.get(&format!("/trail-reviews/next?until_size={old}")).await.refused(412, "stale_version");
}

#[tokio::test(flavor = "multi_thread")]
async fn of_two_who_sign_the_same_time_at_once_one_does() {
    let app = TestApp::start().await;
    app.sealed().await;
    let seen = next(&app.manager).await;
    let nothing = json!({});
    let (first, second) = tokio::join!(review(&app.manager, &seen, &nothing), review(&app.auditor, &seen, &nothing));
    let mut statuses = [first.status, second.status];
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 412], "{} {}", first.text, second.text);
    assert_eq!(app.row_counts(&["trail_reviews"]).await, [1]);
    assert_eq!(check(&app).await.findings, Vec::<String>::new());
}

#[tokio::test(flavor = "multi_thread")]
async fn who_may_review_and_what_a_review_needs() {
    let app = TestApp::start().await;
    app.sealed().await;
    let seen = next(&app.manager).await;
    for who in [&app.analyst, &app.administrator] {
        review(who, &seen, &json!({})).await.refused(403, "forbidden");
        who.get("/trail-reviews/next").await.refused(403, "forbidden");
    }
    let problem = review(&app.manager, &seen, &json!({ "findings": " ok " })).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "findings");
    let unknown = json!({ "nonconformities": ["NC-404"] });
    let problem = review(&app.manager, &seen, &unknown).await.refused(422, "invalid_input");
    assert_eq!(
        (&problem["errors"][0]["field"], &problem["errors"][0]["value"]),
        (&json!("nonconformities"), &json!("NC-404"))
    );
    // A wrong password is on record, and so there is more than was seen.
    review(&app.manager, &seen, &json!({ "password": "not the password" })).await.refused(403, "secret_wrong");
    review(&app.manager, &seen, &json!({})).await.refused(412, "stale_version");
    let opened = json!({
        "source": "complaint", "severity": "minor", "title": "wrong passwords at night", "scope": "one account",
        "owner": app.analyst.id, "due_on": day(30), "observed_at": minutes_ago(10),
    });
    let code = text(&app.auditor.post("/nonconformities", &opened).await.expect(201), "code");
    app.sealed().await;
    let seen = next(&app.auditor).await;
    let signed = review(&app.auditor, &seen, &json!({ "nonconformities": [code, code, " "] })).await.expect(201);
    assert_eq!(signed["nonconformities"], json!([code]));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_forged_review_is_found_by_the_check() {
    let app = TestApp::start().await;
    app.sealed().await;
    let _ = review(&app.manager, &next(&app.manager).await, &json!({})).await.expect(201);
    assert_eq!(check(&app).await.findings, Vec::<String>::new());
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute("SET session_replication_role = replica").await.unwrap();
    for (change, found) in [
        (
            "UPDATE trail_reviews SET refused_sign_ins = 0, exclusions = exclusions + 1",
            "counted other rows than there are",
        ),
        ("UPDATE trail_reviews SET findings = 'all was well with everything'", "is not what its signature stands over"),
        ("UPDATE trail_reviews SET from_size = 1", "does not begin where the one before ended"),
        ("UPDATE trail_reviews SET root_hash = sha256('x')", "is not over the tree head"),
        ("DELETE FROM sign_offs WHERE entity_kind = 'trail_reviews'", "is not signed"),
    ] {
        sql.batch_execute("BEGIN").await.unwrap();
        let before = "CREATE TEMP TABLE kept AS SELECT * FROM trail_reviews; CREATE TEMP TABLE signed AS SELECT * FROM sign_offs";
        sql.batch_execute(before).await.unwrap();
        sql.batch_execute(change).await.unwrap();
        sql.batch_execute("COMMIT").await.unwrap();
        let report = check(&app).await;
        assert!(report.findings.iter().any(|finding| finding.contains(found)), "{change}: {:#?}", report.findings);
        let back = "DELETE FROM trail_reviews; INSERT INTO trail_reviews SELECT * FROM kept; DROP TABLE kept; \
                    DELETE FROM sign_offs; INSERT INTO sign_offs SELECT * FROM signed; DROP TABLE signed";
        sql.batch_execute(back).await.unwrap();
    }
    assert_eq!(check(&app).await.findings, Vec::<String>::new());
    // The service's own role, with a gap of its own making.
    let service = app.sql(DatabaseRole::Service).await;
    service
        .batch_execute("SELECT set_config('ferrotitre.act', '{\"kind\": \"system\", \"action\": \"test\"}', false)")
        .await
        .unwrap();
    let skip = "INSERT INTO trail_reviews (id, number, from_size, until_size, root_hash, from_at, until_at, exclusions, corrections, \
                released, refused_sign_ins, sign_ins, findings, nonconformities, recorded_by) \
                SELECT gen_random_uuid(), 2, until_size + 1, until_size + 2, root_hash, until_at, until_at, 0, 0, 0, 0, 0, 'nothing', '{}', recorded_by \
                FROM trail_reviews";
    let error = service.batch_execute(skip).await.unwrap_err();
    let constraint = error.as_db_error().and_then(|error| error.constraint().map(str::to_owned));
    assert_eq!(constraint.as_deref(), Some("trail_reviews_join"));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_empty_store_does_not_nag_and_a_review_that_is_due_is_on_the_day() {
    let app = TestApp::start().await;
    app.sealed().await;
    let due = async || {
        let alerts = app.auditor.get("/alerts").await.expect(200);
        let found = alerts["items"]
            .as_array()
            .unwrap()
            .iter()
            .find(|one| one["kind"] == "review of the audit trail due")
            .cloned();
        found.map(|alert| text(&alert, "urgency"))
    };
    assert_eq!(due().await, None);
    // The store is made older than it is; only a superuser can.
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute("SET session_replication_role = replica").await.unwrap();
    let older = "UPDATE audit_events SET at = at - interval '80 days' WHERE id = (SELECT id FROM audit_events ORDER BY at LIMIT 1)";
    sql.batch_execute(older).await.unwrap();
    assert_eq!(due().await.as_deref(), Some("soon"));
    sql.batch_execute(older).await.unwrap();
    assert_eq!(due().await.as_deref(), Some("now"));
    let page = Visitor::of(app.running.address, &app.manager).get("/day").await.text;
    assert!(page.contains("Reviews of the audit trail") && page.contains("href=\"/audit/reviews\""), "{page}");
    let analyst = Visitor::of(app.running.address, &app.analyst).get("/day").await.text;
    assert!(
        !analyst.contains("href=\"/audit/reviews\""),
        "an analyst is not led to a page that is not theirs: {analyst}"
    );
    let _ = review(&app.manager, &next(&app.manager).await, &json!({})).await.expect(201);
    assert_eq!(due().await, None);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_page_shows_what_is_new_and_signs_it() {
    let app = TestApp::start().await;
    app.nobody.sign_in("stranger", "some password").await.refused(401, "bad_credentials");
    app.sealed().await;
    let visitor = Visitor::of(app.running.address, &app.auditor);
    assert!(visitor.get("/audit/reviews").await.text.contains("Nobody has reviewed the audit trail yet"));
    let form = visitor.get("/audit/reviews/new").await;
    assert!(form.text.contains("stranger") && form.text.contains("refused: unknown name"), "{}", form.text);
    let seen = next(&app.auditor).await;
    let size = seen["until_size"].to_string();
    let hidden: Vec<(&str, String)> =
        ["_code", "_key", "content_digest"].iter().map(|name| (*name, form.hidden(name).to_owned())).collect();
    assert_eq!(hidden[2].1, text(&seen, "content_digest"));
    let mut sent: Vec<(&str, &str)> = hidden.iter().map(|(name, value)| (*name, value.as_str())).collect();
    sent.extend([
        ("until_size", size.as_str()),
        ("findings", "one unknown name, a typing error of the auditor"),
        ("nonconformities", ""),
        ("password", app.auditor.password.as_str()),
    ]);
    let answer = visitor.post("/audit/reviews/new", &sent).await;
    assert_eq!(answer.status, 303, "{}", answer.text);
    let listed = visitor.get("/audit/reviews").await.text;
    assert!(listed.contains("one unknown name, a typing error of the auditor"), "{listed}");
    let one = text(&app.auditor.get("/trail-reviews").await.expect(200)["items"][0], "id");
    let page = visitor.get(&format!("/audit/reviews/{one}")).await.text;
    assert!(page.contains("I reviewed the audit trail of this period") && page.contains("auditor-1"), "{page}");
    for place in ["/audit/lists", "/audit/lists/sign-ins?account=auditor-1", "/audit/lists/exclusions"] {
        assert_eq!(visitor.get(place).await.status, 200, "{place}");
    }
    let analyst = Visitor::of(app.running.address, &app.analyst);
    for place in ["/audit/lists", "/audit/lists/sign-ins", "/audit/reviews", "/audit/reviews/new"] {
        assert_eq!(analyst.get(place).await.status, 403, "{place}");
    }
    assert!(!analyst.get("/audit").await.text.contains("/audit/lists"));
}
