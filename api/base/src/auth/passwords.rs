//! Password hashing with Argon2id, a few at a time so that memory stays bounded.

use argon2::password_hash::{PasswordHasher, PasswordVerifier, phc::PasswordHash};
use argon2::{Algorithm, Argon2, Params, Version};
use rand::RngExt;
use secrecy::{ExposeSecret, SecretString};
use tokio::sync::Semaphore;

use crate::refusal::Refusal;

/// Hashings at the same time; each takes 19 MiB.
static SLOTS: Semaphore = Semaphore::const_new(2);

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

async fn apart<T: Send + 'static>(work: impl FnOnce() -> Result<T, Refusal> + Send + 'static) -> Result<T, Refusal> {
    let _slot = SLOTS.acquire().await.map_err(Refusal::internal)?;
    tokio::task::spawn_blocking(work).await.map_err(Refusal::internal)?
}

/// Hashes a password to a PHC string.
///
/// # Errors
/// A failure of the library.
pub async fn hash(password: SecretString) -> Result<String, Refusal> {
    apart(move || {
        let hash = argon2()?
            .hash_password(password.expose_secret().as_bytes())
            .map_err(|error| Refusal::internal(Failure(error.to_string())))?;
        Ok(hash.to_string())
    })
    .await
}

/// Whether the password belongs to the hash.
///
/// # Errors
/// A failure of the library or an unreadable hash.
pub async fn verify(password: SecretString, hash: String) -> Result<bool, Refusal> {
    apart(move || {
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
    hash(password).await.map(|_| ())
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
        assert!(verify("correct horse battery".into(), text.clone()).await.unwrap());
        assert!(!verify("correct horse batterx".into(), text).await.unwrap());
    }
}
