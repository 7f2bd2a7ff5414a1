//! Seals what the store keeps and must not be read from it alone: AES-256-GCM (NIST SP 800-38D) with a key made of `door.key`.

use ring::aead::{AES_256_GCM, Aad, LessSafeKey, NONCE_LEN, Nonce, UnboundKey};
use sha2::{Digest, Sha256};

use crate::auth::local_key;
use crate::auth::tokens::random_bytes;

fn key_of(secret: &[u8; 32]) -> Option<LessSafeKey> {
    UnboundKey::new(&AES_256_GCM, secret).ok().map(LessSafeKey::new)
}

/// What the sealed text is bound to, each part with its length.
fn bound_to(parts: &[&[u8]]) -> Aad<[u8; 32]> {
    let mut digest = Sha256::new();
    for part in parts {
        digest.update(u64::try_from(part.len()).unwrap_or(u64::MAX).to_be_bytes());
        digest.update(part);
    }
    Aad::from(digest.finalize().into())
}

/// Seals a text for a purpose, bound to some parts that must be named again to open it. A fresh random nonce stands before it: a few
/// thousand texts are far from where random nonces of 96 bits repeat.
#[must_use]
pub fn seal(purpose: &str, parts: &[&[u8]], plain: &[u8]) -> Vec<u8> {
    seal_with(&local_key::code("seal", &[purpose.as_bytes()]), parts, plain)
}

/// Opens what was sealed with the same `door.key` for the same purpose and parts.
#[must_use]
pub fn open(purpose: &str, parts: &[&[u8]], kept: &[u8]) -> Option<Vec<u8>> {
    open_with(&local_key::code("seal", &[purpose.as_bytes()]), parts, kept)
}

fn seal_with(secret: &[u8; 32], parts: &[&[u8]], plain: &[u8]) -> Vec<u8> {
    let nonce = random_bytes::<NONCE_LEN>();
    let mut text = plain.to_vec();
    let sealed = key_of(secret)
        .map(|key| key.seal_in_place_append_tag(Nonce::assume_unique_for_key(nonce), bound_to(parts), &mut text));
    match sealed {
        Some(Ok(())) => [nonce.as_slice(), &text].concat(),
        // A key of 32 bytes and a short text are always taken; if not, nothing readable is kept.
        _ => Vec::new(),
    }
}

fn open_with(secret: &[u8; 32], parts: &[&[u8]], kept: &[u8]) -> Option<Vec<u8>> {
    let (nonce, text) = kept.split_at_checked(NONCE_LEN)?;
    let nonce = Nonce::try_assume_unique_for_key(nonce).ok()?;
    let mut text = text.to_vec();
    let plain = key_of(secret)?.open_in_place(nonce, bound_to(parts), &mut text).ok()?;
    Some(plain.to_vec())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_same_key_and_parts_open_it_and_nothing_of_it_can_be_changed() {
        let (key, other) = ([1; 32], [2; 32]);
        let kept = seal_with(&key, &[b"ab", b"c"], b"a secret");
        assert_eq!(open_with(&key, &[b"ab", b"c"], &kept).unwrap(), b"a secret");
        // Another installation's door.key, or that of a copy of the store.
        assert_eq!(open_with(&other, &[b"ab", b"c"], &kept), None);
        assert_eq!(open_with(&key, &[b"a", b"bc"], &kept), None);
        for at in 0..kept.len() {
            let mut changed = kept.clone();
            changed[at] ^= 1;
            assert_eq!(open_with(&key, &[b"ab", b"c"], &changed), None, "{at}");
        }
        assert_eq!(open_with(&key, &[b"ab", b"c"], &kept[..11]), None);
        assert!(!kept.windows(8).any(|part| part == b"a secret"));
    }
}
