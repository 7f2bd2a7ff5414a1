//! A validation study of 10^5 data: its statistics, its export in every form, and the memory they take.

use std::time::Instant;

use crate::http::Client;
use crate::laboratory::Laboratory;
use crate::rival::Server;
use crate::{Outcome, Service, s};

/// Measures on a characteristic of the scenario's study that is filled up to so many data.
pub fn measure(service: &Service, server: &Server, laboratory: &Laboratory, data: usize) -> Outcome<()> {
    let admin = "ferrotitre_admin";
    let chosen = server.sql(
        admin,
        "SELECT c.study_id || ' ' || c.id || ' ' || (array_agg(d.recorded_by))[1] || ' ' || avg(d.value) \
         FROM validation_characteristics c JOIN validation_data d ON d.characteristic_id = c.id \
         WHERE c.kind = 'intermediate precision' GROUP BY c.study_id, c.id LIMIT 1",
    )?;
    let [study, characteristic, by, mean] = chosen.split(' ').collect::<Vec<_>>()[..] else {
        return Err(format!("no study: {chosen}").into());
    };
    // Rows without audit events, past the triggers that close an approved study; the store is thrown away afterwards.
    server.sql(
        admin,
        &format!(
            "SET session_replication_role = replica; \
             INSERT INTO validation_data (id, characteristic_id, position, value, labels, source, recorded_by) \
             SELECT gen_random_uuid(), '{characteristic}', last + i, \
             round(({mean} * (1 + (hashint4(i) % 1000) * 1e-6))::numeric, 4), \
             jsonb_build_object('group', 'day ' || i % 1000), 'person', '{by}' \
             FROM (SELECT max(position) AS last FROM validation_data WHERE characteristic_id = '{characteristic}') was, \
             generate_series(1, {data}) i; ANALYZE validation_data"
        ),
    )?;
    println!("study: {data} data, resident memory before {:.1} MB", service.memory_kb("VmRSS")? / 1024.0);
    for (what, path) in [
        ("statistics", format!("/api/v1/validation-characteristics/{characteristic}/answer")),
        ("csv", format!("/api/v1/exports/validation-studies/{study}?format=csv")),
        ("json", format!("/api/v1/exports/validation-studies/{study}?format=json")),
        ("xlsx", format!("/api/v1/exports/validation-studies/{study}?format=xlsx")),
    ] {
        let mut client = Client::patient(service.address)?;
        let begun = Instant::now();
        let bytes = client.download(&path, &laboratory.headers(None))?;
        println!(
            "  {what}: {:.2} s, {:.1} MB, {:.0} data/s; resident {:.1} MB now, {:.1} MB at most",
            s(begun.elapsed()),
            bytes as f64 / 1e6,
            data as f64 / s(begun.elapsed()),
            service.memory_kb("VmRSS")? / 1024.0,
            service.memory_kb("VmHWM")? / 1024.0
        );
    }
    Ok(())
}
