//! Exports against `COPY TO` of the same rows: what a table costs that every figure was computed for.

use std::process::Command;
use std::time::Instant;

use crate::http::Client;
use crate::laboratory::{Laboratory, settle};
use crate::rival::Server;
use crate::{Outcome, Service, s};

/// Titrations that each copied determination has.
const TITRATIONS: usize = 3;

/// Rows as the store has them: what the export begins with, before anything is evaluated.
const COPY: &str = "COPY (SELECT d.id, d.code, d.run_id, d.sample_id, d.purpose, t.id, t.position, t.version, t.kind, \
     t.initial_readings, t.final_readings, t.solution_temperature, t.end_point, t.late, t.concession_id, t.reason, \
     t.observed_at, t.recorded_at, t.recorded_by FROM determinations d JOIN titrations t ON t.determination_id = d.id \
     WHERE d.recorded_at >= '{from}' ORDER BY d.id DESC, t.position, t.version) TO STDOUT WITH (FORMAT csv, HEADER)";

/// Measures on so many rows.
pub fn measure(service: &Service, server: &Server, laboratory: &Laboratory, rows: usize) -> Outcome<()> {
    let from = server.sql(
        "ferrotitre_app",
        "SELECT to_char(clock_timestamp() AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.US\"Z\"')",
    )?;
    fill(server, laboratory, rows.div_ceil(TITRATIONS))?;
    settle(server)?;
    let before = service.memory_kb("VmRSS")?;
    println!("export: {rows} rows, resident memory before {:.1} MB", before / 1024.0);
    for format in ["csv", "json", "xlsx"] {
        let path = format!("/api/v1/exports/determinations?format={format}&from={from}");
        let mut client = Client::patient(service.address)?;
        let begun = Instant::now();
        let bytes = client.download(&path, &laboratory.headers(None))?;
        let ours = begun.elapsed();
        let begun = Instant::now();
        let copied = copy(server, &COPY.replace("{from}", &from))?;
        let theirs = begun.elapsed();
        println!(
            "  {format}: {:.2} s, {:.1} MB, {:.0} rows/s; COPY TO {:.3} s, {:.1} MB, {:.0} rows/s; ratio {:.2}; resident {:.1} MB now, {:.1} MB at most",
            s(ours),
            bytes as f64 / 1e6,
            rows as f64 / s(ours),
            s(theirs),
            copied as f64 / 1e6,
            rows as f64 / s(theirs),
            s(theirs) / s(ours),
            service.memory_kb("VmRSS")? / 1024.0,
            service.memory_kb("VmHWM")? / 1024.0
        );
    }
    Ok(())
}

/// Copies a determination of the scenario with its titrations, so many times.
fn fill(server: &Server, laboratory: &Laboratory, determinations: usize) -> Outcome<()> {
    let read = laboratory.read_path();
    let model = read.rsplit('/').next().ok_or("no id")?;
    let sql = format!(
        "SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"record_determination\"}}', true); \
         INSERT INTO determinations (id, code, run_id, method_id, sample_id, portion_id, purpose, observed_at, recorded_by) \
         SELECT gen_random_uuid(), 'export-' || i, run_id, method_id, sample_id, portion_id, purpose, observed_at, recorded_by \
         FROM determinations, generate_series(1, {determinations}) i WHERE id = '{model}'; \
         INSERT INTO titrations SELECT (jsonb_populate_record(t, jsonb_build_object('id', u, 'record_id', u, \
         'determination_id', d.id, 'supersedes', NULL, 'reason', NULL, 'version', 1, 'recorded_at', clock_timestamp()))).* \
         FROM determinations d, titrations t, LATERAL (SELECT gen_random_uuid() AS u WHERE d.id = d.id AND t.id = t.id) fresh \
         WHERE d.code LIKE 'export-%' AND t.determination_id = '{model}' AND t.version = 1"
    );
    // The scenario's run is closed, and a hundred thousand locks of one transaction are more than a server has room for.
    let guards = |word: &str| {
        let tables =
            ["determinations", "titrations"].map(|table| format!("ALTER TABLE {table} {word} TRIGGER before_it; "));
        server.sql("ferrotitre_admin", &tables.concat())
    };
    guards("DISABLE")?;
    server.sql("ferrotitre_app", &sql)?;
    guards("ENABLE")?;
    server.sql("ferrotitre_admin", "ANALYZE").map(|_| ())
}

fn copy(server: &Server, sql: &str) -> Outcome<usize> {
    let output = Command::new(server.binaries.join("psql"))
        .args([
            "--quiet",
            "--no-psqlrc",
            "--username=ferrotitre_app",
            "--dbname=ferrotitre",
            "--command",
            sql,
            "--host",
        ])
        .arg(&server.socket)
        .output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into());
    }
    Ok(output.stdout.len())
}
