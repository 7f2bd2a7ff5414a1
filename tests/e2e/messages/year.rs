//! A year of messages: the page and every filter begin at an index, however much lies behind.

use chrono::Utc;
use ferrotitre_base::alert::Urgency;
use ferrotitre_tests::cluster::DatabaseRole;

use super::{World, alert};

/// Messages of the year.
const MESSAGES: i64 = 100_000;
/// A page takes at most this, on a machine that does other things besides, s: common practice, no source.
const AT_MOST: f64 = 1.5;

#[tokio::test(flavor = "multi_thread")]
async fn a_page_of_a_hundred_thousand_messages_is_read_along_an_index() {
    let world = World::start().await;
    let sql = world.app.sql(DatabaseRole::Superuser).await;
    // One in five hundred was given up, the last hundred wait.
    for statement in [
        format!(
            "CREATE TEMP TABLE made AS SELECT n, now() - interval '365 days' + n * interval '5 minutes' AS at, \
             encode(substring(int8send((extract(epoch FROM now() - interval '365 days' + n * interval '5 minutes') * 1000)::bigint) FROM 3) \
             || decode('7000', 'hex') || decode('8000', 'hex') || substring(int8send(n::bigint) FROM 3), 'hex')::uuid AS id \
             FROM generate_series(1, {MESSAGES}) n"
        ),
        "INSERT INTO messages (id, kind, account_id, address, alerts, subject, body, made_at) SELECT id, 'at once', \
         (SELECT id FROM accounts ORDER BY id LIMIT 1), 'analyst@harbour.example', 1, 'B-' || n, repeat('the calibration ended; ', 20), at FROM made"
            .to_owned(),
        format!(
            "INSERT INTO message_tries SELECT id, 1, n % 500 <> 0, true, '250 2.0.0 taken', at FROM made WHERE n <= {MESSAGES} - 100"
        ),
        format!(
            "INSERT INTO messages_waiting SELECT id, 'mail', 0, now() + interval '1 hour' FROM made WHERE n > {MESSAGES} - 100"
        ),
        "ANALYZE messages, message_tries, messages_waiting".to_owned(),
    ] {
        sql.batch_execute(&statement).await.unwrap();
    }
    for (path, rows) in [
        ("/messages?limit=50", 50),
        ("/messages?limit=50&state=waiting", 50),
        ("/messages?limit=50&state=delivered", 50),
        ("/messages?limit=200&state=given%20up", 199),
    ] {
        // Once to warm up, as the first of every statement.
        let _ = world.app.manager.get(path).await.expect(200);
        let began = std::time::Instant::now();
        let page = world.app.manager.get(path).await.expect(200);
        let seconds = began.elapsed().as_secs_f64();
        eprintln!("{path}: {:.0} ms", seconds * 1000.0);
        assert_eq!(page["items"].as_array().unwrap().len(), rows, "{path}");
        assert!(seconds < AT_MOST, "{path} took {seconds:.2} s");
    }
    let began = std::time::Instant::now();
    world.sees(Utc::now(), &[alert("B-1", Urgency::Now)]).await;
    eprintln!("a look: {:.0} ms", began.elapsed().as_secs_f64() * 1000.0);
    let size = "SELECT pg_size_pretty(sum(pg_total_relation_size(c::regclass))) FROM unnest(ARRAY['messages', 'message_tries']) c";
    let size: String = sql.query_one(size, &[]).await.unwrap().get(0);
    eprintln!("size: {size}");
    let ceiling = "'ffffffff-ffff-ffff-ffff-ffffffffffff'";
    for query in [
        format!("SELECT * FROM messages WHERE id < {ceiling} ORDER BY id DESC LIMIT 51"),
        format!(
            "SELECT * FROM messages m WHERE id < {ceiling} AND EXISTS (SELECT FROM message_tries t WHERE t.message_id = m.id \
             AND t.delivered) ORDER BY id DESC LIMIT 51"
        ),
        format!(
            "SELECT m.* FROM message_tries q JOIN messages m ON m.id = q.message_id WHERE q.last AND NOT q.delivered \
             AND q.message_id < {ceiling} ORDER BY q.message_id DESC LIMIT 51"
        ),
    ] {
        let lines = sql.query(&format!("EXPLAIN {query}"), &[]).await.unwrap();
        let plan: Vec<String> = lines.iter().map(|line| line.get(0)).collect();
        let plan = plan.join("\n");
        assert!(!plan.contains("Seq Scan") && !plan.contains("Sort"), "{query} is read whole or sorted:\n{plan}");
    }
}
