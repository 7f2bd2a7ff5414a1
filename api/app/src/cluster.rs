//! A private PostgreSQL cluster from the machine's own binaries, for laboratories that want no server of their own to run.
//!
//! The cluster listens on a Unix socket only and trusts nothing but the operating system's word for who connects (peer).
//! One process at a time owns a data folder; others that open it use the running cluster and leave it running.

use std::fs::{self, File, OpenOptions, Permissions};
use std::io::Write as _;
use std::os::unix::fs::{PermissionsExt as _, chown, symlink};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use diesel::QueryableByName;
use diesel_async::{RunQueryDsl, SimpleAsyncConnection};
use ferrotitre_base::db::StoreAddress;
use nix::fcntl::{Flock, FlockArg};
use nix::sys::signal::{Signal, kill};
use nix::unistd::{Pid, Uid, User};
use sha2::{Digest, Sha256};

/// Why the cluster cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ClusterError {
    /// PostgreSQL is not installed.
    #[error(
        "PostgreSQL 15 or newer is not installed: no initdb on PATH or under /usr/lib/postgresql (Debian: apt-get install postgresql)"
    )]
    NoBinaries,
    /// PostgreSQL refuses to run as root and there is no account to run it as.
    #[error("running as root, but there is no account 'postgres' to run PostgreSQL as")]
    NoAccount,
    /// A file or folder cannot be used.
    #[error("{path}: {source}")]
    Io {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A program failed.
    #[error("{program} failed: {output}")]
    Program {
        /// Which.
        program: PathBuf,
        /// What it said.
        output: String,
    },
    /// The server did not come up.
    #[error("PostgreSQL did not come up within {seconds} s; the end of {log}:\n{tail}")]
    NotUp {
        /// How long it was waited for.
        seconds: u64,
        /// Log file.
        log: PathBuf,
        /// Its last lines.
        tail: String,
    },
    /// The server answers, but not as it must.
    #[error("the cluster cannot be used: {0}")]
    Unusable(String),
}

fn at(path: &Path) -> impl FnOnce(std::io::Error) -> ClusterError + '_ {
    move |source| ClusterError::Io { path: path.to_owned(), source }
}

/// Database roles: one administers the cluster, one owns the tables, one serves and owns nothing.
const ADMIN: &str = "ferrotitre_admin";
const OWNER: &str = "ferrotitre_owner";
const APP: &str = "ferrotitre_app";
const DATABASE: &str = "ferrotitre";
const START_SECONDS: u64 = 60;
const RETRY_SECONDS: u64 = 15;

/// A private cluster in use.
#[derive(Debug)]
pub struct Cluster {
    cluster: PathBuf,
    socket: PathBuf,
    /// Held by the process that started the cluster and will stop it.
    owned: Option<Flock<File>>,
    child: Option<std::process::Child>,
}

impl Cluster {
    /// Opens the cluster of a data folder: makes it if there is none, starts it if it does not run.
    ///
    /// # Errors
    /// See [`ClusterError`].
    pub async fn open(data: &Path) -> Result<Self, ClusterError> {
        fs::create_dir_all(data).map_err(at(data))?;
        let data = fs::canonicalize(data).map_err(at(data))?;
        let account = account()?;
        let base = base_folder(&data, account.as_ref())?;
        let lock_path = data.join("lock");
        let lock =
            OpenOptions::new().create(true).truncate(false).write(true).open(&lock_path).map_err(at(&lock_path))?;
        let owned = Flock::lock(lock, FlockArg::LockExclusiveNonblock).ok();
        let mut opened = Self { cluster: base.join("cluster"), socket: socket_folder(&base), owned, child: None };
        if opened.owned.is_some() {
            let binaries = binaries(&opened.cluster)?;
            if !opened.cluster.join("PG_VERSION").exists() {
                opened.initialise(&binaries, account.as_ref())?;
            }
            if opened.running().is_none() {
                opened.start_after_any_crash(&binaries, account.as_ref()).await?;
            }
        }
        opened.wait_until_up().await?;
        opened.prepare().await?;
        Ok(opened)
    }

    /// Whether a data folder holds a cluster; nothing is made.
    ///
    /// # Errors
    /// A folder that cannot be looked into.
    pub fn exists(data: &Path) -> Result<bool, ClusterError> {
        if !data.exists() {
            return Ok(false);
        }
        let data = fs::canonicalize(data).map_err(at(data))?;
        let base = base_folder(&data, account()?.as_ref())?;
        Ok(base.join("cluster").join("PG_VERSION").exists())
    }

    /// Connection string of the service's role, which owns nothing.
    #[must_use]
    pub fn app(&self) -> StoreAddress {
        StoreAddress { url: self.url(APP, DATABASE), act_as: None }
    }

    /// Connection string of the role that owns the tables, for migrations.
    #[must_use]
    pub fn owner(&self) -> StoreAddress {
        StoreAddress { url: self.url(OWNER, DATABASE), act_as: None }
    }

    /// Connection string of the cluster's administrator, for tests that make databases of their own.
    #[must_use]
    pub fn admin(&self, database: &str) -> StoreAddress {
        StoreAddress { url: self.url(ADMIN, database), act_as: None }
    }

    fn url(&self, role: &str, database: &str) -> String {
        format!("host={} user={role} dbname={database} application_name=ferrotitre", self.socket.display())
    }

    /// Stops the cluster if this process started or adopted it, and waits until it has written everything out.
    pub fn stop(mut self) {
        if self.owned.is_none() {
            return;
        }
        if let Some(pid) = self.running() {
            // SIGINT is PostgreSQL's fast shutdown: sessions are ended, everything is written out.
            let _ = kill(pid, Signal::SIGINT);
            let deadline = Instant::now() + Duration::from_secs(60);
            while Instant::now() < deadline && self.running().is_some() {
                if let Some(child) = self.child.as_mut() {
                    // Reaps the child, which otherwise looks alive.
                    let _ = child.try_wait();
                }
                std::thread::sleep(Duration::from_millis(20));
            }
        }
    }

    fn initialise(&self, binaries: &Path, account: Option<&User>) -> Result<(), ClusterError> {
        let initdb = binaries.join("initdb");
        let arguments = [
            "--username",
            ADMIN,
            "--encoding=UTF8",
            "--locale=C.UTF-8",
            "--data-checksums",
            "--auth=peer",
            "--no-instructions",
        ];
        let output = command(&initdb, account)
            .arg("--pgdata")
            .arg(&self.cluster)
            .args(arguments)
            .stdin(Stdio::null())
            .output()
            .map_err(at(&initdb))?;
        if !output.status.success() {
            let output = String::from_utf8_lossy(&output.stderr).into_owned();
            return Err(ClusterError::Program { program: initdb, output });
        }
        let user = User::from_uid(Uid::effective()).ok().flatten().map_or_else(|| "root".to_owned(), |user| user.name);
        write(&self.cluster.join("pg_hba.conf"), "local all all peer map=ferrotitre\n", account)?;
        let map: String = [ADMIN, OWNER, APP].iter().map(|role| format!("ferrotitre {user} {role}\n")).collect();
        write(&self.cluster.join("pg_ident.conf"), &map, account)
    }

    /// Starts the server, again for a while if it ends at once: after a crash, server processes of the one before may
    /// still be going, and PostgreSQL rightly refuses to start beside them.
    async fn start_after_any_crash(&mut self, binaries: &Path, account: Option<&User>) -> Result<(), ClusterError> {
        let deadline = Instant::now() + Duration::from_secs(RETRY_SECONDS);
        loop {
            self.take_over_from_the_dead()?;
            self.start(binaries, account)?;
            match self.wait_until_up().await {
                Err(ClusterError::NotUp { .. }) if Instant::now() < deadline => {
                    tokio::time::sleep(Duration::from_millis(200)).await;
                }
                outcome => return outcome,
            }
        }
    }

    /// A killed server that nobody has reaped (the first process of a container often does not) still answers to its
    /// number, so PostgreSQL would refuse to start for good. Only the number is replaced, by that of this process, which
    /// PostgreSQL knows as the parent; the rest of its lock file still guards against processes that are truly alive.
    fn take_over_from_the_dead(&self) -> Result<(), ClusterError> {
        let path = self.cluster.join("postmaster.pid");
        let Ok(text) = fs::read_to_string(&path) else { return Ok(()) };
        let Some((first, rest)) = text.split_once('\n') else { return Ok(()) };
        let dead = first.trim().parse().is_ok_and(is_zombie);
        if dead {
            fs::write(&path, format!("{}\n{rest}", std::process::id())).map_err(at(&path))?;
        }
        Ok(())
    }

    fn start(&mut self, binaries: &Path, account: Option<&User>) -> Result<(), ClusterError> {
        if !self.socket.exists() {
            fs::create_dir_all(&self.socket).map_err(at(&self.socket))?;
        }
        give(&self.socket, account)?;
        let log_path = self.log();
        let log = OpenOptions::new().create(true).append(true).open(&log_path).map_err(at(&log_path))?;
        let postgres = binaries.join("postgres");
        let child = command(&postgres, account)
            .arg("-D")
            .arg(&self.cluster)
            .args(["-c", "listen_addresses=", "-c", "max_connections=200", "-c", "recovery_init_sync_method=syncfs"])
            .arg("-c")
            .arg(format!("unix_socket_directories={}", self.socket.display()))
            .args(["-c", "unix_socket_permissions=0700"])
            .stdin(Stdio::null())
            .stdout(log.try_clone().map_err(at(&log_path))?)
            .stderr(log)
            // Ctrl-C at the terminal must reach the service first, which then stops the cluster in order.
            .process_group(0)
            .spawn()
            .map_err(at(&postgres))?;
        self.child = Some(child);
        Ok(())
    }

    fn log(&self) -> PathBuf {
        self.cluster.with_file_name("postgres.log")
    }

    /// The server process of the data folder, if it is alive.
    fn running(&self) -> Option<Pid> {
        let text = fs::read_to_string(self.cluster.join("postmaster.pid")).ok()?;
        let pid: i32 = text.lines().next()?.trim().parse().ok()?;
        let name = fs::read_to_string(format!("/proc/{pid}/comm")).ok()?;
        (name.trim() == "postgres" && !is_zombie(pid)).then(|| Pid::from_raw(pid))
    }

    async fn wait_until_up(&mut self) -> Result<(), ClusterError> {
        let deadline = Instant::now() + Duration::from_secs(START_SECONDS);
        let address = self.admin("postgres");
        loop {
            if address.connect().await.is_ok() {
                return Ok(());
            }
            let gone = self.child.as_mut().is_some_and(|child| matches!(child.try_wait(), Ok(Some(_))));
            if gone || Instant::now() > deadline {
                let log = self.log();
                let text = fs::read_to_string(&log).unwrap_or_default();
                let tail: Vec<&str> = text.lines().rev().take(10).collect();
                let tail = tail.into_iter().rev().collect::<Vec<_>>().join("\n");
                return Err(ClusterError::NotUp { seconds: START_SECONDS, log, tail });
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// Makes roles and database where they are missing; refuses a cluster that could lose acknowledged records.
    async fn prepare(&self) -> Result<(), ClusterError> {
        #[derive(QueryableByName)]
        struct Row {
            #[diesel(sql_type = diesel::sql_types::Text)]
            durability: String,
            #[diesel(sql_type = diesel::sql_types::Bool)]
            ready: bool,
        }
        let unusable = |error: &dyn std::fmt::Display| ClusterError::Unusable(error.to_string());
        let mut connection = self.admin("postgres").connect().await.map_err(|error| unusable(&error))?;
        let row: Row = diesel::sql_query(
            "SELECT concat_ws(' ', current_setting('fsync'), current_setting('full_page_writes'), \
             current_setting('synchronous_commit')) AS durability, \
             EXISTS (SELECT FROM pg_database WHERE datname = 'ferrotitre') AS ready",
        )
        .get_result(&mut connection)
        .await
        .map_err(|error| unusable(&error))?;
        if row.durability != "on on on" {
            let text =
                format!("fsync, full_page_writes and synchronous_commit must be on, they are: {}", row.durability);
            return Err(ClusterError::Unusable(text));
        }
        if row.ready {
            return Ok(());
        }
        for sql in [
            format!(
                "DO $$ BEGIN IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = '{OWNER}') THEN CREATE ROLE {OWNER} LOGIN CREATEROLE; END IF; END $$"
            ),
            format!(
                "DO $$ BEGIN IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = '{APP}') THEN CREATE ROLE {APP} LOGIN; END IF; END $$"
            ),
            format!("CREATE DATABASE {DATABASE} OWNER {OWNER}"),
        ] {
            connection.batch_execute(&sql).await.map_err(|error| unusable(&error))?;
        }
        Ok(())
    }
}

/// Whether a process has ended and waits for its parent to take notice.
fn is_zombie(pid: i32) -> bool {
    let state = fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
    state.rsplit_once(") ").is_some_and(|(_, rest)| rest.starts_with('Z'))
}

/// PostgreSQL will not run as root; then it runs as Debian's own account for it.
fn account() -> Result<Option<User>, ClusterError> {
    if !Uid::effective().is_root() {
        return Ok(None);
    }
    let account = User::from_name("postgres").ok().flatten().ok_or(ClusterError::NoAccount)?;
    Ok(Some(account))
}

/// The binaries that made the cluster, whose files no other major version reads; for a new cluster the machine's newest.
fn binaries(cluster: &Path) -> Result<PathBuf, ClusterError> {
    if let Ok(version) = fs::read_to_string(cluster.join("PG_VERSION")) {
        let made_with = Path::new("/usr/lib/postgresql").join(version.trim()).join("bin");
        if made_with.join("postgres").exists() {
            return Ok(made_with);
        }
    }
    let mut versions: Vec<(u32, PathBuf)> = fs::read_dir("/usr/lib/postgresql")
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| Some((entry.file_name().to_str()?.parse().ok()?, entry.path().join("bin"))))
        .filter(|(_, bin): &(u32, PathBuf)| bin.join("initdb").exists() && bin.join("postgres").exists())
        .collect();
    versions.sort();
    if let Some((_, newest)) = versions.pop() {
        return Ok(newest);
    }
    std::env::split_paths(&std::env::var_os("PATH").unwrap_or_default())
        .find(|folder| folder.join("initdb").exists() && folder.join("postgres").exists())
        .ok_or(ClusterError::NoBinaries)
}

/// Where the cluster lives: in the data folder, or, where the account cannot get at that (a clone below root's home), in
/// the system's place for such things, with a link from the data folder.
fn base_folder(data: &Path, account: Option<&User>) -> Result<PathBuf, ClusterError> {
    let Some(account) = account else { return Ok(data.to_owned()) };
    let reachable = data.ancestors().skip(1).all(|folder| {
        fs::metadata(folder).is_ok_and(|metadata| {
            use std::os::unix::fs::MetadataExt as _;
            let mode = metadata.mode();
            mode & 0o001 != 0
                || (metadata.uid() == account.uid.as_raw() && mode & 0o100 != 0)
                || (metadata.gid() == account.gid.as_raw() && mode & 0o010 != 0)
        })
    });
    let base =
        if reachable { data.join("postgresql") } else { Path::new("/var/lib/ferrotitre").join(short_digest(data)) };
    fs::create_dir_all(&base).map_err(at(&base))?;
    give(&base, Some(account))?;
    if !reachable {
        let link = data.join("postgresql");
        if fs::symlink_metadata(&link).is_err() {
            symlink(&base, &link).map_err(at(&link))?;
        }
    } else {
        // The account must be able to pass through the data folder itself.
        let mode = Permissions::from_mode(0o711);
        fs::set_permissions(data, mode).map_err(at(data))?;
    }
    Ok(base)
}

fn short_digest(path: &Path) -> String {
    hex::encode(Sha256::digest(path.as_os_str().as_encoded_bytes())).chars().take(12).collect()
}

/// A Unix socket's path has room for about 100 bytes.
fn socket_folder(base: &Path) -> PathBuf {
    let near = base.join("socket");
    if near.as_os_str().len() < 80 {
        near
    } else {
        std::env::temp_dir().join(format!("ferrotitre-{}", short_digest(base)))
    }
}

fn give(folder: &Path, account: Option<&User>) -> Result<(), ClusterError> {
    if let Some(account) = account {
        chown(folder, Some(account.uid.as_raw()), Some(account.gid.as_raw())).map_err(at(folder))?;
    }
    fs::set_permissions(folder, Permissions::from_mode(0o700)).map_err(at(folder))
}

fn write(path: &Path, text: &str, account: Option<&User>) -> Result<(), ClusterError> {
    let mut file = File::create(path).map_err(at(path))?;
    file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(at(path))?;
    if let Some(account) = account {
        chown(path, Some(account.uid.as_raw()), Some(account.gid.as_raw())).map_err(at(path))?;
    }
    Ok(())
}

fn command(program: &Path, account: Option<&User>) -> Command {
    let mut command = Command::new(program);
    // A locale and time zone of its own; nothing of the caller's environment decides how the store behaves.
    command.env_clear().env("LC_ALL", "C.UTF-8").env("TZ", "UTC").current_dir("/");
    if let Some(account) = account {
        // Setting the user also drops the supplementary groups.
        command.uid(account.uid.as_raw()).gid(account.gid.as_raw());
    }
    command
}
