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
    password: String,
}

/// Somebody without an account, and the auditor of a demo laboratory that no test may change.
///
/// # Panics
/// If the demo cannot be loaded.
pub async fn nobody_and_auditor() -> (Client, Client) {
    let demo = DEMO.get_or_init(load).await;
    let nobody = demo.running.nobody();
    let token = sign_in(&nobody, "auditor-1", &demo.password).await;
    let auditor = nobody.with_token(&token);
    (nobody, auditor)
}

async fn load() -> Demo {
    let shared = shared().await;
    let database = shared.empty_database().await;
    migrate::run(&shared.address(DatabaseRole::Owner, &database)).await.unwrap();
    let store = shared.address(DatabaseRole::Service, &database);
    let said = demo::load(&Db::for_worker(&store).unwrap()).await.unwrap().text();
    let line = said.lines().find(|line| line.contains("auditor-1"));
    let password = line.and_then(|line| line.split_whitespace().nth(1)).unwrap().to_owned();
    let memory = shared.memory(&database);
    Demo { running: Running::start(&store, &shared.data, (&shared.seal_key, &memory)), password }
}
