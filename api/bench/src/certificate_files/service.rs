//! Use cases of files of certificates.

use std::collections::HashSet;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::CertificateFileId;
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::web::answer::{Answer, Located};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use utoipa::ToSchema;

use super::store;

/// Largest file, bytes. Common practice, no source: a scanned certificate of some pages.
const LARGEST: usize = 8 * 1024 * 1024;

/// What a file may be, by its first bytes (ISO 32000-1, 7.5.2; PNG, 5.2; JPEG, B.1.1.3).
const KINDS: [(&[u8], &str); 3] =
    [(b"%PDF-", "application/pdf"), (b"\x89PNG\r\n\x1a\n", "image/png"), (b"\xff\xd8\xff", "image/jpeg")];

/// A file as sent.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCertificateFile {
    /// Name of the file.
    #[schema(example = "CAL-2026-014.pdf")]
    pub file_name: String,
    /// The file in base64: PDF, PNG or JPEG, at most 8 MiB.
    #[schema(example = "JVBERi0xLjcK")]
    pub content: String,
}

/// A file as kept.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CertificateFile {
    /// SHA-256 of the file, as `certificate_digest` takes it.
    pub digest: String,
    /// Bytes.
    pub size: usize,
    /// What it is, by its first bytes.
    pub media_type: String,
}

impl Located for CertificateFile {
    fn location(&self) -> String {
        format!("/api/v1/certificate-files/{}", self.digest)
    }
}

/// Keeps a file in a transaction that does more.
///
/// # Errors
/// A name or content that is missing, too large, or neither PDF nor picture.
pub async fn keep(connection: &Connection, act: &Act, new: &NewCertificateFile) -> Result<CertificateFile, Refusal> {
    let mut errors = FieldErrors::default();
    let characters = new.file_name.trim().chars().count();
    errors.require(
        (1..=200).contains(&characters),
        "file_name",
        "length",
        "must have 1 to 200 characters",
        &new.file_name,
    );
    errors.check()?;
    let content = STANDARD
        .decode(new.content.trim())
        .map_err(|error| Refusal::invalid("content", "base64", format!("must be base64: {error}"), ""))?;
    if content.len() > LARGEST {
        let message = format!("must have at most {LARGEST} bytes");
        return Err(Refusal::invalid("content", "size", message, content.len()));
    }
    let kind = KINDS.iter().find(|(first, _)| content.starts_with(first)).map(|(_, kind)| *kind);
    let kind = kind.ok_or_else(|| Refusal::invalid("content", "kind", "must be PDF, PNG or JPEG", &new.file_name))?;
    let digest = hex::encode(Sha256::digest(&content));
    let size = content.len();
    let row = store::New {
        id: CertificateFileId::new(),
        digest: digest.clone(),
        file_name: new.file_name.trim().to_owned(),
        media_type: kind,
        content,
        recorded_by: author(act)?,
    };
    store::keep(connection, &row).await?;
    Ok(CertificateFile { digest, size, media_type: kind.to_owned() })
}

/// Keeps a file; the same file again is answered as the one that is there.
pub async fn record(db: &Db, act: &Act, new: NewCertificateFile) -> Result<Answer, Refusal> {
    db.write(act, async |connection| keep(connection, act, &new).await).await
}

/// Name, kind and bytes of a file.
pub async fn read(db: &Db, digest: &str) -> Result<(String, String, Vec<u8>), Refusal> {
    let found = db.read(async |connection| store::read(connection, digest).await).await?;
    found.ok_or_else(|| {
        Refusal::new(Code::NotFound, format!("there is no file of a certificate with the digest {digest}"))
    })
}

/// Which of some files are kept here.
pub async fn known(db: &Db, digests: &[&str]) -> Result<HashSet<String>, Refusal> {
    if digests.is_empty() {
        return Ok(HashSet::new());
    }
    db.read(async |connection| store::known(connection, digests).await).await
}
