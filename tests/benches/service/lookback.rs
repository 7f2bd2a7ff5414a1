//! Look-back over many signed results, and what the signature costs when one of them is read.

use std::time::Instant;

use serde_json::Value;

use crate::http::Client;
use crate::laboratory::Laboratory;
use crate::rival::Server;
use crate::{Outcome, Service, s};

/// Reads of each kind, taken in turns.
const READS: usize = 200;

/// A signed result of the scenario without corrections, its lot's standard, and the same result without a signature.
struct Model {
    signed: String,
    open: String,
    standard: String,
}

/// Copies a signed determination so many times, with its titrations, moves, signature and pins. The rows go past the triggers
/// and have no events: what is measured is reading.
fn fill(server: &Server, results: usize) -> Outcome<Model> {
    let one = |sql: &str| server.sql("ferrotitre_admin", sql);
    let signed = one("SELECT d.id FROM determinations d JOIN present_states t ON t.entity_id = d.id \
         JOIN sign_offs s ON s.entity_id = d.id AND s.meaning = 'authored' JOIN pins p ON p.sign_off_id = s.id \
         WHERE t.state = 'approved' AND d.purpose = 'sample' \
         AND NOT EXISTS (SELECT FROM titrations x WHERE x.determination_id = d.id AND x.version > 1) \
         AND NOT EXISTS (SELECT FROM state_moves m WHERE m.entity_id = d.id AND m.to_state IN ('amended', 'returned')) \
         ORDER BY d.id LIMIT 1")?;
    let standard = one(&format!(
        "SELECT v.record_id FROM sign_offs s JOIN pins p ON p.sign_off_id = s.id JOIN primary_standards v \
         ON v.id = ANY(p.row_ids) WHERE s.entity_id = '{signed}' LIMIT 1"
    ))?;
    // Materialised: read for each copy anew, a table that grows meanwhile would be read whole each time.
    let copies = |prefix: &str, table: &str, of: &str, changes: &str| {
        format!(
            "INSERT INTO {table} WITH one AS MATERIALIZED (SELECT o FROM {table} o WHERE {of}) \
             SELECT n.* FROM determinations d CROSS JOIN one, \
             LATERAL (SELECT gen_random_uuid() AS u WHERE d.id = d.id AND one.o IS DISTINCT FROM NULL) fresh, \
             LATERAL jsonb_populate_record(one.o, jsonb_build_object({changes})) n WHERE d.code LIKE '{prefix}-%'; \
             ANALYZE {table}; "
        )
    };
    let copy = |prefix: &str, count: usize| {
        format!(
            "SET session_replication_role = replica; \
             INSERT INTO determinations (id, code, run_id, method_id, sample_id, portion_id, purpose, observed_at, recorded_by) \
             SELECT gen_random_uuid(), '{prefix}-' || i, run_id, method_id, sample_id, portion_id, purpose, observed_at, recorded_by \
             FROM determinations, generate_series(1, {count}) i WHERE id = '{signed}'; ANALYZE determinations; {}",
            copies(
                prefix,
                "titrations",
                &format!("determination_id = '{signed}'"),
                "'id', u, 'record_id', u, 'determination_id', d.id"
            )
        )
    };
    one(&copy("open", 1))?;
    let open = one("SELECT id FROM determinations WHERE code = 'open-1'")?;
    let of = format!("entity_id = '{signed}'");
    let authored = format!("{of} AND meaning = 'authored'");
    one(&format!(
        "{} {} {} {} \
         INSERT INTO pins (id, sign_off_id, kinds, row_ids, used_at, recorded_by) \
         SELECT gen_random_uuid(), g.id, p.kinds, (SELECT array_agg(CASE r.kind WHEN 'determinations' THEN d.id \
         WHEN 'titrations' THEN (SELECT n.id FROM titrations n JOIN titrations o ON o.position = n.position \
         WHERE n.determination_id = d.id AND o.id = r.row) ELSE r.row END ORDER BY r.place) \
         FROM unnest(p.kinds, p.row_ids) WITH ORDINALITY r (kind, row, place)), p.used_at, p.recorded_by \
         FROM determinations d JOIN sign_offs g ON g.entity_id = d.id, pins p JOIN sign_offs m ON m.id = p.sign_off_id \
         WHERE d.code LIKE 'copy-%' AND m.entity_id = '{signed}' AND m.meaning = 'authored'",
        copy("copy", results),
        copies("copy", "state_moves", &of, "'id', u, 'entity_id', d.id"),
        copies("copy", "present_states", &of, "'entity_id', d.id"),
        copies("copy", "sign_offs", &authored, "'id', u, 'entity_id', d.id"),
    ))?;
    one("ANALYZE")?;
    Ok(Model { signed, open, standard })
}

/// Measures on so many results.
pub fn measure(service: &Service, server: &Server, laboratory: &Laboratory, results: usize) -> Outcome<()> {
    let model = fill(server, results)?;
    let headers = laboratory.headers(None);
    let before = service.memory_kb("VmRSS")?;
    let path = format!("/api/v1/what-if?standard={}&mass_fraction=0.9975", model.standard);
    for _ in 0..3 {
        let mut client = Client::patient(service.address)?;
        let begun = Instant::now();
        let (_, end) = client.download_to_its_end(&path, &headers)?;
        let took = begun.elapsed();
        let line = end.lines().find(|line| line.starts_with("{\"totals\"")).ok_or("the look-back broke off")?;
        let last: Value = serde_json::from_str(line)?;
        let totals = last.get("totals").ok_or("no totals")?;
        if totals["evaluated"].as_u64().is_none_or(|evaluated| evaluated < results as u64) {
            return Err(format!("fewer were evaluated than copied: {totals}").into());
        }
        println!(
            "look-back: {} results reached, {} evaluated, complete {}: {:.2} s, {:.0} results/s; resident {:.1} MB before, {:.1} MB at most",
            totals["reached"],
            totals["evaluated"],
            totals["complete"],
            s(took),
            totals["reached"].as_f64().unwrap_or_default() / s(took),
            before / 1024.0,
            service.memory_kb("VmHWM")? / 1024.0
        );
    }
    let mut client = Client::patient(service.address)?;
    let mut took = [0.0, 0.0];
    for turn in 0..2 * READS {
        let id = if turn % 2 == 0 { &model.signed } else { &model.open };
        let begun = Instant::now();
        let answer = client.send("GET", &format!("/api/v1/determinations/{id}"), &headers, "")?;
        if answer.status != 200 {
            return Err(format!("{}: {}", answer.status, answer.body).into());
        }
        took[turn % 2] += s(begun.elapsed());
    }
    println!(
        "read of a signed determination {:.2} ms, of the same one unsigned {:.2} ms: ratio {:.2}",
        1000.0 * took[0] / READS as f64,
        1000.0 * took[1] / READS as f64,
        took[0] / took[1]
    );
    Ok(())
}
