//! A real mail server (aiosmtpd) in a process of its own, that can go away and come back.

use std::io::{BufRead as _, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};

use serde_json::Value;

use crate::cluster::until;

/// A mail server; gone when dropped.
pub struct MailServer {
    child: Child,
    /// Where it listens, on 127.0.0.1.
    pub port: u16,
    taken: Arc<Mutex<Vec<Value>>>,
}

/// A port that nothing listens on.
#[must_use]
pub fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

impl MailServer {
    /// Starts it at a port, with more arguments for `tests/mail/server.py`.
    #[must_use]
    pub fn start(port: u16, arguments: &[&str]) -> Self {
        let script: PathBuf = [env!("CARGO_MANIFEST_DIR"), "mail", "server.py"].iter().collect();
        // Debian's own, whose package the library is.
        let mut child = Command::new("/usr/bin/python3")
            .arg(script)
            .arg(port.to_string())
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let first = lines.next().and_then(Result::ok).unwrap_or_default();
        assert_eq!(first, "ready", "the mail server did not start: apt-get install python3-aiosmtpd");
        let taken = Arc::new(Mutex::new(Vec::new()));
        let shared = Arc::clone(&taken);
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                shared.lock().unwrap().push(serde_json::from_str(&line).unwrap());
            }
        });
        Self { child, port, taken }
    }

    /// The messages it has taken, once there are so many; more are a fault of the test that asks.
    pub async fn taken(&self, count: usize) -> Vec<Value> {
        let all = || self.taken.lock().unwrap().clone();
        until("the mail server has taken what was sent", async || (all().len() >= count).then_some(())).await;
        let all = all();
        assert_eq!(all.len(), count, "{all:#?}");
        all
    }
}

impl Drop for MailServer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
