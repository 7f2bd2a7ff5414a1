//! Connections, and the one way to write: a transaction that says who acts.
//!
//! Each worker thread has its own connections, so that no request waits for another thread's event loop: a few shared ones
//! that carry many reads at once (pipelined), and a pool for transactions, which need a connection to themselves.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use diesel::prelude::*;
use diesel_async::pooled_connection::deadpool::{Object, Pool};
use diesel_async::pooled_connection::{AsyncDieselConnectionManager, ManagerConfig, RecyclingMethod};
use diesel_async::{AnsiTransactionManager, AsyncPgConnection, RunQueryDsl, SimpleAsyncConnection, TransactionManager};
use ferrotitre_schema::idempotency_keys;
use futures_util::FutureExt;
use secrecy::SecretString;
use serde::Serialize;
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use crate::auth::permissions::Action;
use crate::ids::AccountId;
use crate::receipts;
use crate::refusal::{Code, Refusal};
use crate::web::answer::{Answer, Located};

/// A connection. Taken by shared reference everywhere, so that independent queries can be sent together.
pub type Connection = AsyncPgConnection;

/// Reads of a worker share this many connections; two keep one slow query from holding up all.
const READERS_PER_WORKER: usize = 2;
/// Transactions of a worker at the same time; more wait their turn.
const TRANSACTIONS_PER_WORKER: usize = 16;

/// Where the store is.
#[derive(Debug, Clone)]
pub struct StoreAddress {
    /// Connection string, libpq style.
    pub url: String,
    /// Role to act as after connecting, when the string names a role with more rights than the service needs.
    pub act_as: Option<String>,
}

impl StoreAddress {
    /// Connects, with TLS where the string asks for it.
    ///
    /// # Errors
    /// The server cannot be reached or refuses.
    pub async fn connect(&self) -> diesel::ConnectionResult<AsyncPgConnection> {
        let bad = |error: &dyn std::fmt::Display| diesel::ConnectionError::BadConnection(error.to_string());
        let config: tokio_postgres::Config = self.url.parse().map_err(|error: tokio_postgres::Error| bad(&error))?;
        let mut connection = if config.get_ssl_mode() == tokio_postgres::config::SslMode::Require {
            let mut roots = rustls::RootCertStore::empty();
            roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
            let provider = Arc::new(rustls::crypto::ring::default_provider());
            let tls = rustls::ClientConfig::builder_with_provider(provider)
                .with_safe_default_protocol_versions()
                .map_err(|error| bad(&error))?
                .with_root_certificates(roots)
                .with_no_client_auth();
            let tls = tokio_postgres_rustls::MakeRustlsConnect::new(tls);
            let (client, driver) = config.connect(tls).await.map_err(|error| bad(&error))?;
            AsyncPgConnection::try_from_client_and_connection(client, driver).await?
        } else {
            let (client, driver) = config.connect(tokio_postgres::NoTls).await.map_err(|error| bad(&error))?;
            AsyncPgConnection::try_from_client_and_connection(client, driver).await?
        };
        if let Some(role) = &self.act_as {
            let sql = format!("SET ROLE \"{}\"", role.replace('"', "\"\""));
            connection.batch_execute(&sql).await.map_err(|error| bad(&error))?;
        }
        Ok(connection)
    }
}

/// Who does what, for the audit event, and how to recognise a repetition.
#[derive(Debug, Clone)]
pub struct Act {
    /// Acting account; none for the system and for somebody not signed in.
    pub actor: Option<AccountId>,
    /// What kind of actor.
    pub kind: ActorKind,
    /// Network address of the request.
    pub address: Option<String>,
    /// What is done, by the name of the permission it needs.
    pub action: &'static str,
    /// Request it belongs to.
    pub request: Option<Uuid>,
    /// Key and digest of the request, if the client sent a key.
    pub repeat: Option<Repeat>,
    /// One-time code that came with it, for a signature.
    pub one_time_code: Option<SecretString>,
}

/// Kinds of actors in the audit log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ActorKind {
    /// A person.
    Person,
    /// An instrument with a service token.
    Service,
    /// The service itself or its operator at the command line.
    System,
    /// Somebody not signed in.
    Nobody,
}

impl ActorKind {
    /// As in the table.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Person => "person",
            Self::Service => "service",
            Self::System => "system",
            Self::Nobody => "nobody",
        }
    }
}

/// How to recognise that a request is sent again.
#[derive(Debug, Clone)]
pub struct Repeat {
    /// The client's key.
    pub key: String,
    /// Method and path.
    pub operation: String,
    /// SHA-256 of the body.
    pub digest: [u8; 32],
}

impl Act {
    /// An act of the service itself.
    #[must_use]
    pub fn system(action: &'static str) -> Self {
        Self {
            actor: None,
            kind: ActorKind::System,
            address: None,
            action,
            request: None,
            repeat: None,
            one_time_code: None,
        }
    }

    /// The same by another permission, for a use case that does the work of several.
    #[must_use]
    pub fn by(&self, action: Action) -> Self {
        Self { action: action.text(), ..self.clone() }
    }

    /// The act of a part of this one, with a transaction of its own: recognised for itself when the whole is sent again. A code that
    /// came with the whole was asked for with it.
    #[must_use]
    pub fn part(&self, name: impl std::fmt::Display) -> Self {
        let repeat = self.repeat.as_ref().map(|whole| Repeat {
            key: format!("{}/{name}", hex::encode(Sha256::digest(&whole.key))),
            operation: whole.operation.clone(),
            digest: whole.digest,
        });
        Self { repeat, one_time_code: None, ..self.clone() }
    }

    fn told(&self) -> String {
        let act = serde_json::json!({
            "actor": self.actor,
            "kind": self.kind.text(),
            "address": self.address,
            "action": self.action,
            "request": self.request,
        });
        act.to_string()
    }

    fn begin_sql(&self) -> String {
        format!("BEGIN; SELECT set_config('ferrotitre.act', '{}', true)", self.told().replace('\'', "''"))
    }
}

/// A worker's access to the store.
#[derive(Clone)]
pub struct Db {
    address: StoreAddress,
    pool: Pool<AsyncPgConnection>,
    readers: Arc<[tokio::sync::Mutex<Option<Arc<AsyncPgConnection>>>; READERS_PER_WORKER]>,
    turn: Arc<AtomicUsize>,
}

impl Db {
    /// Access for one worker; connections are made when first needed, in the runtime of whoever needs them.
    ///
    /// # Errors
    /// A pool that cannot be set up, which is our bug.
    pub fn for_worker(address: &StoreAddress) -> Result<Self, Refusal> {
        let mut config = ManagerConfig::default();
        let target = address.clone();
        config.custom_setup = Box::new(move |_| {
            let target = target.clone();
            async move { target.connect().await }.boxed()
        });
        // The default asks the server at every checkout; a dead connection shows at first use anyway.
        config.recycling_method = RecyclingMethod::Fast;
        let manager = AsyncDieselConnectionManager::new_with_config(address.url.clone(), config);
        let pool = Pool::builder(manager)
            .max_size(TRANSACTIONS_PER_WORKER)
            .runtime(deadpool::Runtime::Tokio1)
            .wait_timeout(Some(Duration::from_secs(10)))
            .create_timeout(Some(Duration::from_secs(10)))
            .build()
            .map_err(Refusal::internal)?;
        Ok(Self {
            address: address.clone(),
            pool,
            readers: Arc::new([const { tokio::sync::Mutex::const_new(None) }; READERS_PER_WORKER]),
            turn: Arc::new(AtomicUsize::new(0)),
        })
    }

    /// Reads. Tried once more on a fresh connection if the one in hand turns out to be dead, which is safe for reads.
    ///
    /// # Errors
    /// What the work refuses, or a store that cannot be reached.
    pub async fn read<T>(&self, work: impl AsyncFn(&Connection) -> Result<T, Refusal>) -> Result<T, Refusal> {
        let slot = self.turn.fetch_add(1, Ordering::Relaxed) % READERS_PER_WORKER;
        let connection = self.reader(slot, None).await?;
        match work(&connection).await {
            Err(refusal) if refusal.code == Code::StoreUnavailable => {
                let connection = self.reader(slot, Some(&connection)).await?;
                work(&connection).await
            }
            outcome => outcome,
        }
    }

    /// Reads one moment: whatever commits meanwhile, every statement sees the store as it stood at the first. For everything
    /// that is evaluated from several statements. Tried once more like [`Self::read`].
    ///
    /// # Errors
    /// What the work refuses, or a store that cannot be reached.
    pub async fn snapshot<T>(&self, work: impl AsyncFn(&Connection) -> Result<T, Refusal>) -> Result<T, Refusal> {
        match self.one_moment(&work).await {
            Err(refusal) if refusal.code == Code::StoreUnavailable => self.one_moment(&work).await,
            outcome => outcome,
        }
    }

    /// The same for work that hands on what it reads, which cannot be taken back: tried once.
    ///
    /// # Errors
    /// What the work refuses, or a store that cannot be reached.
    pub async fn snapshot_once<T>(&self, work: impl AsyncFn(&Connection) -> Result<T, Refusal>) -> Result<T, Refusal> {
        self.one_moment(work).await
    }

    async fn one_moment<T>(&self, work: impl AsyncFn(&Connection) -> Result<T, Refusal>) -> Result<T, Refusal> {
        let mut connection = self.begin_with("BEGIN ISOLATION LEVEL REPEATABLE READ, READ ONLY").await?;
        let outcome = work(&connection).await;
        // Nothing was written: the end only lets the snapshot go, and one that fails marks the connection as broken.
        if let Err(error) = AnsiTransactionManager::commit_transaction(&mut *connection).await {
            tracing::warn!(%error, "the end of a read failed");
        }
        outcome
    }

    /// The shared connection of a slot, replaced if it is the one found dead.
    async fn reader(
        &self,
        slot: usize,
        dead: Option<&Arc<AsyncPgConnection>>,
    ) -> Result<Arc<AsyncPgConnection>, Refusal> {
        let mut held = self.readers[slot].lock().await;
        if let Some(connection) = held.as_ref()
            && !dead.is_some_and(|dead| Arc::ptr_eq(dead, connection))
        {
            return Ok(Arc::clone(connection));
        }
        let connection = Arc::new(self.address.connect().await.map_err(unavailable)?);
        *held = Some(Arc::clone(&connection));
        Ok(connection)
    }

    /// Carries out one use case in one transaction: records, their audit events (written by the store itself) and the
    /// answer beside its idempotency key, or nothing at all. A repeated request gets the first answer again.
    ///
    /// # Errors
    /// What the work refuses; [`Code::KeyReused`]; a store that cannot be reached.
    pub async fn write<T: Serialize + Located>(
        &self,
        act: &Act,
        work: impl AsyncFnOnce(&Connection) -> Result<T, Refusal>,
    ) -> Result<Answer, Refusal> {
        let outcome = self
            .transact(act, async |connection| {
                if let Some(answer) = given_before(connection, act).await? {
                    return Ok(answer);
                }
                let answer = Answer::of(&work(connection).await?)?;
                remember(connection, act, &answer).await?;
                Ok(answer)
            })
            .await;
        match outcome {
            // Two requests with one key at the same moment: the slower one fails on some constraint, then finds the answer.
            Err(refusal) if act.repeat.is_some() => {
                match self.read(async |connection| given_before(connection, act).await).await {
                    Ok(Some(answer)) => Ok(answer),
                    Ok(None) => Err(refusal),
                    Err(other) if other.code == Code::KeyReused => Err(other),
                    Err(_) => Err(refusal),
                }
            }
            outcome => outcome,
        }
    }

    /// One transaction without an answer to remember.
    ///
    /// # Errors
    /// What the work refuses, or a store that cannot be reached.
    pub async fn transact<T>(
        &self,
        act: &Act,
        work: impl AsyncFnOnce(&Connection) -> Result<T, Refusal>,
    ) -> Result<T, Refusal> {
        let mut connection = self.begin(act).await?;
        match work(&connection).await {
            Ok(value) => {
                // Within the transaction, so that what is promised is what commits.
                let made = receipts::made(&connection).await?;
                AnsiTransactionManager::commit_transaction(&mut *connection).await?;
                receipts::promise(made);
                Ok(value)
            }
            Err(refusal) => {
                // If even the rollback fails, the connection is marked broken and dropped by the pool.
                if let Err(error) = AnsiTransactionManager::rollback_transaction(&mut *connection).await {
                    tracing::warn!(%error, "rollback failed");
                }
                Err(refusal)
            }
        }
    }

    async fn begin(&self, act: &Act) -> Result<Object<AsyncPgConnection>, Refusal> {
        self.begin_with(&act.begin_sql()).await
    }

    async fn begin_with(&self, sql: &str) -> Result<Object<AsyncPgConnection>, Refusal> {
        let mut connection = self.pool.get().await.map_err(unavailable)?;
        match AnsiTransactionManager::begin_transaction_sql(&mut *connection, sql).await {
            Ok(()) => Ok(connection),
            // Nothing was sent yet, so a fresh connection may be tried.
            Err(error) => {
                let _ = Object::take(connection);
                let mut connection = self.pool.get().await.map_err(unavailable)?;
                tracing::warn!(%error, "a pooled connection was dead");
                AnsiTransactionManager::begin_transaction_sql(&mut *connection, sql).await?;
                Ok(connection)
            }
        }
    }
}

/// Says who acts, and by which permission, in what follows of the transaction: a use case that does the work of several leaves
/// the events that each would have left by itself.
///
/// # Errors
/// A store that cannot be reached.
pub async fn acting(mut connection: &Connection, act: &Act) -> Result<(), Refusal> {
    diesel::sql_query("SELECT set_config('ferrotitre.act', $1, true)")
        .bind::<diesel::sql_types::Text, _>(act.told())
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// What a transaction holds until it ends, so that another one that would change it waits for its turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Held {
    /// A run with everything recorded in it: its determinations, their titrations and signatures, its blanks, its own state.
    Run(Uuid),
    /// A standardisation with its titrations and signatures.
    Standardisation(Uuid),
    /// A sample with what is taken of it.
    Sample(Uuid),
    /// A nonconformity with what was found and done.
    Nonconformity(Uuid),
    /// A certificate with all its issues.
    Certificate(Uuid),
    /// The one-time codes of an account.
    Codes(Uuid),
}

impl Held {
    /// The text whose hash is the key of the lock.
    fn key(self) -> String {
        match self {
            Self::Run(id) => format!("run {id}"),
            Self::Standardisation(id) => format!("standardisation {id}"),
            Self::Sample(id) => format!("sample {id}"),
            Self::Nonconformity(id) => format!("nonconformity {id}"),
            Self::Certificate(id) => format!("certificate {id}"),
            Self::Codes(id) => format!("one-time codes {id}"),
        }
    }
}

/// Waits until nobody else holds it. What is read of it afterwards, each statement of its own snapshot, stays so until this
/// transaction ends. Several are taken in their own order, so that two transactions never wait for each other in a circle.
///
/// An advisory lock, because the service's role may not lock rows of records.
///
/// # Errors
/// A store that cannot be reached.
pub async fn hold(mut connection: &Connection, held: &[Held]) -> Result<(), Refusal> {
    let mut held = held.to_vec();
    held.sort_unstable();
    held.dedup();
    for one in held {
        diesel::sql_query("SELECT pg_advisory_xact_lock(hashtextextended($1, 0))")
            .bind::<diesel::sql_types::Text, _>(one.key())
            .execute(&mut connection)
            .await?;
    }
    Ok(())
}

fn unavailable(error: impl std::error::Error + Send + Sync + 'static) -> Refusal {
    Refusal::new(Code::StoreUnavailable, "try again in a moment; nothing was stored").because(error)
}

async fn given_before(mut connection: &Connection, act: &Act) -> Result<Option<Answer>, Refusal> {
    let (Some(repeat), Some(actor)) = (&act.repeat, act.actor) else { return Ok(None) };
    let found = idempotency_keys::table
        .find((actor, &repeat.key))
        .select((
            idempotency_keys::operation,
            idempotency_keys::body_digest,
            idempotency_keys::location,
            idempotency_keys::answer,
        ))
        .first::<(String, Vec<u8>, String, String)>(&mut connection)
        .await
        .optional()?;
    let Some((operation, digest, location, body)) = found else { return Ok(None) };
    if operation != repeat.operation || digest != repeat.digest {
        return Err(Refusal::new(
            Code::KeyReused,
            format!("the key was used for {operation}, with another body or path; use a fresh key for a new request"),
        )
        .at("Idempotency-Key", "fresh_key", &repeat.key));
    }
    Ok(Some(Answer { location, body, repeated: true }))
}

async fn remember(mut connection: &Connection, act: &Act, answer: &Answer) -> Result<(), Refusal> {
    let (Some(repeat), Some(actor)) = (&act.repeat, act.actor) else { return Ok(()) };
    diesel::insert_into(idempotency_keys::table)
        .values((
            idempotency_keys::account_id.eq(actor),
            idempotency_keys::key.eq(&repeat.key),
            idempotency_keys::operation.eq(&repeat.operation),
            idempotency_keys::body_digest.eq(&repeat.digest[..]),
            idempotency_keys::location.eq(&answer.location),
            idempotency_keys::answer.eq(&answer.body),
        ))
        .execute(&mut connection)
        .await?;
    Ok(())
}
