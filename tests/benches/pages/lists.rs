//! Lists with a thousand rows and with many more: how long a page of the list takes, as the browser sees it. Both fill whole
//! pages, so that only the length of the history differs.

use std::path::{Path, PathBuf};
use std::process::Command;

use ferrotitre_tests::browser::Browser;

use crate::{Outcome, Service};

/// Lists, and lists narrowed to what is common, rare and absent.
const LISTS: [&str; 16] = [
    "/day",
    "/bench",
    "/determinations",
    "/determinations?state=submitted",
    "/determinations?state=approved",
    "/determinations?state=returned",
    "/samples",
    "/runs",
    "/runs?state=open",
    "/runs?state=released",
    "/iron-results",
    "/nonconformities",
    "/nonconformities?state=opened",
    "/nonconformities?state=closed",
    "/exports",
    "/audit",
];

/// Loads of each page; the median is shown.
const LOADS: usize = 9;

/// From the request to the last byte of the page.
const TOOK: &str = "const page = performance.getEntriesByType('navigation')[0]; \
    return page.responseEnd - page.requestStart;";

/// Rows of each kind that whole pages need.
const FEW: usize = 1000;

/// Measures with few rows and with many.
pub(crate) async fn measure(service: &Service, data: &Path, rows: usize) -> Outcome<()> {
    let server = Store::of(data)?;
    let browser = service.signed_in("manager-1").await?;
    fill(&server, "few", FEW)?;
    let few = times(&browser).await?;
    fill(&server, "many", rows)?;
    let many = times(&browser).await?;
    browser.close().await;
    println!("| list | {FEW} rows, ms | {rows} rows, ms | ratio |\n|---|---|---|---|");
    for ((path, few), many) in LISTS.iter().zip(few).zip(many) {
        println!("| {path} | {few:.0} | {many:.0} | {:.2} |", many / few);
    }
    Ok(())
}

async fn times(browser: &Browser) -> Outcome<Vec<f64>> {
    let mut medians = Vec::new();
    for path in LISTS {
        let mut times = Vec::new();
        for _ in 0..LOADS {
            browser.goto(path).await;
            times.push(browser.script(TOOK).await.as_f64().ok_or("no timing")?);
        }
        times.sort_by(f64::total_cmp);
        medians.push(times[LOADS / 2]);
    }
    Ok(medians)
}

/// The private cluster of the service under measurement.
struct Store {
    psql: PathBuf,
    socket: String,
}

impl Store {
    fn of(data: &Path) -> Outcome<Self> {
        let cluster = data.join("postgresql/cluster");
        let version = std::fs::read_to_string(cluster.join("PG_VERSION"))?;
        let pid = std::fs::read_to_string(cluster.join("postmaster.pid"))?;
        Ok(Self {
            psql: Path::new("/usr/lib/postgresql").join(version.trim()).join("bin/psql"),
            socket: pid.lines().nth(4).ok_or("no socket")?.to_owned(),
        })
    }

    fn sql(&self, sql: &str) -> Outcome<()> {
        let output = Command::new(&self.psql)
            .args(["--no-psqlrc", "--quiet", "--set", "ON_ERROR_STOP=1", "--username", "ferrotitre_admin"])
            .args(["--dbname", "ferrotitre", "--host", &self.socket, "--command", sql])
            .output()?;
        if output.status.success() {
            Ok(())
        } else {
            Err(format!("{sql}: {}", String::from_utf8_lossy(&output.stderr)).into())
        }
    }
}

/// Copies rows of the demo, so many of each kind, with identities in the order of time as the service makes them. Without
/// audit events, but for a tenth of the moves: sealing a million of them would take longer than everything else. The
/// store is thrown away afterwards.
fn fill(store: &Store, prefix: &str, rows: usize) -> Outcome<()> {
    let copies = |table: &str, model: &str| {
        format!(
            "INSERT INTO {table} SELECT r.* FROM (SELECT to_jsonb(m) AS was FROM {table} m WHERE {model} LIMIT 1) t, \
             generate_series(1, {rows}) i, LATERAL (SELECT fresh(i) AS u) n, LATERAL jsonb_populate_record(NULL::{table}, \
             t.was || jsonb_build_object('id', u, 'record_id', u, 'supersedes', NULL, 'reason', NULL, 'version', 1, \
             'recorded_at', clock_timestamp(), 'code', '{prefix}-' || i)) r; "
        )
    };
    let moved = |table: &str, kind: &str, position: i32, from: &str, to: &str, share: &str| {
        format!(
            "INSERT INTO state_moves (id, entity_kind, entity_id, position, from_state, to_state, recorded_by) SELECT \
             gen_random_uuid(), '{kind}', id, {position}, '{from}', '{to}', recorded_by FROM {table} \
             WHERE code LIKE '{prefix}-%' AND abs(hashtext(code)) % 10 {share}; "
        )
    };
    let with_titrations = "id = (SELECT determination_id FROM titrations GROUP BY 1 ORDER BY count(*) DESC LIMIT 1)";
    let mut sql =
        "CREATE OR REPLACE FUNCTION fresh(int) RETURNS uuid LANGUAGE sql VOLATILE AS $$ SELECT (lpad(to_hex((extract(epoch \
         FROM clock_timestamp()) * 1000)::bigint), 12, '0') || '7' || substr(md5(random()::text), 1, 3) || '8' || \
         substr(md5(random()::text), 1, 15))::uuid $$; SET session_replication_role = replica; "
            .to_owned();
    for (table, model) in [
        ("samples", "true"),
        ("runs", "true"),
        ("determinations", with_titrations),
        ("iron_results", "true"),
        ("nonconformities", "true"),
    ] {
        sql.push_str(&copies(table, model));
    }
    sql.push_str(&format!(
        "INSERT INTO titrations SELECT r.* FROM determinations d, (SELECT to_jsonb(m) AS was FROM titrations m \
         WHERE determination_id = (SELECT id FROM determinations WHERE {with_titrations}) AND version = 1) t, \
         LATERAL (SELECT fresh(1) AS u WHERE d.id = d.id AND t.was = t.was) n, LATERAL jsonb_populate_record(\
         NULL::titrations, t.was || jsonb_build_object('id', u, 'record_id', u, 'determination_id', d.id, 'supersedes', \
         NULL, 'reason', NULL, 'version', 1, 'recorded_at', clock_timestamp())) r WHERE d.code LIKE '{prefix}-%'; \
         INSERT INTO exports (id, what, query, format, digest, records, recorded_by) SELECT gen_random_uuid(), what, query, \
         format, digest, records, recorded_by FROM (SELECT id AS recorded_by FROM accounts LIMIT 1) a, \
         (SELECT 'determinations' AS what, 'none' AS query, 'csv' AS format, repeat('0', 64) AS digest, 1 AS records) e, \
         generate_series(1, {rows}); "
    ));
    for (table, kind, position, from, to, share) in [
        ("determinations", "determinations", 1, "in progress", "submitted", "<> 0"),
        ("determinations", "determinations", 2, "submitted", "reviewed", "> 1"),
        ("determinations", "determinations", 3, "reviewed", "approved", "> 2"),
        ("runs", "runs", 1, "open", "closed", "<> 0"),
        ("runs", "runs", 2, "closed", "in control", "> 0"),
        ("runs", "runs", 3, "in control", "released", "> 1"),
        ("nonconformities", "nonconformities", 1, "opened", "contained", "<> 0"),
        ("nonconformities", "nonconformities", 2, "contained", "closed", "> 1"),
    ] {
        sql.push_str(&moved(table, kind, position, from, to, share));
    }
    // Without triggers nobody has entered the states.
    for (table, first) in [
        ("samples", "received"),
        ("runs", "open"),
        ("determinations", "in progress"),
        ("iron_results", "in progress"),
        ("nonconformities", "opened"),
    ] {
        sql.push_str(&format!(
            "INSERT INTO present_states SELECT id, '{table}', coalesce((SELECT to_state FROM state_moves \
             WHERE entity_id = t.id ORDER BY position DESC LIMIT 1), '{first}') FROM {table} t \
             WHERE code LIKE '{prefix}-%'; "
        ));
    }
    store.sql(&sql)?;
    store.sql(&format!(
        "SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"move\"}}', true); {}ANALYZE; CHECKPOINT",
        moved("samples", "samples", 1, "received", "accepted", "= 1")
    ))
}
