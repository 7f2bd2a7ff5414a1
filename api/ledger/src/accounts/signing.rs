//! Asks for the secret again: at sign-in, at every signature and when the password is changed.

use ferrotitre_base::auth::passwords;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::{self, NewMove};
use secrecy::SecretString;

use crate::accounts::store;

/// Outcome of a checked password.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Checked {
    /// Right.
    Right {
        /// It was set by somebody else and must be changed first.
        provisional: bool,
    },
    /// Wrong.
    Wrong,
}

/// Checks a password and records that it was checked, right or wrong; too many wrong ones in a row lock the account.
///
/// The record is a transaction of its own: a refused signature must not take the record of the attempt with it.
pub async fn check(
    db: &Db,
    act: &Act,
    policy: Policy,
    account: AccountId,
    password: SecretString,
    purpose: &'static str,
) -> Result<Checked, Refusal> {
    let secret = db.read(async |connection| store::secret(connection, account).await).await?;
    let Some((hash, provisional)) = secret else {
        passwords::verify_nobody(password).await?;
        return Ok(Checked::Wrong);
    };
    let right = passwords::verify(password, hash).await?;
    db.transact(act, async |connection| {
        store::insert_attempt(connection, account, right, purpose).await?;
        if right {
            return Ok(());
        }
        let failures = store::failures_in_a_row(connection, account, policy.lock_after_failures).await?;
        let kind = ferrotitre_core::lifecycle::EntityKind::Account;
        if failures >= policy.lock_after_failures
            && states::present(connection, kind, account.0).await?.state == "active"
        {
            let asked =
                NewMove { to: "locked".to_owned(), reason: Some(format!("{failures} wrong passwords in a row")) };
            states::advance(connection, &Act { actor: None, ..act.clone() }, kind, account.0, &asked, None).await?;
            store::end_sessions(connection, account, "account locked").await?;
        }
        Ok(())
    })
    .await?;
    Ok(if right { Checked::Right { provisional } } else { Checked::Wrong })
}

/// Asks for the secret of the person who signs.
///
/// # Errors
/// [`Code::SecretWrong`].
pub async fn confirm(db: &Db, act: &Act, policy: Policy, password: SecretString) -> Result<(), Refusal> {
    let account = act.actor.ok_or_else(|| Refusal::new(Code::NotSignedIn, "only a person signs"))?;
    match check(db, &Act { repeat: None, ..act.clone() }, policy, account, password, "sign").await? {
        Checked::Right { .. } => Ok(()),
        Checked::Wrong => Err(Refusal::new(Code::SecretWrong, "give your own password again to sign").at(
            "password",
            "secret",
            "(not shown)",
        )),
    }
}
