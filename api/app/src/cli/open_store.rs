//! The store as commands open it.

use std::process::ExitCode;

use ferrotitre_base::config::StoreSettings;
use ferrotitre_base::db::{Db, StoreAddress};
use ferrotitre_quality::validation_studies::pinned;
use ferrotitre_results::determinations::adoption::adopt;

use super::Failure;
use crate::cluster::Cluster;
use crate::migrate;

/// The store in use: a private cluster, or a server somebody else runs.
pub(super) struct OpenStore {
    cluster: Option<Cluster>,
    /// Where the service reads and writes.
    pub(super) app: StoreAddress,
}

impl OpenStore {
    pub(super) async fn open(settings: &StoreSettings) -> Result<Self, Failure> {
        let store = Self::migrated(settings).await?;
        match adopted(&store.app).await {
            Ok(()) => Ok(store),
            Err(error) => {
                store.close();
                Err(error)
            }
        }
    }

    async fn migrated(settings: &StoreSettings) -> Result<Self, Failure> {
        match &settings.database_url {
            Some(url) => {
                let owner = StoreAddress { url: url.clone(), act_as: None };
                migrate::run(&owner).await?;
                Ok(Self {
                    cluster: None,
                    app: StoreAddress { url: url.clone(), act_as: Some("ferrotitre_app".to_owned()) },
                })
            }
            None => {
                let cluster = Cluster::open(&settings.data).await?;
                let migrated = migrate::run(&cluster.owner()).await;
                let app = cluster.app();
                match migrated {
                    Ok(_) => Ok(Self { cluster: Some(cluster), app }),
                    Err(error) => {
                        cluster.stop();
                        Err(error.into())
                    }
                }
            }
        }
    }

    /// The store as it is: nothing is made, nothing is migrated.
    pub(super) async fn look(settings: &StoreSettings) -> Result<Self, Failure> {
        if let Some(url) = &settings.database_url {
            let app = StoreAddress { url: url.clone(), act_as: Some("ferrotitre_app".to_owned()) };
            return Ok(Self { cluster: None, app });
        }
        if !Cluster::exists(&settings.data)? {
            return Err(format!("there is no store in {}", settings.data.display()).into());
        }
        let cluster = Cluster::open(&settings.data).await?;
        let app = cluster.app();
        Ok(Self { cluster: Some(cluster), app })
    }

    pub(super) fn close(self) {
        if let Some(cluster) = self.cluster {
            cluster.stop();
        }
    }
}

/// Signatures of an earlier release get the rows they stand over.
async fn adopted(store: &StoreAddress) -> Result<(), Failure> {
    let db = Db::for_worker(store)?;
    let mut adopted = adopt(&db).await?;
    let (pinned, marked) = pinned::adopt(&db).await?;
    adopted.pinned += pinned;
    adopted.marked += marked;
    if adopted.pinned + adopted.marked > 0 {
        tracing::info!(adopted.pinned, adopted.marked, "signatures of an earlier release");
    }
    Ok(())
}

/// Does something with the store open, and closes it.
pub(super) async fn with_store(
    settings: &StoreSettings,
    work: impl AsyncFnOnce(Db) -> Result<(), Failure>,
) -> Result<ExitCode, Failure> {
    let store = OpenStore::open(settings).await?;
    let outcome = match Db::for_worker(&store.app) {
        Ok(db) => work(db).await,
        Err(error) => Err(error.into()),
    };
    store.close();
    outcome.map(|()| ExitCode::SUCCESS)
}
