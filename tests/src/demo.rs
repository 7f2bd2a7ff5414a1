//! The demo laboratory as an auditor reads it.

use ferrotitre_api::{demo, migrate};
use ferrotitre_base::db::Db;
use tokio::sync::OnceCell;

use crate::app::{Running, sign_in};
use crate::client::Client;
use crate::cluster::{DatabaseRole, shared};

/// Loading takes half a minute, so all tests read one.
static DEMO: OnceCell<Demo> = OnceCell::const_new();

struct Demo {
    running: Running,
    /// What loading said: accounts and their passwords.
    said: String,
}

impl Demo {
    fn password(&self, account: &str) -> String {
        let line = self.said.lines().find(|line| line.contains(account));
        line.and_then(|line| line.split_whitespace().nth(1)).unwrap().to_owned()
    }
}

/// Where a demo laboratory that no test may change is, and somebody's password there.
///
/// # Panics
/// If the demo cannot be loaded, or has no such account.
pub async fn sign_in_of(account: &str) -> (std::net::SocketAddr, String) {
    let demo = DEMO.get_or_init(load).await;
    (demo.running.address, demo.password(account))
}

/// Where the demo laboratory is, and a manager of it who only looks.
///
/// # Panics
/// If the demo cannot be loaded.
pub async fn manager() -> (std::net::SocketAddr, Client) {
    let demo = DEMO.get_or_init(load).await;
    let nobody = demo.running.nobody();
    let token = sign_in(&nobody, "manager-1", &demo.password("manager-1")).await;
    (demo.running.address, nobody.with_token(&token))
}

/// Somebody without an account, and the auditor of a demo laboratory that no test may change.
///
/// # Panics
/// If the demo cannot be loaded.
pub async fn nobody_and_auditor() -> (Client, Client) {
    let demo = DEMO.get_or_init(load).await;
    let nobody = demo.running.nobody();
    let token = sign_in(&nobody, "auditor-1", &demo.password("auditor-1")).await;
    let auditor = nobody.with_token(&token);
    (nobody, auditor)
}

async fn load() -> Demo {
    let shared = shared().await;
    let database = shared.empty_database().await;
    migrate::run(&shared.address(DatabaseRole::Owner, &database)).await.unwrap();
    let store = shared.address(DatabaseRole::Service, &database);
    let said = demo::load(&Db::for_worker(&store).unwrap()).await.unwrap().text();
    let memory = shared.memory(&database);
    Demo { running: Running::start(&store, &shared.data, (&shared.seal_key, &memory)), said }
}
