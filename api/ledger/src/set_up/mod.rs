//! The first people of an empty store: one who manages accounts, one who decides on roles, without whom nobody could begin, and the
//! analysts that whoever sets up names with them.

pub mod pages;

use std::sync::Arc;

use ferrotitre_base::auth::passwords;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::{Code, Refusal};
use secrecy::{ExposeSecret, SecretString};
use serde::Deserialize;
use sha2::{Digest, Sha256};

use crate::accounts::service as accounts;
use crate::accounts::wire::FirstPerson;

/// The code that whoever starts the service over an empty store reads in its first lines. It ends with the process, and with the
/// first account.
#[derive(Debug, Clone, Default)]
pub struct SetUp(Option<Arc<[u8; 32]>>);

fn digest(code: &str) -> [u8; 32] {
    Sha256::digest(code.trim()).into()
}

impl SetUp {
    /// A code where there is nobody yet.
    ///
    /// # Errors
    /// A store that cannot be read.
    pub async fn over(db: &Db) -> Result<(Self, Option<String>), Refusal> {
        if accounts::any(db).await? {
            return Ok((Self::default(), None));
        }
        let code = passwords::generate();
        Ok((Self::by(&code), Some(code)))
    }

    /// By this code.
    #[must_use]
    pub fn by(code: &str) -> Self {
        Self(Some(Arc::new(digest(code))))
    }

    fn is(&self, code: &SecretString) -> bool {
        // Digests are compared, so how long it takes says nothing about the code.
        self.0.as_ref().is_some_and(|kept| **kept == digest(code.expose_secret()))
    }
}

/// Who begins.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Beginning {
    code: SecretString,
    administrator: FirstPerson,
    manager: FirstPerson,
    #[serde(default)]
    analysts: Vec<FirstPerson>,
}

/// Somebody who was made: sign-in name, provisional password, role.
type Made = (String, String, &'static str);

/// Makes the administrator, the manager, and analysts if any are named.
async fn begin(db: &Db, set_up: &SetUp, beginning: Beginning) -> Result<Vec<Made>, Refusal> {
    if !set_up.is(&beginning.code) {
        let message = "is not the code the service printed when it was started; every start prints another";
        return Err(Refusal::new(Code::SecretWrong, message).at("code", "secret", "(not shown)"));
    }
    let Beginning { administrator, manager, analysts, .. } = beginning;
    let mut people =
        vec![("administrator".to_owned(), "administrator", administrator), ("manager".to_owned(), "manager", manager)];
    people.extend(analysts.into_iter().enumerate().map(|(at, one)| (format!("analysts[{at}]"), "analyst", one)));
    let roles: Vec<&'static str> = people.iter().map(|(_, role, _)| *role).collect();
    let made = accounts::create_first(db, people).await?;
    Ok(made.into_iter().zip(roles).map(|((code, password), role)| (code, password, role)).collect())
}
