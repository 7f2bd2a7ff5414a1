//! Gives committed events their leaves and signs tree heads, off the path of the requests.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, Timelike as _, Utc};
use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
use ed25519_dalek::pkcs8::{DecodePrivateKey, EncodePrivateKey, EncodePublicKey};
use ed25519_dalek::{Signer as _, SigningKey, Verifier as _, VerifyingKey};
use ferrotitre_base::auth::tokens::random_bytes;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_check::note::{Checkpoint, KeyKind, NamedKey, Note, SignatureLine};
use ferrotitre_core::merkle::Frontier;
use sha2::{Digest, Sha256};

use crate::audit::memory::{Memory, MemoryError, NoExtension, Remembered, SignedHead};
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
    /// There is no key, and none may be made.
    #[error(
        "{0} is missing: the key that signs the audit log is made with an empty store only. Put the key back from its backup; \
         if it is lost for good, `ferrotitre seal resume --new-key` goes on with another, on record"
    )]
    Missing(std::path::PathBuf),
}

/// The key that signs tree heads.
#[derive(Clone)]
pub struct SealKey(Arc<SigningKey>);

impl SealKey {
    /// Reads the key file.
    ///
    /// # Errors
    /// See [`SealKeyError`].
    pub fn open(data: &Path) -> Result<Self, SealKeyError> {
        Self::read(data.join("seal.key"))
    }

    /// Reads a key file by its own name.
    ///
    /// # Errors
    /// See [`SealKeyError`].
    pub fn read(path: PathBuf) -> Result<Self, SealKeyError> {
        match fs::read_to_string(&path) {
            Ok(text) => {
                let key = SigningKey::from_pkcs8_pem(&text).map_err(|_error| SealKeyError::NotAKey(path.clone()));
                Ok(Self(Arc::new(key?)))
            }
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Err(SealKeyError::Missing(path)),
            Err(error) => Err(SealKeyError::Io(path, error)),
        }
    }

    /// Reads the key file of a store, or makes it where the store has never been sealed: a key that is made beside a sealed log
    /// would sign whatever the log has become meanwhile.
    ///
    /// # Errors
    /// See [`SealKeyError`].
    pub fn of_store(data: &Path, never_sealed: bool) -> Result<Self, SealKeyError> {
        match Self::open(data) {
            Err(SealKeyError::Missing(_)) if never_sealed => Self::make(data),
            outcome => outcome,
        }
    }

    /// Makes a key and its file.
    ///
    /// # Errors
    /// See [`SealKeyError`].
    pub fn make(data: &Path) -> Result<Self, SealKeyError> {
        Self::write(data.join("seal.key"))
    }

    /// Makes a key and its file by its own name.
    ///
    /// # Errors
    /// See [`SealKeyError`].
    pub fn write(path: PathBuf) -> Result<Self, SealKeyError> {
        let io = |error| SealKeyError::Io(path.clone(), error);
        path.parent().map_or(Ok(()), fs::create_dir_all).map_err(io)?;
        let key = SigningKey::from_bytes(&random_bytes::<32>());
        let pem = key.to_pkcs8_pem(LineEnding::LF).map_err(|_error| SealKeyError::NotAKey(path.clone()))?;
        // Readable by the owner from the first byte on.
        let draft = path.with_extension("key.new");
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

    /// The key under the log's name, as others know it. A log is named by its key, so that nobody else can take its name.
    #[must_use]
    pub fn named(&self) -> NamedKey {
        named(&self.public())
    }

    /// Signs a text.
    #[must_use]
    pub fn sign(&self, text: &str) -> [u8; 64] {
        self.0.sign(text.as_bytes()).to_bytes()
    }
}

/// Id of a public key: the first 16 hexadecimal digits of its SHA-256.
#[must_use]
pub fn key_id(key: &VerifyingKey) -> String {
    hex::encode(Sha256::digest(key.as_bytes())).chars().take(16).collect()
}

/// A log's key under the log's name.
#[must_use]
pub fn named(key: &VerifyingKey) -> NamedKey {
    NamedKey { name: format!("ferrotitre/{}", key_id(key)), kind: KeyKind::Note, key: *key }
}

/// Whether a tree head's signature is right.
#[must_use]
pub fn signature_holds(key: &VerifyingKey, head: &store::HeadRow) -> bool {
    let Ok(bytes) = <[u8; 64]>::try_from(head.signature.as_slice()) else { return false };
    let text = entry::head_text(head.tree_size, &head.root_hash, head.signed_at);
    key.verify(text.as_bytes(), &ed25519_dalek::Signature::from_bytes(&bytes)).is_ok()
}

/// Whether this process seals, and if not, why not.
#[derive(Debug, Clone, Default)]
pub struct Sealing(Arc<Mutex<Option<String>>>);

impl Sealing {
    /// Why sealing has stopped; none while it goes on.
    #[must_use]
    pub fn stopped(&self) -> Option<String> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn set(&self, why: Option<String>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = why;
    }
}

/// Why nothing was sealed.
#[derive(Debug, thiserror::Error)]
pub enum SealError {
    /// The store cannot be used.
    #[error(transparent)]
    Store(#[from] Refusal),
    /// The memory cannot be used: without it nothing is signed.
    #[error("the sealer's memory cannot be used: {0}")]
    Memory(#[from] MemoryError),
    /// The log is not what was signed.
    #[error("{0}; nothing is signed until two people decide (`ferrotitre seal resume`)")]
    NoExtension(#[from] NoExtension),
    /// There is no memory, and the newest head in the store is none of this key.
    #[error(
        "the sealer's memory is missing and the newest tree head of the store was not signed by this key over this log; nothing \
         is signed until two people decide (`ferrotitre seal resume`)"
    )]
    Unknown,
}

/// What this process knows of the tree, so that sealing does not read the whole tree each time.
#[derive(Default)]
struct Known {
    frontier: Frontier,
    /// None until the tree was held against the memory.
    remembered: Option<Remembered>,
}

/// What is remembered, once the store's tree was found to extend it.
async fn recalled(
    connection: &ferrotitre_base::db::Connection,
    (key, memory): (&SealKey, &Memory),
    leaves: &[ferrotitre_core::merkle::Hash],
) -> Result<Remembered, SealError> {
    if let Some(mut remembered) = memory.read()? {
        remembered.check(leaves)?;
        let size = leaves.len() as u64;
        if let Some(head) = remembered.promised.take().filter(|head| head.tree_size <= size) {
            remembered.confirmed = Some(head);
        }
        return Ok(remembered);
    }
    // A store of a release that kept no memory: its own newest head, if this key signed it, is where the memory begins.
    let Some(head) = store::latest_head(connection).await? else {
        return if leaves.is_empty() { Ok(Remembered::default()) } else { Err(SealError::Unknown) };
    };
    let signed = head.key_id == key.id() && signature_holds(&key.public(), &head);
    let begins = SignedHead { tree_size: head.tree_size.cast_unsigned(), root: hex::encode(&head.root_hash) };
    let remembered = Remembered { confirmed: Some(begins), ..Remembered::default() };
    if !signed || remembered.check(leaves).is_err() {
        return Err(SealError::Unknown);
    }
    Ok(remembered)
}

/// Seals what is pending; returns how many events got their leaf. Nothing happens while another process seals.
///
/// The head is in the memory, on disk, before the transaction that publishes it commits; afterwards it counts as confirmed.
///
/// # Errors
/// A store or a memory that cannot be used, or a log that does not extend what was signed.
async fn seal_once(db: &Db, (key, memory): (&SealKey, &Memory), known: &mut Known) -> Result<usize, SealError> {
    let before = (known.frontier.clone(), known.remembered.clone());
    let outcome = db
        .transact(&Act::system("seal"), async |connection| sealed_in(connection, (key, memory), before).await)
        .await?;
    match outcome {
        Outcome::Elsewhere => Ok(0),
        Outcome::Failed(error) => Err(error),
        Outcome::Sealed(count, frontier, mut remembered) => {
            let found = known.remembered.as_ref() != Some(&remembered);
            if let Some(head) = remembered.promised.take() {
                remembered.confirmed = Some(head);
            }
            if found && remembered.confirmed.is_some() {
                memory.write(&remembered)?;
            }
            *known = Known { frontier, remembered: Some(remembered) };
            Ok(count)
        }
    }
}

/// What a transaction that seals came to.
enum Outcome {
    /// Another process is at it.
    Elsewhere,
    /// So many events, in this tree, under this head.
    Sealed(usize, Frontier, Remembered),
    /// The log does not extend what was signed.
    Failed(SealError),
}

/// The part of [`seal_once`] that its transaction holds together.
async fn sealed_in(
    connection: &Connection,
    (key, memory): (&SealKey, &Memory),
    (mut frontier, remembered): (Frontier, Option<Remembered>),
) -> Result<Outcome, Refusal> {
    if !store::try_lock(connection).await? {
        return Ok(Outcome::Elsewhere);
    }
    let first = remembered.is_none();
    let size = store::tree_size(connection).await?;
    let remembered = match remembered {
        Some(remembered) if size.cast_unsigned() == frontier.size() => remembered,
        // Another process has sealed meanwhile, this one has just started, or the log is another one now.
        _ => {
            let leaves = store::leaf_hashes(connection, (0, size)).await?;
            frontier = Frontier::of(&leaves);
            match recalled(connection, (key, memory), &leaves).await {
                Ok(remembered) => remembered,
                Err(error) => return Ok(Outcome::Failed(error)),
            }
        }
    };
    let events = store::take_pending(connection, BATCH).await?;
    if events.is_empty() {
        // A head of an earlier release gets its note when this one first looks.
        if first && size > 0 && !store::has_checkpoint(connection, size).await? {
            store::insert_checkpoint(connection, size, &signed_note(key, &frontier)).await?;
        }
        return Ok(Outcome::Sealed(0, frontier, remembered));
    }
    // Whoever puts sealed events back between the two looks would have them sealed anew at the end of a tree that still has them.
    if store::tree_size(connection).await? != size {
        return Err(Refusal::new(Code::StoreUnavailable, "the log became another one while it was read"));
    }
    let mut leaves = Vec::with_capacity(events.len());
    for event in &events {
        let leaf = event.leaf();
        leaves.push((frontier.size().cast_signed(), event.id, leaf.to_vec()));
        frontier.append(leaf);
    }
    let head = signed_head(key, &frontier);
    let remembered = Remembered { promised: Some(SignedHead::of(&frontier)), ..remembered };
    if let Err(error) = memory.write(&remembered) {
        // The transaction must not commit: an event would be sealed under a head nobody remembers.
        return Err(Refusal::internal(error));
    }
    store::insert_sealed(connection, &leaves, &head).await?;
    store::insert_checkpoint(connection, head.tree_size, &signed_note(key, &frontier)).await?;
    Ok(Outcome::Sealed(events.len(), frontier, remembered))
}

/// A head over a tree, signed now.
fn signed_head(key: &SealKey, frontier: &Frontier) -> store::HeadRow {
    let signed_at = microseconds(Utc::now());
    let root = frontier.root();
    let tree_size = frontier.size().cast_signed();
    let signature = key.sign(&entry::head_text(tree_size, &root, signed_at));
    store::HeadRow { tree_size, root_hash: root.to_vec(), signed_at, key_id: key.id(), signature: signature.to_vec() }
}

/// The same tree as a signed note (C2SP tlog-checkpoint).
fn signed_note(key: &SealKey, frontier: &Frontier) -> String {
    let named = key.named();
    let text = Checkpoint { origin: named.name.clone(), size: frontier.size(), root: frontier.root() }.text();
    let line = SignatureLine::by(&named, &key.sign(&text));
    Note { text, signatures: vec![line] }.print()
}

/// The store keeps microseconds; a signature must cover what is stored.
fn microseconds(time: DateTime<Utc>) -> DateTime<Utc> {
    time.with_nanosecond(time.nanosecond() / 1000 * 1000).unwrap_or(time)
}

/// Seals for as long as the service runs.
pub async fn run(
    db: Db,
    (key, memory): (SealKey, Memory),
    sealing: Sealing,
    mut stop: tokio::sync::watch::Receiver<bool>,
) {
    let mut known = Known::default();
    loop {
        let pause = match seal_once(&db, (&key, &memory), &mut known).await {
            Ok(count) => {
                sealing.set(None);
                if i64::try_from(count).is_ok_and(|count| count == BATCH) {
                    Duration::ZERO
                } else {
                    Duration::from_millis(500)
                }
            }
            Err(SealError::Store(error)) => {
                tracing::warn!(%error, "sealing failed; it is tried again");
                known = Known::default();
                Duration::from_secs(2)
            }
            Err(error) => {
                let why = error.to_string();
                if sealing.stopped().as_deref() != Some(&why) {
                    tracing::error!(%error, "sealing has stopped");
                }
                sealing.set(Some(why));
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
    while matches!(seal_once(&db, (&key, &memory), &mut known).await, Ok(count) if count > 0) {}
}
