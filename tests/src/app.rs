//! The real service on a database of its own.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use ferrotitre_api::alerts::Stopping;
use ferrotitre_api::app::{Shared as AppShared, server};
use ferrotitre_api::tls::Certificates;
use ferrotitre_base::auth::tokens::TokenKeys;
use ferrotitre_base::config::{Settings, StoreSettings, TlsSettings};
use ferrotitre_base::db::{Db, StoreAddress};
use ferrotitre_base::metrics::Metrics;
use ferrotitre_ledger::audit::memory::Memory;
use ferrotitre_ledger::audit::seal::{self, SealKey, Sealing};
use ferrotitre_ledger::audit::witnesses;
use ferrotitre_ledger::set_up::SetUp;
use ferrotitre_messages::Courier;
use serde_json::json;
use uuid::Uuid;

use crate::client::Client;
use crate::cluster::{DatabaseRole, Shared, shared, until};

/// Somebody of the laboratory, signed in.
#[derive(Debug, Clone)]
pub struct Person {
    id: Uuid,
    code: String,
    password: String,
    token: String,
}

/// People of the template and their roles.
const PEOPLE: [(&str, &str); 6] = [
    ("analyst-1", "analyst"),
    ("analyst-2", "analyst"),
    ("manager-1", "manager"),
    ("manager-2", "manager"),
    ("auditor-1", "auditor"),
    ("administrator-1", "administrator"),
];
/// What the service would have printed over an empty store.
pub const SET_UP_CODE: &str = "set-up-code-of-the-tests";
const INSTRUMENT: &str = "balance-1";

/// A service that runs until it is dropped.
pub struct Running {
    /// Where it listens.
    pub address: SocketAddr,
    stop: Option<tokio::sync::oneshot::Sender<()>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Running {
    /// Starts the server and the sealer on a thread of their own, as the program does.
    #[must_use]
    pub fn start(store: &StoreAddress, data: &Path, seal: (&SealKey, &Memory)) -> Self {
        Self::start_as(store, data, seal, |_| ())
    }

    /// The same with other settings.
    #[must_use]
    pub fn start_as(
        store: &StoreAddress,
        data: &Path,
        (seal_key, memory): (&SealKey, &Memory),
        set: impl FnOnce(&mut Settings),
    ) -> Self {
        let mut settings = Settings {
            listen: SocketAddr::from(([127, 0, 0, 1], 0)),
            workers: Some(1),
            late_after_minutes: 60,
            reason_after_hours: 24,
            free_tries: 10,
            trusted_proxies: Vec::new(),
            hosts: Vec::new(),
            witness_roots: None,
            message_roots: None,
            messages_every_seconds: 15,
            tls: TlsSettings::default(),
            idle_minutes: 30,
            time_zone: None,
            store: StoreSettings { database_url: None, data: data.to_owned() },
        };
        set(&mut settings);
        let tls = Certificates::open(&settings.tls, (settings.listen, data, &settings.hosts)).unwrap();
        let (closing, closes) = tokio::sync::watch::channel(false);
        let shared = AppShared {
            store: store.clone(),
            token_keys: TokenKeys::default(),
            seal_key: seal_key.clone(),
            sealing: Sealing::default(),
            metrics: actix_web::web::Data::new(Metrics::default()),
            policy: (&settings).into(),
            tls,
            stopping: Stopping(Arc::new(closes)),
            set_up: SetUp::by(SET_UP_CODE),
            // Tests look by themselves, by a clock of their own.
            courier: Courier::trusting(settings.message_roots.as_deref()).unwrap(),
        };
        let memory = memory.clone();
        let ask = witnesses::http::Http::trusting(settings.witness_roots.as_deref()).unwrap();
        let (stop, stopped) = tokio::sync::oneshot::channel();
        let (ready, bound) = std::sync::mpsc::channel();
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
            runtime.block_on(async move {
                let (end, ended) = tokio::sync::watch::channel(false);
                let db = Db::for_worker(&shared.store).unwrap();
                let asked = ended.clone();
                let sealer =
                    tokio::spawn(seal::run(db, (shared.seal_key.clone(), memory), shared.sealing.clone(), ended));
                let asking = witnesses::run(Db::for_worker(&shared.store).unwrap(), ask, asked);
                let (server, address) = server(&settings, shared).unwrap();
                let handle = server.handle();
                ready.send(address).unwrap();
                tokio::spawn(async move {
                    // A dropped sender means the same.
                    let _ = stopped.await;
                    let _ = closing.send(true);
                    handle.stop(true).await;
                });
                let serving = async {
                    server.await.unwrap();
                    end.send(true).unwrap();
                };
                tokio::join!(serving, asking);
                sealer.await.unwrap();
            });
        });
        let address = bound.recv_timeout(Duration::from_secs(30)).unwrap();
        Self { address, stop: Some(stop), thread: Some(thread) }
    }

    /// A client that is not signed in.
    #[must_use]
    pub fn nobody(&self) -> Client {
        Client::nobody(&format!("http://{}", self.address))
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if let Some(stop) = self.stop.take() {
            let _ = stop.send(());
        }
        if let Some(thread) = self.thread.take() {
            let ended = thread.join();
            assert!(ended.is_ok() || std::thread::panicking(), "the service panicked");
        }
    }
}

/// The service on a database of its own, with a client per role.
pub struct TestApp {
    /// The running service.
    pub running: Running,
    /// Name of the database.
    pub database: String,
    /// What its sealer remembers.
    pub memory: Memory,
    /// What all tests share.
    pub shared: &'static Shared,
    /// Not signed in.
    pub nobody: Client,
    /// Analyst.
    pub analyst: Client,
    /// A second analyst.
    pub analyst2: Client,
    /// Manager.
    pub manager: Client,
    /// A second manager.
    pub manager2: Client,
    /// Auditor.
    pub auditor: Client,
    /// Administrator.
    pub administrator: Client,
    /// An instrument with every scope instruments can have.
    pub instrument: Client,
}

impl TestApp {
    /// Starts the service on a fresh database.
    pub async fn start() -> Self {
        let shared = shared().await;
        let database = shared.new_database().await;
        let memory = shared.memory(&database);
        let store = shared.address(DatabaseRole::Service, &database);
        let running = Running::start(&store, &shared.data, (&shared.seal_key, &memory));
        let nobody = running.nobody();
        let mut clients = Vec::new();
        for person in &shared.people {
            let mut token = person.token.clone();
            // Access tokens are good for ten minutes; those of the template serve while they are fresh.
            if shared.signed_in.elapsed() > Duration::from_secs(300) && person.code != INSTRUMENT {
                token = sign_in(&nobody, &person.code, &person.password).await;
            }
            clients.push(nobody.with_account(person.id, &person.code, &person.password).with_token(&token));
        }
        let [analyst, analyst2, manager, manager2, auditor, administrator, instrument] = clients.try_into().unwrap();
        Self {
            running,
            database,
            memory,
            shared,
            nobody,
            analyst,
            analyst2,
            manager,
            manager2,
            auditor,
            administrator,
            instrument,
        }
    }

    /// Everybody, by the name of their role, nobody first.
    #[must_use]
    pub fn by_role(&self) -> [(&'static str, &Client); 6] {
        [
            ("nobody", &self.nobody),
            ("analyst", &self.analyst),
            ("manager", &self.manager),
            ("auditor", &self.auditor),
            ("administrator", &self.administrator),
            ("instrument", &self.instrument),
        ]
    }

    /// A connection to the database.
    pub async fn sql(&self, role: DatabaseRole) -> tokio_postgres::Client {
        self.shared.sql(role, &self.database).await
    }

    /// Number of rows of every table that holds records or working data, to see that nothing was stored.
    pub async fn row_counts(&self, tables: &[&str]) -> Vec<i64> {
        let sql = self.sql(DatabaseRole::Superuser).await;
        let mut counts = Vec::new();
        for table in tables {
            let row = sql.query_one(&format!("SELECT count(*) FROM {table}"), &[]).await.unwrap();
            counts.push(row.get(0));
        }
        counts
    }

    /// Waits until every event has its leaf.
    pub async fn sealed(&self) {
        let sql = self.sql(DatabaseRole::Service).await;
        until("everything is sealed", async || {
            let row = sql.query_one("SELECT count(*) FROM audit_pending", &[]).await.unwrap();
            (row.get::<_, i64>(0) == 0).then_some(())
        })
        .await;
    }
}

impl Drop for TestApp {
    fn drop(&mut self) {
        self.running.stop.take();
        let (shared, database) = (self.shared, self.database.clone());
        // The runtime of the test may not be blocked on, so the database is dropped from a thread with its own.
        let dropping = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(shared.drop_database(&database));
        });
        if let Some(thread) = self.running.thread.take() {
            let _ = thread.join();
        }
        let _ = dropping.join();
    }
}

/// Signs in and returns the access token.
pub async fn sign_in(nobody: &Client, code: &str, password: &str) -> String {
    let tokens = nobody.sign_in(code, password).await.expect(200);
    tokens["access_token"].as_str().unwrap().to_owned()
}

/// Signs in with a provisional password, changes it and signs in again: the token of a usable account.
pub async fn make_usable(nobody: &Client, code: &str, provisional: &str, password: &str) -> String {
    let first = nobody.with_token(&sign_in(nobody, code, provisional).await);
    let change = json!({ "present": provisional, "new": password });
    let changed = first.post("/accounts/me/password", &change).await;
    assert_eq!(changed.status, 204, "{}", changed.text);
    sign_in(nobody, code, password).await
}

/// Fills the template: an account per role by the operator, passwords changed through the API, an instrument's token.
pub async fn populate(store: &StoreAddress, data: &Path, seal: (&SealKey, &Memory)) -> Vec<Person> {
    let running = Running::start(store, data, seal);
    let nobody = running.nobody();
    let db = Db::for_worker(store).unwrap();
    let mut people = Vec::new();
    // They have worked here for long, so that records of last week can be taken over.
    let since = Some((chrono::Utc::now() - chrono::Duration::days(400)).date_naive());
    for (code, role) in PEOPLE {
        let roles = [role.to_owned()];
        let provisional =
            ferrotitre_ledger::accounts::create_by_operator(&db, code, code, &roles, since).await.unwrap();
        let password = format!("{code} has a long password");
        let token = make_usable(&nobody, code, &provisional, &password).await;
        let own = nobody.with_token(&token).get("/accounts/me").await.expect(200);
        let id = own["id"].as_str().unwrap().parse().unwrap();
        people.push(Person { id, code: code.to_owned(), password, token });
    }
    let [manager, administrator] = [2, 5].map(|index: usize| nobody.with_token(&people[index].token));
    let (id, token) = new_instrument(&administrator, &manager, INSTRUMENT).await;
    people.push(Person { id, code: INSTRUMENT.to_owned(), password: String::new(), token });
    people
}

/// An instrument with its account, role and token, made as the administrator and a manager would.
pub async fn new_instrument(administrator: &Client, manager: &Client, code: &str) -> (Uuid, String) {
    let account = json!({ "code": code, "display_name": code, "kind": "service" });
    let account = administrator.post("/accounts", &account).await.expect(201);
    let id: Uuid = account["account"]["id"].as_str().unwrap().parse().unwrap();
    let grant = json!({ "role": "instrument", "effect": "grant", "reason": "installed at bench 2" });
    let grant = administrator.post(&format!("/accounts/{id}/role-grants"), &grant).await.expect(201);
    let path = format!("/role-grants/{}/decisions", grant["id"].as_str().unwrap());
    let _ = manager.post(&path, &json!({ "decision": "approved" })).await.expect(201);
    let token = json!({
        "account": id, "label": "balance at bench 2", "scopes": ["record_titrations", "check_equipment", "send_readings"],
        "expires_at": chrono::Utc::now() + chrono::Duration::days(30),
    });
    let token = administrator.post("/service-tokens", &token).await.expect(201);
    (id, token["token"].as_str().unwrap().to_owned())
}
