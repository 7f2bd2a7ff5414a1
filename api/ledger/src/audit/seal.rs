//! Gives committed events their leaves and signs tree heads, off the path of the requests.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, Timelike as _, Utc};
use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
use ed25519_dalek::pkcs8::{DecodePrivateKey, EncodePrivateKey, EncodePublicKey};
use ed25519_dalek::{Signer as _, SigningKey, Verifier as _, VerifyingKey};
use ferrotitre_base::auth::tokens::random_bytes;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::merkle::Frontier;
use sha2::{Digest, Sha256};

use crate::audit::{entry, store};

/// Events sealed under one head at the most.
const BATCH: i64 = 1000;

/// Why the key cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SealKeyError {
    /// The file cannot be read or written.
    #[error("{0}: {1}")]
    Io(std::path::PathBuf, std::io::Error),
    /// The file is no Ed25519 key.
    #[error("{0} is not an Ed25519 key in PKCS #8 PEM form")]
    NotAKey(std::path::PathBuf),
}

/// The key that signs tree heads.
#[derive(Clone)]
pub struct SealKey(Arc<SigningKey>);

impl SealKey {
    /// Reads the key file, or makes it where there is none.
    ///
    /// # Errors
    /// See [`SealKeyError`].
    pub fn open(data: &Path) -> Result<Self, SealKeyError> {
        let path = data.join("seal.key");
        let io = |error| SealKeyError::Io(path.clone(), error);
        if path.exists() {
            let text = fs::read_to_string(&path).map_err(io)?;
            let key = SigningKey::from_pkcs8_pem(&text).map_err(|_error| SealKeyError::NotAKey(path.clone()));
            return Ok(Self(Arc::new(key?)));
        }
        fs::create_dir_all(data).map_err(io)?;
        let key = SigningKey::from_bytes(&random_bytes::<32>());
        let pem = key.to_pkcs8_pem(LineEnding::LF).map_err(|_error| SealKeyError::NotAKey(path.clone()))?;
        // Readable by the owner from the first byte on.
        let draft = data.join("seal.key.new");
        fs::write(&draft, "").map_err(io)?;
        fs::set_permissions(&draft, fs::Permissions::from_mode(0o600)).map_err(io)?;
        fs::write(&draft, pem.as_bytes()).map_err(io)?;
        fs::rename(&draft, &path).map_err(io)?;
        Ok(Self(Arc::new(key)))
    }

    /// Public key, PEM.
    #[must_use]
    pub fn public_pem(&self) -> String {
        self.0.verifying_key().to_public_key_pem(LineEnding::LF).unwrap_or_default()
    }

    /// Public key.
    #[must_use]
    pub fn public(&self) -> VerifyingKey {
        self.0.verifying_key()
    }

    /// Id of the key in tree heads.
    #[must_use]
    pub fn id(&self) -> String {
        key_id(&self.0.verifying_key())
    }

    fn sign(&self, text: &str) -> [u8; 64] {
        self.0.sign(text.as_bytes()).to_bytes()
    }
}

/// Id of a public key: the first 16 hexadecimal digits of its SHA-256.
#[must_use]
pub fn key_id(key: &VerifyingKey) -> String {
    hex::encode(Sha256::digest(key.as_bytes())).chars().take(16).collect()
}

/// Whether a tree head's signature is right.
#[must_use]
pub fn signature_holds(key: &VerifyingKey, head: &store::HeadRow) -> bool {
    let Ok(bytes) = <[u8; 64]>::try_from(head.signature.as_slice()) else { return false };
    let text = entry::head_text(head.tree_size, &head.root_hash, head.signed_at);
    key.verify(text.as_bytes(), &ed25519_dalek::Signature::from_bytes(&bytes)).is_ok()
}

/// The frontier this process knows, so that sealing does not read the whole tree each time.
#[derive(Default)]
struct Known(Frontier);

/// Seals what is pending; returns how many events got their leaf. Nothing happens while another process seals.
///
/// # Errors
/// A store that cannot be reached.
async fn seal_once(db: &Db, key: &SealKey, known: &mut Known) -> Result<usize, Refusal> {
    let mut frontier = known.0.clone();
    let sealed = db
        .transact(&Act::system("seal"), async |connection| {
            if !store::try_lock(connection).await? {
                return Ok(None);
            }
            let size = store::tree_size(connection).await?;
            if size.cast_unsigned() != frontier.size() {
                // Another process has sealed meanwhile, or this one has just started.
                let leaves = store::leaf_hashes(connection, size).await?;
                frontier = Frontier::of(&leaves);
            }
            let events = store::take_pending(connection, BATCH).await?;
            if events.is_empty() {
                return Ok(Some((0, frontier)));
            }
            let mut leaves = Vec::with_capacity(events.len());
            for event in &events {
                let leaf = event.leaf();
                leaves.push((frontier.size().cast_signed(), event.id, leaf.to_vec()));
                frontier.append(leaf);
            }
            let signed_at = microseconds(Utc::now());
            let root = frontier.root();
            let tree_size = frontier.size().cast_signed();
            let signature = key.sign(&entry::head_text(tree_size, &root, signed_at));
            let head = store::HeadRow {
                tree_size,
                root_hash: root.to_vec(),
                signed_at,
                key_id: key.id(),
                signature: signature.to_vec(),
            };
            store::insert_sealed(connection, &leaves, &head).await?;
            Ok(Some((events.len(), frontier)))
        })
        .await?;
    match sealed {
        None => Ok(0),
        Some((count, frontier)) => {
            known.0 = frontier;
            Ok(count)
        }
    }
}

/// The store keeps microseconds; a signature must cover what is stored.
fn microseconds(time: DateTime<Utc>) -> DateTime<Utc> {
    time.with_nanosecond(time.nanosecond() / 1000 * 1000).unwrap_or(time)
}

/// Seals for as long as the service runs.
pub async fn run(db: Db, key: SealKey, mut stop: tokio::sync::watch::Receiver<bool>) {
    let mut known = Known::default();
    loop {
        let pause = match seal_once(&db, &key, &mut known).await {
            Ok(count) if i64::try_from(count).is_ok_and(|count| count == BATCH) => Duration::ZERO,
            Ok(_) => Duration::from_millis(500),
            Err(error) => {
                tracing::warn!(%error, "sealing failed; it is tried again");
                known = Known::default();
                Duration::from_secs(2)
            }
        };
        tokio::select! {
            () = tokio::time::sleep(pause) => {}
            _ = stop.changed() => break,
        }
    }
    // What was acknowledged before the stop is sealed before it, too.
    while matches!(seal_once(&db, &key, &mut known).await, Ok(count) if count > 0) {}
}
