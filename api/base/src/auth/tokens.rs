//! Access tokens (JWT, minutes), refresh tokens (random, single use) and the keys that sign them.

use std::sync::{Arc, PoisonError, RwLock};

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Duration, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_schema::token_keys;
use hmac::{Hmac, KeyInit as _, Mac as _};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use rand::Rng;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::auth::local_key;
use crate::db::{Connection, Db};
use crate::ids::{AccountId, SessionId};
use crate::refusal::{Code, Refusal};

/// How long an access token is good.
pub const ACCESS_MINUTES: i64 = 10;
/// How long a refresh token is good, hours: a working day.
pub const REFRESH_HOURS: i64 = 12;
/// How long a key signs new tokens.
const KEY_SIGNS_DAYS: i64 = 30;
/// Service tokens begin with this, so that they are recognised in logs and scanners.
pub const SERVICE_TOKEN_PREFIX: &str = "ftst_";

/// What an access token says.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Claims {
    /// Account.
    pub sub: AccountId,
    /// Session.
    pub sid: SessionId,
    /// Issued at, seconds.
    pub iat: i64,
    /// Expires at, seconds.
    pub exp: i64,
}

#[derive(Debug, Clone, Queryable, Insertable)]
#[diesel(table_name = token_keys)]
struct Key {
    id: String,
    secret: Vec<u8>,
    signs_until: DateTime<Utc>,
    verifies_until: DateTime<Utc>,
}

impl Key {
    /// What signs: what the store keeps is of no use without the secret of the installation.
    fn signing(&self) -> [u8; 32] {
        local_key::code("token key", &[self.id.as_bytes(), &self.secret])
    }
}

/// Keys of this process, read from the store when one is missing.
#[derive(Debug, Clone, Default)]
pub struct TokenKeys {
    known: Arc<RwLock<Vec<Key>>>,
}

impl TokenKeys {
    /// Signs an access token that is good for some minutes; makes a new key when the present one has served its time.
    ///
    /// # Errors
    /// A store that cannot be reached.
    pub async fn sign(
        &self,
        db: &Db,
        account: AccountId,
        session: SessionId,
        (now, minutes): (DateTime<Utc>, i64),
    ) -> Result<String, Refusal> {
        let usable = |key: &&Key| key.signs_until > now;
        let mut key = self.read().iter().rfind(usable).cloned();
        if key.is_none() {
            self.reload(db, now).await?;
            key = self.read().iter().rfind(usable).cloned();
        }
        let key = match key {
            Some(key) => key,
            None => self.make(db, now).await?,
        };
        let claims = Claims {
            sub: account,
            sid: session,
            iat: now.timestamp(),
            exp: (now + Duration::minutes(minutes)).timestamp(),
        };
        let header = Header { kid: Some(key.id.clone()), ..Header::new(Algorithm::HS256) };
        jsonwebtoken::encode(&header, &claims, &EncodingKey::from_secret(&key.signing())).map_err(Refusal::internal)
    }

    /// Verifies an access token's signature and time.
    ///
    /// # Errors
    /// [`Code::NotSignedIn`] for a token that is malformed, forged or expired.
    pub async fn verify(&self, db: &Db, token: &str) -> Result<Claims, Refusal> {
        let refuse = |why: &str| Refusal::new(Code::NotSignedIn, format!("the access token is {why}"));
        let header = jsonwebtoken::decode_header(token).map_err(|error| refuse("malformed").because(error))?;
        let kid = header.kid.ok_or_else(|| refuse("malformed"))?;
        let find = || self.read().iter().find(|key| key.id == kid).cloned();
        let key = match find() {
            Some(key) => key,
            None => {
                self.reload(db, Utc::now()).await?;
                find().ok_or_else(|| refuse("signed with an unknown key"))?
            }
        };
        if key.verifies_until < Utc::now() {
            return Err(refuse("signed with a retired key"));
        }
        let mut validation = Validation::new(Algorithm::HS256);
        validation.leeway = 0;
        jsonwebtoken::decode::<Claims>(token, &DecodingKey::from_secret(&key.signing()), &validation)
            .map(|data| data.claims)
            .map_err(|error| {
                let expired = matches!(error.kind(), jsonwebtoken::errors::ErrorKind::ExpiredSignature);
                refuse(if expired { "expired" } else { "not valid" }).because(error)
            })
    }

    /// What the forms of a session carry, so that no other site can send one: a code over the session's id that only this
    /// service can make. None before any key is known, which no request with a session can meet.
    #[must_use]
    pub fn form_code(&self, session: SessionId) -> Option<String> {
        self.read().last().and_then(|key| form_code(key, session))
    }

    fn read(&self) -> std::sync::RwLockReadGuard<'_, Vec<Key>> {
        self.known.read().unwrap_or_else(PoisonError::into_inner)
    }

    async fn reload(&self, db: &Db, now: DateTime<Utc>) -> Result<(), Refusal> {
        let keys = db.read(async |connection| load(connection, now).await).await?;
        *self.known.write().unwrap_or_else(PoisonError::into_inner) = keys;
        Ok(())
    }

    async fn make(&self, db: &Db, now: DateTime<Utc>) -> Result<Key, Refusal> {
        let signs_until = now + Duration::days(KEY_SIGNS_DAYS);
        let key = Key {
            id: hex::encode(random_bytes::<8>()),
            secret: random_bytes::<32>().to_vec(),
            signs_until,
            verifies_until: signs_until + Duration::hours(REFRESH_HOURS),
        };
        let row = key.clone();
        db.transact(&crate::db::Act::system("make_token_key"), async |mut connection| {
            diesel::insert_into(token_keys::table).values(&row).execute(&mut connection).await?;
            Ok(())
        })
        .await?;
        self.known.write().unwrap_or_else(PoisonError::into_inner).push(key.clone());
        Ok(key)
    }
}

fn form_code(key: &Key, session: SessionId) -> Option<String> {
    let mut code = Hmac::<Sha256>::new_from_slice(&key.signing()).ok()?;
    code.update(b"ferrotitre form 1 ");
    code.update(session.0.as_bytes());
    Some(URL_SAFE_NO_PAD.encode(code.finalize().into_bytes()))
}

async fn load(mut connection: &Connection, now: DateTime<Utc>) -> Result<Vec<Key>, Refusal> {
    Ok(token_keys::table
        .filter(token_keys::verifies_until.gt(now))
        .order(token_keys::signs_until)
        .select((token_keys::id, token_keys::secret, token_keys::signs_until, token_keys::verifies_until))
        .load(&mut connection)
        .await?)
}

/// Fresh random bytes from the operating system's generator.
#[must_use]
pub fn random_bytes<const N: usize>() -> [u8; N] {
    let mut bytes = [0; N];
    rand::rng().fill_bytes(&mut bytes);
    bytes
}

/// A token nobody can guess, and the digest under which it is stored.
#[must_use]
pub fn opaque(prefix: &str) -> (String, Vec<u8>) {
    let token = format!("{prefix}{}", URL_SAFE_NO_PAD.encode(random_bytes::<32>()));
    let digest = Sha256::digest(token.as_bytes()).to_vec();
    (token, digest)
}
