//! pgbench with the statements of the service: taken from the server's own log of one request, not written by hand, so
//! that the comparison stays true when the service changes.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use crate::Outcome;
use crate::figures::Round;

/// The machine's PostgreSQL programs and the private cluster's socket.
pub struct Server {
    /// Folder of psql and pgbench.
    pub binaries: PathBuf,
    /// Folder of the socket.
    pub socket: PathBuf,
    /// The server's log.
    pub log: PathBuf,
}

impl Server {
    /// Runs SQL as a role and gives what it prints.
    pub fn sql(&self, role: &str, sql: &str) -> Outcome<String> {
        let output = Command::new(self.binaries.join("psql"))
            .args(["--no-psqlrc", "--quiet", "--tuples-only", "--no-align", "--set", "ON_ERROR_STOP=1"])
            .arg("--host")
            .arg(&self.socket)
            .args(["--username", role, "--dbname", "ferrotitre", "--command", sql])
            .output()?;
        if output.status.success() {
            Ok(String::from_utf8(output.stdout)?.trim().to_owned())
        } else {
            Err(format!("{sql}: {}", String::from_utf8_lossy(&output.stderr)).into())
        }
    }

    /// The statements the service's role sends while `work` runs.
    pub fn statements_of(&self, work: impl FnOnce() -> Outcome<()>) -> Outcome<Vec<Statement>> {
        let admin = "ferrotitre_admin";
        self.sql(admin, "ALTER ROLE ferrotitre_app SET log_statement = 'all'")?;
        self.sql(admin, "ALTER SYSTEM SET log_statement = 'all'")?;
        self.sql(admin, "ALTER SYSTEM SET log_line_prefix = '@@%u@%p@ '")?;
        self.sql(admin, "SELECT pg_reload_conf()")?;
        std::thread::sleep(Duration::from_millis(500));
        let before = fs::read_to_string(&self.log)?.len();
        work()?;
        std::thread::sleep(Duration::from_millis(300));
        let text = fs::read_to_string(&self.log)?;
        self.sql(admin, "ALTER ROLE ferrotitre_app RESET log_statement")?;
        self.sql(admin, "ALTER SYSTEM RESET log_statement")?;
        self.sql(admin, "ALTER SYSTEM RESET log_line_prefix")?;
        self.sql(admin, "SELECT pg_reload_conf()")?;
        Ok(without_sealer(parse(text.get(before..).unwrap_or_default())))
    }

    /// Runs a script for some seconds.
    pub fn pgbench(&self, script: &Path, clients: usize, seconds: u64) -> Outcome<Round> {
        let folder = script.with_extension("log");
        fs::create_dir_all(&folder)?;
        let started = Instant::now();
        let output = Command::new(self.binaries.join("pgbench"))
            .current_dir(&folder)
            .args(["--no-vacuum", "--protocol=prepared", "--log", "--log-prefix=latency", "--jobs=2"])
            .arg(format!("--client={clients}"))
            .arg(format!("--time={seconds}"))
            .arg("--file")
            .arg(script)
            .arg("--host")
            .arg(&self.socket)
            .args(["--username", "ferrotitre_app", "ferrotitre"])
            .output()?;
        let elapsed = started.elapsed().min(Duration::from_secs(seconds));
        if !output.status.success() {
            return Err(format!("pgbench: {}", String::from_utf8_lossy(&output.stderr)).into());
        }
        let mut latencies_us = Vec::new();
        for entry in fs::read_dir(&folder)? {
            let path = entry?.path();
            for line in fs::read_to_string(&path)?.lines() {
                latencies_us.push(line.split(' ').nth(2).unwrap_or_default().parse()?);
            }
            fs::remove_file(path)?;
        }
        Ok(Round { latencies_us, elapsed })
    }
}

/// One statement as the server logged it.
#[derive(Debug, Clone)]
pub struct Statement {
    /// Server process, to tell connections apart.
    pub process: String,
    /// Text with `$1` for parameters; several statements if sent as one.
    pub sql: String,
    /// Values of the parameters; none stands for NULL.
    pub parameters: Vec<Option<String>>,
}

/// Leaves out the connections of the sealer, which works at the same time under the same role.
fn without_sealer(statements: Vec<Statement>) -> Vec<Statement> {
    let seals =
        |statement: &Statement| ["audit_pending", "audit_leaves"].iter().any(|table| statement.sql.contains(table));
    let sealers: BTreeSet<String> =
        statements.iter().filter(|statement| seals(statement)).map(|statement| statement.process.clone()).collect();
    statements.into_iter().filter(|statement| !sealers.contains(&statement.process)).collect()
}

fn parse(log: &str) -> Vec<Statement> {
    let mut found: Vec<Statement> = Vec::new();
    for entry in log.split("@@").skip(1) {
        let mut head = entry.splitn(3, '@');
        let (Some(user), Some(process), Some(rest)) = (head.next(), head.next(), head.next()) else { continue };
        if user != "ferrotitre_app" {
            continue;
        }
        let rest = rest.trim();
        if let Some(detail) = rest.strip_prefix("DETAIL:  parameters: ") {
            if let Some(statement) = found.iter_mut().rev().find(|statement| statement.process == process) {
                statement.parameters = parameters(detail);
            }
        } else if let Some(text) = rest.strip_prefix("LOG:  statement: ") {
            found.push(Statement { process: process.to_owned(), sql: text.to_owned(), parameters: Vec::new() });
        } else if let Some(text) = rest.strip_prefix("LOG:  execute ") {
            let sql = text.split_once(": ").map_or(text, |(_, sql)| sql);
            found.push(Statement { process: process.to_owned(), sql: sql.to_owned(), parameters: Vec::new() });
        }
    }
    found
}

/// `$1 = 'a', $2 = NULL`, quotes doubled inside values.
fn parameters(text: &str) -> Vec<Option<String>> {
    let mut values = Vec::new();
    let mut rest = text;
    while let Some((_, after)) = rest.split_once(" = ") {
        if let Some(quoted) = after.strip_prefix('\'') {
            let mut end = 0;
            let bytes = quoted.as_bytes();
            while end < bytes.len() && (bytes[end] != b'\'' || bytes.get(end + 1) == Some(&b'\'')) {
                end += if bytes[end] == b'\'' { 2 } else { 1 };
            }
            values.push(Some(quoted.get(..end).unwrap_or_default().replace("''", "'")));
            rest = quoted.get(end + 1..).unwrap_or_default();
        } else {
            values.push(None);
            rest = after.get("NULL".len()..).unwrap_or_default();
        }
    }
    values
}

/// How a value of the captured request is varied in the script.
pub struct Varied<'a> {
    /// Text in the captured statements.
    pub value: &'a str,
    /// SQL expression in its place.
    pub expression: &'a str,
}

/// Makes a script: constants stay, ids that the captured request made become fresh ones.
pub fn script(head: &str, statements: &[Statement], varied: &[Varied<'_>], made_before: &str) -> String {
    let mut fresh: BTreeSet<String> = BTreeSet::new();
    for statement in statements {
        for value in statement.parameters.iter().flatten().filter(|value| is_uuid(value)) {
            if !made_before.contains(value.as_str()) && varied.iter().all(|varied| varied.value != value) {
                fresh.insert(value.clone());
            }
        }
    }
    let mut text = head.to_owned();
    for (number, _) in fresh.iter().enumerate() {
        text.push_str(&format!("\\set fresh{number} random(1, 9000000000000000000)\n"));
    }
    for statement in statements {
        let mut sql = statement.sql.replace('\n', " ");
        // From the last to the first, so that $1 does not hit $10.
        for (index, value) in statement.parameters.iter().enumerate().rev() {
            let expression = match value {
                None => "NULL".to_owned(),
                Some(value) => {
                    let known = varied.iter().find(|varied| varied.value == value);
                    let made = fresh.iter().position(|fresh| fresh == value);
                    match (known, made) {
                        (Some(varied), _) => varied.expression.to_owned(),
                        (None, Some(number)) => format!("md5(:fresh{number}::text)::uuid"),
                        (None, None) => literal(value),
                    }
                }
            };
            sql = sql.replace(&format!("${}", index + 1), &expression);
        }
        if !statement.parameters.is_empty() {
            text.push_str(&format!("{sql};\n"));
            continue;
        }
        // What the service sends as one message goes as one here, too.
        let sql = sql.replace("'{", "E'{").replace("\":", "\"\\x3a");
        let parts: Vec<&str> = sql.split("; ").map(str::trim).filter(|part| !part.is_empty()).collect();
        match parts.as_slice() {
            [only] => text.push_str(&format!("{};\n", only.trim_end_matches(';'))),
            several => {
                text.push_str("\\startpipeline\n");
                for part in several {
                    text.push_str(&format!("{};\n", part.trim_end_matches(';')));
                }
                text.push_str("\\endpipeline\n");
            }
        }
    }
    text
}

/// A literal without a bare colon, behind which pgbench would see a variable even inside quotes.
fn literal(value: &str) -> String {
    format!("E'{}'", value.replace('\\', "\\\\").replace('\'', "''").replace(':', "\\x3a"))
}

fn is_uuid(text: &str) -> bool {
    text.len() == 36
        && text.bytes().enumerate().all(|(at, byte)| match at {
            8 | 13 | 18 | 23 => byte == b'-',
            _ => byte.is_ascii_hexdigit(),
        })
}
