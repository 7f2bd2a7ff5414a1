//! Signed notes, checkpoints and cosignatures as the C2SP texts signed-note, tlog-checkpoint and tlog-cosignature have them.

use std::fmt::Write as _;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use ed25519_dalek::{Signature, VerifyingKey};
use ferrotitre_core::merkle::Hash;
use sha2::{Digest, Sha256};

/// Notes with more lines of signatures are not read.
const MOST_SIGNATURES: usize = 64;

/// What is wrong with a note or key.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoteError {
    /// It is not of the form.
    #[error("{0}")]
    Form(&'static str),
    /// A signature by a known key does not hold.
    #[error("the signature of {0} does not hold")]
    Signature(String),
    /// Nobody known has signed.
    #[error("no known key has signed it")]
    Unsigned,
}

/// Standard base64, in its one canonical spelling.
///
/// # Errors
/// Anything else.
pub fn from_base64(text: &str) -> Result<Vec<u8>, NoteError> {
    STANDARD.decode(text).map_err(|_error| NoteError::Form("it holds what is no base64"))
}

/// Standard base64.
#[must_use]
pub fn base64(bytes: &[u8]) -> String {
    STANDARD.encode(bytes)
}

/// A hash in base64.
///
/// # Errors
/// Other text, or another length.
pub fn hash_of(text: &str) -> Result<Hash, NoteError> {
    from_base64(text)?.try_into().map_err(|_bytes| NoteError::Form("it holds a hash of another length than 32 bytes"))
}

/// What a key signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeyKind {
    /// Notes themselves.
    Note,
    /// Timestamped statements of a witness about a checkpoint.
    Cosignature,
}

impl KeyKind {
    /// The byte that the texts assign.
    const fn byte(self) -> u8 {
        match self {
            Self::Note => 1,
            Self::Cosignature => 4,
        }
    }
}

/// A public key with its name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedKey {
    /// Name, such as a URL without its scheme.
    pub name: String,
    /// What it signs.
    pub kind: KeyKind,
    /// The key.
    pub key: VerifyingKey,
}

fn name_is_right(name: &str) -> bool {
    !name.is_empty() && !name.contains(|c: char| c.is_whitespace() || c.is_control() || c == '+')
}

impl NamedKey {
    /// Id in signature lines: the first four bytes of a digest over name, kind and key.
    #[must_use]
    pub fn id(&self) -> [u8; 4] {
        let digest = Sha256::new()
            .chain_update(self.name.as_bytes())
            .chain_update(b"\n")
            .chain_update([self.kind.byte()])
            .chain_update(self.key.as_bytes())
            .finalize();
        [digest[0], digest[1], digest[2], digest[3]]
    }

    /// Name, id and key in one line, to be handed to others.
    #[must_use]
    pub fn text(&self) -> String {
        let mut bytes = vec![self.kind.byte()];
        bytes.extend(self.key.as_bytes());
        format!("{}+{}+{}", self.name, hex::encode(self.id()), base64(&bytes))
    }

    /// Reads such a line.
    ///
    /// # Errors
    /// Another form, or an id that does not belong to name and key.
    pub fn read(text: &str) -> Result<Self, NoteError> {
        let mut parts = text.splitn(3, '+');
        let (Some(name), Some(id), Some(key)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(NoteError::Form("a key is NAME+ID+KEY"));
        };
        if !name_is_right(name) {
            return Err(NoteError::Form("the name of a key is empty, or holds a blank"));
        }
        let bytes = from_base64(key)?;
        let kind = match bytes.first() {
            Some(1) => KeyKind::Note,
            Some(4) => KeyKind::Cosignature,
            _ => {
                return Err(NoteError::Form(
                    "the key is of a kind that is not read here: Ed25519 (1) or a witness's (4)",
                ));
            }
        };
        let key: [u8; 32] = bytes[1..].try_into().map_err(|_bytes| NoteError::Form("an Ed25519 key has 32 bytes"))?;
        let key = VerifyingKey::from_bytes(&key).map_err(|_error| NoteError::Form("it is no Ed25519 key"))?;
        let found = Self { name: name.to_owned(), kind, key };
        if hex::encode(found.id()) == id { Ok(found) } else { Err(NoteError::Form("the id of the key is not its own")) }
    }

    /// SHA-256 of the public key, hexadecimal: what to compare on paper or by telephone.
    #[must_use]
    pub fn fingerprint(&self) -> String {
        fingerprint(&self.key)
    }

    fn holds(&self, bytes: &[u8], text: &str) -> bool {
        let signature = |bytes: &[u8]| Signature::from_slice(bytes).ok();
        match self.kind {
            KeyKind::Note => signature(bytes).is_some_and(|one| self.key.verify_strict(text.as_bytes(), &one).is_ok()),
            KeyKind::Cosignature => {
                let Some((time, rest)) = bytes.split_first_chunk::<8>() else { return false };
                let message = cosigned(u64::from_be_bytes(*time), text);
                i64::try_from(u64::from_be_bytes(*time)).is_ok()
                    && signature(rest).is_some_and(|one| self.key.verify_strict(message.as_bytes(), &one).is_ok())
            }
        }
    }
}

/// SHA-256 of a public key, hexadecimal.
#[must_use]
pub fn fingerprint(key: &VerifyingKey) -> String {
    hex::encode(Sha256::digest(key.as_bytes()))
}

/// What a witness signs (tlog-cosignature): the time and the text of the checkpoint.
#[must_use]
pub fn cosigned(time: u64, text: &str) -> String {
    format!("cosignature/v1\ntime {time}\n{text}")
}

/// A line of signature.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignatureLine {
    /// Name of the key.
    pub name: String,
    /// Id of the key.
    pub id: [u8; 4],
    /// What follows the id: the signature, with the time before it in a witness's.
    pub bytes: Vec<u8>,
}

impl SignatureLine {
    /// A line by a key.
    #[must_use]
    pub fn by(key: &NamedKey, bytes: &[u8]) -> Self {
        Self { name: key.name.clone(), id: key.id(), bytes: bytes.to_vec() }
    }

    /// As it stands in a note, without the line feed.
    #[must_use]
    pub fn text(&self) -> String {
        let mut bytes = self.id.to_vec();
        bytes.extend(&self.bytes);
        format!("\u{2014} {} {}", self.name, base64(&bytes))
    }

    /// Reads one.
    ///
    /// # Errors
    /// Another form.
    pub fn read(line: &str) -> Result<Self, NoteError> {
        let form = NoteError::Form("a line of signature is a dash, a name and base64");
        let (name, signature) =
            line.strip_prefix("\u{2014} ").and_then(|rest| rest.split_once(' ')).ok_or_else(|| form.clone())?;
        let bytes = from_base64(signature)?;
        match bytes.split_first_chunk::<4>() {
            Some((id, rest)) if name_is_right(name) && !rest.is_empty() => {
                Ok(Self { name: name.to_owned(), id: *id, bytes: rest.to_vec() })
            }
            _ => Err(form),
        }
    }

    /// Whether it names this key.
    #[must_use]
    pub fn names(&self, key: &NamedKey) -> bool {
        self.name == key.name && self.id == key.id()
    }

    /// When a witness says it signed, seconds since 1970; only of a line by such a key.
    #[must_use]
    pub fn time(&self) -> Option<u64> {
        self.bytes.first_chunk::<8>().filter(|_| self.bytes.len() == 72).map(|time| u64::from_be_bytes(*time))
    }
}

/// A text with signatures below it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// The text, with its last line feed.
    pub text: String,
    /// Signatures.
    pub signatures: Vec<SignatureLine>,
}

impl Note {
    /// Reads a note.
    ///
    /// # Errors
    /// Another form; signatures are not looked at.
    pub fn read(note: &str) -> Result<Self, NoteError> {
        if note.contains(|c: char| c < ' ' && c != '\n') {
            return Err(NoteError::Form("a note holds no control characters"));
        }
        let (text, lines) =
            note.rsplit_once("\n\n").ok_or(NoteError::Form("a note has an empty line before its signatures"))?;
        let lines = lines.strip_suffix('\n').ok_or(NoteError::Form("a note ends with a line feed"))?;
        let signatures: Vec<SignatureLine> =
            lines.split('\n').take(MOST_SIGNATURES + 1).map(SignatureLine::read).collect::<Result<_, _>>()?;
        if signatures.len() > MOST_SIGNATURES {
            return Err(NoteError::Form("a note has too many signatures"));
        }
        Ok(Self { text: format!("{text}\n"), signatures })
    }

    /// As written.
    #[must_use]
    pub fn print(&self) -> String {
        let mut page = format!("{}\n", self.text);
        for line in &self.signatures {
            // Writing to a String cannot fail.
            let _ = writeln!(page, "{}", line.text());
        }
        page
    }

    /// The lines by known keys, each checked; others are passed over, as the text wants it.
    ///
    /// # Errors
    /// A line by a known key that does not hold, or none at all.
    pub fn signed_by<'a>(&self, keys: &'a [NamedKey]) -> Result<Vec<(&'a NamedKey, &SignatureLine)>, NoteError> {
        let mut found = Vec::new();
        for line in &self.signatures {
            let Some(key) = keys.iter().find(|key| line.names(key)) else { continue };
            if !key.holds(&line.bytes, &self.text) {
                return Err(NoteError::Signature(key.name.clone()));
            }
            found.push((key, line));
        }
        if found.is_empty() { Err(NoteError::Unsigned) } else { Ok(found) }
    }
}

/// What a log says of its tree.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checkpoint {
    /// Name of the log.
    pub origin: String,
    /// Number of leaves.
    pub size: u64,
    /// Root of the tree.
    pub root: Hash,
}

impl Checkpoint {
    /// Text to be signed.
    #[must_use]
    pub fn text(&self) -> String {
        format!("{}\n{}\n{}\n", self.origin, self.size, base64(&self.root))
    }

    /// Reads the text of a note. Further lines are allowed and not looked at.
    ///
    /// # Errors
    /// Another form.
    pub fn read(text: &str) -> Result<Self, NoteError> {
        let mut lines = text.strip_suffix('\n').unwrap_or_default().split('\n');
        let (Some(origin), Some(size), Some(root)) = (lines.next(), lines.next(), lines.next()) else {
            return Err(NoteError::Form("a checkpoint has three lines: origin, size, root"));
        };
        if origin.is_empty() || lines.any(str::is_empty) {
            return Err(NoteError::Form("a checkpoint has no empty line"));
        }
        Ok(Self { origin: origin.to_owned(), size: size_of(size)?, root: hash_of(root)? })
    }
}

/// A number of leaves: decimal, without leading zeros.
///
/// # Errors
/// Anything else.
pub fn size_of(text: &str) -> Result<u64, NoteError> {
    let size: u64 = text.parse().map_err(|_error| NoteError::Form("a tree size is a whole number"))?;
    if size.to_string() == text { Ok(size) } else { Err(NoteError::Form("a tree size has no leading zeros")) }
}
