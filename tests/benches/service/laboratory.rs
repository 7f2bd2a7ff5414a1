//! What the measurements are made on: the demo scenario, one determination of its own made through the API, and many more
//! like it as rows, so that each titration meets a determination with few others, as at the bench.

use std::net::SocketAddr;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::Outcome;
use crate::http::Client;
use crate::rival::{Server, Statement};

/// Determinations in each pool.
pub const DETERMINATIONS: usize = 10_000;

/// Stands for the position in the captured insertion.
pub const POSITION: &str = "@position";

/// A laboratory ready to be measured on.
pub struct Laboratory {
    token: String,
    read: String,
    own: String,
    titration: String,
}

impl Laboratory {
    /// Signs in, makes a run and a determination like those of the scenario, and the two pools.
    pub fn open(address: SocketAddr, said: &str, server: &Server) -> Outcome<Self> {
        let line = said.lines().map(str::trim).find(|line| line.starts_with("analyst-1 ")).ok_or("no analyst-1")?;
        let password = line.split_whitespace().nth(1).ok_or("no password")?;
        let read = said.split("/api/v1/determinations/").nth(1).and_then(|rest| rest.get(..36)).ok_or("no id")?;
        let mut client = Client::connect(address)?;
        let credentials = json!({ "account": "analyst-1", "password": password });
        let session = call(&mut client, "POST", "/api/v1/sessions", "", &credentials)?;
        let mut laboratory = Self {
            token: text(&session, "access_token")?,
            read: read.to_owned(),
            own: String::new(),
            titration: String::new(),
        };
        let headers = laboratory.headers(None);
        let mut get = |path: String| call(&mut client, "GET", &path, &headers, &Value::Null);
        let shown = get(laboratory.read_path())?;
        let titrations = get(format!("{}/titrations", laboratory.read_path()))?;
        let made = titrations.get(0).ok_or("no titration")?;
        let at = chrono::Utc::now().to_rfc3339();
        let new = json!({ "method": text(&shown, "method")?, "bench": "bench 2", "environment_temperature": "21.5", "observed_at": at });
        let run = call(&mut client, "POST", "/api/v1/runs", &headers, &new)?;
        let new = json!({ "run": text(&run, "id")?, "portion": text(&shown, "portion")?, "purpose": "sample",
            "observed_at": at });
        laboratory.own = text(&call(&mut client, "POST", "/api/v1/determinations", &headers, &new)?, "id")?;
        laboratory.titration = json!({ "kind": "accurate", "titrant": text(made, "titrant")?,
            "burette": text(made, "burette")?, "initial_readings": ["0.00"], "final_readings": ["21.50"],
            "solution_temperature": "21.0", "indicator_drops": 6, "end_point": "green to violet, sharp",
            "waste_stream": "chromium acid", "observed_at": at })
        .to_string();
        laboratory.fill(server)?;
        Ok(laboratory)
    }

    /// Copies the determination as rows, under the service's own role, with audit events like any other.
    fn fill(&self, server: &Server) -> Outcome<()> {
        for pool in ["service", "pgbench"] {
            server.sql(
                "ferrotitre_app",
                &format!(
                    "SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"record_determination\"}}', true); \
                     INSERT INTO determinations (id, code, run_id, method_id, sample_id, portion_id, purpose, observed_at, \
                     recorded_by) SELECT ('{}' || lpad(to_hex(i), 12, '0'))::uuid, '{pool}-' || i, run_id, method_id, \
                     sample_id, portion_id, purpose, observed_at, recorded_by \
                     FROM determinations, generate_series(0, {}) i WHERE id = '{}'",
                    prefix(pool),
                    DETERMINATIONS - 1,
                    self.own
                ),
            )?;
        }
        // Statistics as after an ordinary day, not as of an empty table.
        server.sql("ferrotitre_admin", "ANALYZE").map(|_| ())
    }

    /// Headers of a request.
    pub fn headers(&self, key: Option<&str>) -> String {
        let key = key.map_or_else(String::new, |key| format!("Idempotency-Key: {key}\r\n"));
        format!("Authorization: Bearer {}\r\n{key}", self.token)
    }

    /// A determination of the scenario with three titrations, one of them corrected.
    pub fn read_path(&self) -> String {
        format!("/api/v1/determinations/{}", self.read)
    }

    /// Where titrations of a determination go.
    pub fn write_path(determination: &str) -> String {
        format!("/api/v1/determinations/{determination}/titrations")
    }

    /// The determination made through the API.
    pub fn own(&self) -> &str {
        &self.own
    }

    /// Body of a titration.
    pub fn titration(&self) -> &str {
        &self.titration
    }
}

fn prefix(pool: &str) -> &'static str {
    if pool == "service" { "00000000-0000-4000-8000-" } else { "00000000-0000-4000-9000-" }
}

/// Determination of the service's pool.
pub fn determination(number: usize) -> String {
    format!("{}{:012x}", prefix("service"), number % DETERMINATIONS)
}

/// SQL for a determination of pgbench's pool, numbered by a variable.
pub const PGBENCH_DETERMINATION: &str =
    "('00000000-0000-4000-9000-' || lpad(to_hex(:determination::bigint), 12, '0'))::uuid";

/// Idempotency key of a request.
pub fn key(number: usize) -> String {
    format!("bench-{number}")
}

/// Marks the position in the insertion of a titration, which must be free in its determination.
pub fn mark_position(statements: &mut [Statement]) -> Outcome<()> {
    let insertion = statements
        .iter_mut()
        .find(|statement| statement.sql.starts_with("INSERT INTO \"titrations\""))
        .ok_or("no titration was inserted")?;
    let lists: Vec<&str> = insertion.sql.split(['(', ')']).collect();
    let (columns, values) = (lists.get(1).ok_or("no columns")?, lists.get(3).ok_or("no values")?);
    let column = columns.split(", ").position(|column| column == "\"position\"").ok_or("no position")?;
    let parameter: usize = values.split(", ").nth(column).ok_or("no value")?.trim_start_matches('$').parse()?;
    *insertion.parameters.get_mut(parameter - 1).ok_or("no parameter")? = Some(POSITION.to_owned());
    Ok(())
}

/// All that is stored, as text, to tell ids that were there from those a request makes.
pub fn everything(server: &Server) -> Outcome<String> {
    let output = Command::new(server.binaries.join("pg_dump"))
        .args(["--data-only", "--exclude-table=audit_*", "--username=ferrotitre_owner", "--host"])
        .arg(&server.socket)
        .arg("ferrotitre")
        .output()?;
    Ok(String::from_utf8(output.stdout)?)
}

/// Waits until the sealer has caught up, so that no round pays for the one before.
pub fn settle(server: &Server) -> Outcome<()> {
    let end = Instant::now() + Duration::from_secs(120);
    while server.sql("ferrotitre_app", "SELECT count(*) FROM audit_pending")? != "0" {
        if Instant::now() > end {
            return Err("the audit log was not sealed within 120 s".into());
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    Ok(())
}

pub fn call(client: &mut Client, method: &str, path: &str, headers: &str, body: &Value) -> Outcome<Value> {
    let body = if body.is_null() { String::new() } else { body.to_string() };
    let answer = client.send(method, path, headers, &body)?;
    if !(200..300).contains(&answer.status) {
        return Err(format!("{method} {path}: {} {}", answer.status, answer.body).into());
    }
    Ok(serde_json::from_str(&answer.body)?)
}

pub fn text(value: &Value, field: &str) -> Outcome<String> {
    Ok(value.get(field).and_then(Value::as_str).ok_or_else(|| format!("no {field} in {value}"))?.to_owned())
}
