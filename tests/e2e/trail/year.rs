//! A year of events: every list and every filter begins at an index, however much lies behind the page.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::cluster::DatabaseRole;
use tokio_postgres::Client as Sql;

/// Events of the year.
const EVENTS: i64 = 100_000;
/// A page takes at most this, on a machine that does other things besides, s: common practice, no source.
const AT_MOST: f64 = 1.5;

/// A year of sign-ins, moves and their events, with one rejected titre in two hundred; the triggers are switched off, and what they
/// would have written is written here.
async fn fill(sql: &Sql) {
    sql.batch_execute("SET session_replication_role = replica").await.unwrap();
    let statements = [
        format!(
            "CREATE TEMP TABLE made AS SELECT n, now() - interval '365 days' + n * interval '5 minutes' AS at, \
             encode(substring(int8send((extract(epoch FROM now() - interval '365 days' + n * interval '5 minutes') * 1000)::bigint) FROM 3) \
             || decode('7000', 'hex') || decode('8000', 'hex') || substring(int8send(n::bigint) FROM 3), 'hex')::uuid AS id \
             FROM generate_series(1, {EVENTS}) n"
        ),
        "INSERT INTO sign_in_attempts (id, account_id, succeeded, purpose, recorded_at) \
         SELECT id, (SELECT id FROM accounts ORDER BY id LIMIT 1), n % 100 <> 0, CASE WHEN n % 4 = 0 THEN 'sign in' ELSE 'sign' END, at \
         FROM made WHERE n % 2 = 0"
            .to_owned(),
        "INSERT INTO state_moves (id, entity_kind, entity_id, position, from_state, to_state, cause, reason, recorded_at) \
         SELECT id, 'titrations', gen_random_uuid(), 1, 'recorded', CASE WHEN n % 401 = 0 THEN 'rejected' ELSE 'accepted' END, \
         'air bubble', 'seen in the tip', at FROM made WHERE n % 2 = 1"
            .to_owned(),
        "INSERT INTO audit_events (id, at, actor, actor_kind, source_address, action, entity_kind, entity_id, after_row) \
         SELECT gen_random_uuid(), at, (SELECT id FROM accounts ORDER BY id LIMIT 1), 'person', '192.0.2.' || n % 250, \
         CASE WHEN n % 2 = 0 THEN 'sign_in' ELSE 'judge_titrations' END, \
         CASE WHEN n % 2 = 0 THEN 'sign_in_attempts' ELSE 'state_moves' END, id, '{\"id\": \"' || id || '\"}' FROM made"
            .to_owned(),
        "ANALYZE audit_events, state_moves, sign_in_attempts".to_owned(),
    ];
    for statement in statements {
        sql.batch_execute(&statement).await.unwrap();
    }
}

async fn paged(app: &TestApp, path: &str) -> (usize, f64) {
    let began = std::time::Instant::now();
    let page = app.auditor.get(path).await.expect(200);
    (page["items"].as_array().map_or(0, Vec::len), began.elapsed().as_secs_f64())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_of_a_year_is_read_along_an_index_wherever_it_begins() {
    let app = TestApp::start().await;
    let sql = app.sql(DatabaseRole::Superuser).await;
    fill(&sql).await;
    let old = (chrono::Utc::now() - chrono::Duration::days(200)).to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
    for path in [
        "/audit-events?limit=50".to_owned(),
        "/audit-events?limit=50&person=analyst-1".to_owned(),
        "/audit-events?limit=50&kind=state_moves".to_owned(),
        "/audit-events?limit=50&action=judge_titrations&kind=state_moves".to_owned(),
        format!("/audit-events?limit=50&until={old}"),
        "/audit-lists/exclusions?limit=50".to_owned(),
        format!("/audit-lists/exclusions?limit=50&until={old}"),
        "/audit-lists/corrections-after-signature?limit=50".to_owned(),
        "/audit-lists/released-while-out?limit=50".to_owned(),
        "/audit-lists/refused-sign-ins?limit=50".to_owned(),
        "/audit-lists/sign-ins?limit=50".to_owned(),
        format!("/audit-lists/sign-ins?limit=50&until={old}"),
        "/trail-reviews/next".to_owned(),
    ] {
        // Once to warm up, as the first of every statement.
        let _ = paged(&app, &path).await;
        let (rows, seconds) = paged(&app, &path).await;
        eprintln!("{path}: {rows} rows in {:.0} ms", seconds * 1000.0);
        assert!(seconds < AT_MOST, "{path} took {seconds:.2} s");
    }
    let (rows, _) = paged(&app, "/audit-lists/exclusions?limit=200").await;
    assert!(rows >= 100, "{rows}");
    // The sources of the lists, as the planner would read them.
    let ceiling = "'ffffffff-ffff-ffff-ffff-ffffffffffff'";
    for query in [
        format!(
            "SELECT m.id FROM state_moves m WHERE m.to_state IN ('rejected', 'invalid-with-cause') AND m.entity_kind IN \
             ('titrations', 'blanks', 'standardisation_titrations', 'runs', 'control_values') AND m.id < {ceiling} ORDER BY m.id DESC LIMIT 51"
        ),
        format!("SELECT a.id FROM sign_in_attempts a WHERE NOT a.succeeded AND a.id < {ceiling} ORDER BY a.id DESC LIMIT 51"),
        format!(
            "SELECT a.id FROM sign_in_attempts a WHERE (a.purpose = 'sign in' OR NOT a.succeeded) AND a.id < {ceiling} ORDER BY a.id DESC LIMIT 51"
        ),
        "SELECT e.id FROM audit_events e WHERE e.entity_kind = 'state_moves' AND e.at <= now() ORDER BY e.at DESC, e.id DESC LIMIT 51".to_owned(),
        "SELECT e.id FROM audit_events e WHERE e.action = 'release_lots' AND e.at <= now() ORDER BY e.at DESC, e.id DESC LIMIT 51".to_owned(),
    ] {
        let lines = sql.query(&format!("EXPLAIN {query}"), &[]).await.unwrap();
        let plan: Vec<String> = lines.iter().map(|line| line.get(0)).collect();
        let plan = plan.join("\n");
        assert!(!plan.contains("Seq Scan") && !plan.contains("Sort"), "{query} is read whole or sorted:\n{plan}");
    }
}
