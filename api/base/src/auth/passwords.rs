//! Password hashing with Argon2id, a few at a time so that memory stays bounded.

use std::sync::atomic::{AtomicUsize, Ordering};

use argon2::password_hash::{PasswordHasher, PasswordVerifier, phc::PasswordHash};
use argon2::{Algorithm, Argon2, Params, Version};
use rand::RngExt;
use secrecy::{ExposeSecret, SecretString};
use tokio::sync::Semaphore;

use crate::refusal::{Code, Refusal};

/// Hashings at the same time for strangers and for those known; each takes 19 MiB. They have slots of their own, so that no crowd
/// at the door holds up a signature, or somebody at their usual place.
static STRANGERS: Semaphore = Semaphore::const_new(2);
static KNOWN: Semaphore = Semaphore::const_new(2);

/// Strangers that wait for a slot at most: under two seconds' worth of work on a slow core.
const MOST_WAITING: usize = 32;
static WAITING: AtomicUsize = AtomicUsize::new(0);

/// For whom a password is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asker {
    /// Somebody at the door.
    Stranger,
    /// Somebody who is signed in, or at an address from which the account has signed in lately.
    Known,
}

/// Whether strangers wait for each other, so that it matters whether this one is.
#[must_use]
pub fn crowded() -> bool {
    WAITING.load(Ordering::Relaxed) > 0
}

/// Shortest password that is accepted, characters.
pub const SHORTEST: usize = 12;

/// OWASP's recommendation for Argon2id as of 2024: 19 MiB, two passes, one lane.
fn argon2() -> Result<Argon2<'static>, Refusal> {
    let params = Params::new(19 * 1024, 2, 1, None).map_err(|error| Refusal::internal(Failure(error.to_string())))?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

/// A failure of the hashing library, whose own error is not an `Error` everywhere.
#[derive(Debug, thiserror::Error)]
#[error("password hashing failed: {0}")]
struct Failure(String);

/// A place in the row of waiting strangers.
struct Place;

impl Place {
    fn take() -> Result<Self, Refusal> {
        if WAITING.fetch_add(1, Ordering::Relaxed) >= MOST_WAITING {
            WAITING.fetch_sub(1, Ordering::Relaxed);
            return Err(Refusal::new(Code::Busy, "many are signing in at this moment; try again in a second")
                .with_facts(serde_json::json!({ "retry_after_seconds": 1 })));
        }
        Ok(Self)
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        WAITING.fetch_sub(1, Ordering::Relaxed);
    }
}

async fn apart<T: Send + 'static>(
    asker: Asker,
    work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    let (slots, place) = match asker {
        Asker::Stranger => (&STRANGERS, Some(Place::take()?)),
        Asker::Known => (&KNOWN, None),
    };
    let slot = slots.acquire().await.map_err(Refusal::internal)?;
    drop(place);
    let done = tokio::task::spawn_blocking(move || {
        // Held until the work ends, also when nobody waits for it any more.
        let _slot = slot;
        work()
    });
    done.await.map_err(Refusal::internal)?
}

/// Hashes a password to a PHC string.
///
/// # Errors
/// A failure of the library.
pub async fn hash(password: SecretString) -> Result<String, Refusal> {
    apart(Asker::Known, move || hash_now(&password)).await
}

fn hash_now(password: &SecretString) -> Result<String, Refusal> {
    let hash = argon2()?
        .hash_password(password.expose_secret().as_bytes())
        .map_err(|error| Refusal::internal(Failure(error.to_string())))?;
    Ok(hash.to_string())
}

/// Whether the password belongs to the hash.
///
/// # Errors
/// A failure of the library or an unreadable hash.
pub async fn verify(asker: Asker, password: SecretString, hash: String) -> Result<bool, Refusal> {
    apart(asker, move || {
        let parsed = PasswordHash::new(&hash).map_err(|error| Refusal::internal(Failure(error.to_string())))?;
        Ok(argon2()?.verify_password(password.expose_secret().as_bytes(), &parsed).is_ok())
    })
    .await
}

/// Spends the time of a verification, so that an unknown name cannot be told from a wrong password.
///
/// # Errors
/// A failure of the library.
pub async fn verify_nobody(password: SecretString) -> Result<(), Refusal> {
    apart(Asker::Stranger, move || hash_now(&password)).await.map(drop)
}

/// A random password: 20 characters of an alphabet without look-alikes, about 114 bits.
#[must_use]
pub fn generate() -> String {
    const ALPHABET: &[u8] = b"abcdefghijkmnpqrstuvwxyzABCDEFGHJKLMNPQRSTUVWXYZ23456789";
    let mut random = rand::rng();
    (0..20).map(|_| char::from(ALPHABET[random.random_range(0..ALPHABET.len())])).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn only_the_right_password_is_verified_and_the_hash_is_argon2id() {
        let text = hash("correct horse battery".into()).await.unwrap();
        assert!(text.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{text}");
        assert!(verify(Asker::Known, "correct horse battery".into(), text.clone()).await.unwrap());
        assert!(!verify(Asker::Known, "correct horse batterx".into(), text).await.unwrap());
    }
}
