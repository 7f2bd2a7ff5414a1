//! One private PostgreSQL cluster for the whole test process, and a fresh database per test.

use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use ferrotitre_api::cluster::Cluster;
use ferrotitre_api::migrate;
use ferrotitre_base::db::StoreAddress;
use ferrotitre_ledger::audit::memory::Memory;
use ferrotitre_ledger::audit::seal::SealKey;
use tokio::sync::OnceCell;
use tokio_postgres::NoTls;
use uuid::Uuid;

use crate::app::{self, Person};

/// The database every test's own is cloned from: migrated once, with the people of the laboratory signed in.
const TEMPLATE: &str = "ferrotitre";

/// What the tests of this process share.
pub struct Shared {
    cluster: Cluster,
    /// Folder of the cluster and of the seal key.
    pub data: PathBuf,
    /// Key of the tree heads.
    pub seal_key: SealKey,
    /// People and the instrument of the template.
    pub people: Vec<Person>,
    /// When their tokens were issued.
    pub signed_in: Instant,
    /// Held open until the process ends; see [`clean_up_afterwards`].
    _alive: Mutex<std::process::Child>,
}

static SHARED: OnceCell<Shared> = OnceCell::const_new();

/// The cluster, opened at first use.
pub async fn shared() -> &'static Shared {
    SHARED.get_or_init(Shared::open).await
}

/// Who connects.
#[derive(Debug, Clone, Copy)]
pub enum DatabaseRole {
    /// The service's own role, which owns nothing.
    Service,
    /// Owner of the tables.
    Owner,
    /// Superuser.
    Superuser,
}

impl Shared {
    async fn open() -> Self {
        let data = std::env::temp_dir().join(format!("ferrotitre-e2e-{}", Uuid::now_v7().simple()));
        std::fs::create_dir_all(&data).unwrap();
        let alive = clean_up_afterwards(&data);
        let cluster = Cluster::open(&data).await.unwrap();
        migrate::run(&cluster.owner()).await.unwrap();
        let seal_key = SealKey::make(&data).unwrap();
        let people = app::populate(&cluster.app(), &data, (&seal_key, &Memory::of(&data))).await;
        Self { cluster, data, seal_key, people, signed_in: Instant::now(), _alive: Mutex::new(alive) }
    }

    /// Address of a database.
    #[must_use]
    pub fn address(&self, role: DatabaseRole, database: &str) -> StoreAddress {
        match role {
            DatabaseRole::Superuser => self.cluster.admin(database),
            DatabaseRole::Service => renamed(self.cluster.app(), database),
            DatabaseRole::Owner => renamed(self.cluster.owner(), database),
        }
    }

    /// What the sealer of a database remembers: a file of its own, since all share one data folder.
    #[must_use]
    pub fn memory(&self, database: &str) -> Memory {
        Memory::at(self.data.join(format!("{database}.memory")))
    }

    /// A connection for looking and forging.
    pub async fn sql(&self, role: DatabaseRole, database: &str) -> tokio_postgres::Client {
        connect(&self.address(role, database)).await
    }

    /// A fresh database, cloned from the template.
    pub async fn new_database(&self) -> String {
        let name = format!("t{}", Uuid::now_v7().simple());
        let admin = self.sql(DatabaseRole::Superuser, "postgres").await;
        let sql = format!("CREATE DATABASE {name} TEMPLATE {TEMPLATE} OWNER ferrotitre_owner");
        // Connections of whoever filled the template end a moment after their client is dropped.
        until("the template is free", async || admin.batch_execute(&sql).await.ok()).await;
        name
    }

    /// An empty database, for the tests of the migrations.
    pub async fn empty_database(&self) -> String {
        let name = format!("t{}", Uuid::now_v7().simple());
        let admin = self.sql(DatabaseRole::Superuser, "postgres").await;
        let sql = format!("CREATE DATABASE {name} TEMPLATE template0 OWNER ferrotitre_owner");
        admin.batch_execute(&sql).await.unwrap();
        name
    }

    /// Removes a database.
    pub async fn drop_database(&self, name: &str) {
        let admin = self.sql(DatabaseRole::Superuser, "postgres").await;
        admin.batch_execute(&format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")).await.unwrap();
    }
}

fn renamed(address: StoreAddress, database: &str) -> StoreAddress {
    let url = address.url.replace(&format!("dbname={TEMPLATE}"), &format!("dbname={database}"));
    StoreAddress { url, ..address }
}

/// Connects to an address.
pub async fn connect(address: &StoreAddress) -> tokio_postgres::Client {
    let (client, driver) = tokio_postgres::connect(&address.url, NoTls).await.unwrap();
    tokio::spawn(driver);
    client
}

/// Asks again and again until there is an answer; panics when that takes too long.
pub async fn until<T>(what: &str, ask: impl AsyncFn() -> Option<T>) -> T {
    let deadline = Instant::now() + Duration::from_secs(30);
    loop {
        if let Some(answer) = ask().await {
            return answer;
        }
        assert!(Instant::now() < deadline, "waited 30 s in vain until {what}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// Starts a process that waits for the end of this one, however it ends, then stops the cluster and removes the folder.
///
/// The test harness has no hook at its end, and one inside this process would not survive a crash.
fn clean_up_afterwards(data: &Path) -> std::process::Child {
    const SCRIPT: &str = r#"
        cat >/dev/null
        for file in "$1"/cluster/postmaster.pid "$1"/postgresql/cluster/postmaster.pid; do
            if [ -f "$file" ]; then
                pid=$(head -n 1 "$file")
                kill -INT "$pid" 2>/dev/null
                waited=0
                while kill -0 "$pid" 2>/dev/null && [ $waited -lt 300 ]; do sleep 0.1; waited=$((waited + 1)); done
            fi
        done
        rm -rf "$1"
    "#;
    Command::new("sh")
        .args(["-c", SCRIPT, "sh"])
        .arg(data)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .process_group(0)
        .spawn()
        .unwrap()
}
