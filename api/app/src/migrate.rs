//! Brings a store to the schema of this program.

use diesel_async::{AsyncMigrationHarness, SimpleAsyncConnection};
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};
use ferrotitre_base::db::StoreAddress;

const MIGRATIONS: EmbeddedMigrations = embed_migrations!("../../migrations");

/// Key of the advisory lock under which the schema is changed; any number, as long as it stays the same.
const LOCK: i64 = 7_246_172_410_513_004;

/// Why a store could not be migrated.
#[derive(Debug, thiserror::Error)]
pub enum MigrateError {
    /// No connection.
    #[error("the store cannot be reached: {0}")]
    Connect(#[from] diesel::ConnectionError),
    /// A migration failed.
    #[error("a migration failed: {0}")]
    Failed(Box<dyn std::error::Error + Send + Sync>),
}

/// Runs what is pending, as the role that owns the tables; returns the names of what was run.
///
/// Needs a multi-thread runtime, because the migrations' own interface is blocking.
///
/// # Errors
/// See [`MigrateError`].
pub async fn run(owner: &StoreAddress) -> Result<Vec<String>, MigrateError> {
    // Processes that start together take turns. The lock goes with its connection, whatever happens to this process.
    let mut turn = owner.connect().await?;
    turn.batch_execute(&format!("SELECT pg_advisory_lock({LOCK})"))
        .await
        .map_err(|error| MigrateError::Failed(error.into()))?;
    let connection = owner.connect().await?;
    let mut harness = AsyncMigrationHarness::new(connection);
    let versions = harness.run_pending_migrations(MIGRATIONS).map_err(MigrateError::Failed)?;
    Ok(versions.iter().map(ToString::to_string).collect())
}

/// Takes back every migration; only tests do that.
///
/// # Errors
/// See [`MigrateError`].
pub async fn revert_all(owner: &StoreAddress) -> Result<Vec<String>, MigrateError> {
    let connection = owner.connect().await?;
    let mut harness = AsyncMigrationHarness::new(connection);
    let versions = harness.revert_all_migrations(MIGRATIONS).map_err(MigrateError::Failed)?;
    Ok(versions.iter().map(ToString::to_string).collect())
}
