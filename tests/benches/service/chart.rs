//! A control chart of up to a million points: what an append, a reading and a picture cost as the history grows.

use std::fs;
use std::path::Path;
use std::time::Instant;

use chrono::{Duration, SecondsFormat, Utc};
use serde_json::json;

use crate::figures::median;
use crate::http::Client;
use crate::laboratory::{call, text};
use crate::{Outcome, Service, expect, server};

const SIZES: [i64; 4] = [1_000, 10_000, 100_000, 1_000_000];
const APPENDS: i64 = 60;
const READS: usize = 5;

/// Measures at each size and prints a table.
pub fn measure(folder: &Path) -> Outcome<()> {
    let data = folder.join("data");
    fs::create_dir_all(&data)?;
    let (service, _) = Service::start(&data)?;
    let server = server(&data)?;
    let line = service.said.lines().map(str::trim).find(|line| line.starts_with("analyst-1 ")).ok_or("no analyst-1")?;
    let password = line.split_whitespace().nth(1).ok_or("no password")?;
    let mut client = Client::connect(service.address)?;
    let credentials = json!({ "account": "analyst-1", "password": password });
    let session = call(&mut client, "POST", "/api/v1/sessions", "", &credentials)?;
    let headers = format!("Authorization: Bearer {}\r\n", text(&session, "access_token")?);
    let admin = "ferrotitre_admin";
    // The chart with the most points, and the phase that judges it now.
    let chosen = server.sql(
        admin,
        "SELECT chart_id || ' ' || (array_agg(phase_id ORDER BY position DESC))[1] || ' ' || \
         (array_agg(recorded_by))[1] || ' ' || avg(value) FROM control_values WHERE phase_id IS NOT NULL \
         AND trials IS NULL GROUP BY chart_id ORDER BY count(*) DESC LIMIT 1",
    )?;
    let [chart, phase, by, centre] = chosen.split(' ').collect::<Vec<_>>()[..] else {
        return Err(format!("no chart: {chosen}").into());
    };
    println!(
        "{:>9}  {:>10} {:>10} {:>10} {:>10} {:>10} {:>10}",
        "points", "append", "chart", "review", "page", "SVG", "PNG"
    );
    println!("{:>9}  {:>10} {:>10} {:>10} {:>10} {:>10} {:>10}", "", "ms", "ms", "ms", "ms", "ms", "ms");
    for size in SIZES {
        // Rows without audit events: a million of them would measure the sealer. The store is thrown away afterwards.
        server.sql(
            admin,
            &format!(
                "SET session_replication_role = replica; \
                 INSERT INTO control_values (id, chart_id, position, source, value, history, observed_at, phase_id, hits, verdict, \
                 recorded_by) SELECT gen_random_uuid(), '{chart}', last + i, 'imported', \
                 round(({centre} * (1 + (hashint4(i) % 1000) * 1e-6))::numeric, 4), 'bench', now() - interval '30 minutes' \
                 + (last + i) * interval '1 millisecond', '{phase}', '{{}}', 'in control', '{by}' \
                 FROM (SELECT max(position) AS last FROM control_values WHERE chart_id = '{chart}') was, \
                 generate_series(1, ({size} - was.last)::int) i; ANALYZE control_values; CHECKPOINT"
            ),
        )?;
        // Filling takes longer than an idle connection is kept.
        client = Client::connect(service.address)?;
        let mut appends = Vec::new();
        for _ in 0..APPENDS {
            let at = (Utc::now() - Duration::seconds(1)).to_rfc3339_opts(SecondsFormat::Millis, true);
            let new = json!({ "value": centre.get(..7).unwrap_or(centre), "history": "bench", "observed_at": at })
                .to_string();
            let begun = Instant::now();
            expect(client.send("POST", &format!("/api/v1/control-charts/{chart}/values"), &headers, &new)?, 201)?;
            appends.push(begun.elapsed().as_secs_f64() * 1e3);
        }
        let mut read = |path: String| -> Outcome<f64> {
            let mut times = Vec::new();
            for _ in 0..READS {
                let begun = Instant::now();
                let answer = client.send_bytes("GET", &path, &headers)?;
                times.push(begun.elapsed().as_secs_f64() * 1e3);
                if answer != 200 {
                    return Err(format!("{path}: {answer}").into());
                }
            }
            Ok(median(times))
        };
        let base = format!("/api/v1/control-charts/{chart}");
        println!(
            "{size:>9}  {:>10.1} {:>10.1} {:>10.1} {:>10.1} {:>10.1} {:>10.1}",
            median(appends),
            read(base.clone())?,
            read(format!("{base}/review"))?,
            read(format!("{base}/points?limit=100"))?,
            read(format!("{base}.svg"))?,
            read(format!("{base}.png"))?,
        );
    }
    println!("resident memory: {:.1} MB at most", service.memory_kb("VmHWM")? / 1024.0);
    service.stop()
}
