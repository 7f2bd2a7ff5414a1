//! Asks for the secret again: at sign-in, at every signature and when the password is changed.

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::passwords::{self, Asker};
use ferrotitre_base::auth::throttle::Try;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs::Meaning;
use ferrotitre_base::states;
use ferrotitre_core::lifecycle::EntityKind;
use secrecy::SecretString;

use crate::accounts::store::{self, persons};

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

/// Checks a password and records that it was checked, right or wrong.
///
/// The record is a transaction of its own: a refused signature must not take the record of the attempt with it.
pub async fn check(
    db: &Db,
    act: &Act,
    account: AccountId,
    (asker, password): (Asker, SecretString),
    purpose: &'static str,
) -> Result<Checked, Refusal> {
    let read = async |connection: &Connection| {
        let state = states::present(connection, EntityKind::Account, account.0).await?.state;
        Ok((store::secret(connection, account).await?, state == "active"))
    };
    let (secret, active) = db.read(read).await?;
    let Some((hash, provisional)) = secret else {
        passwords::verify_nobody(password).await?;
        return Ok(Checked::Wrong);
    };
    // A password of an account that is not active is looked at like any other, so that nobody learns which accounts are.
    let right = passwords::verify(asker, password, hash).await? && active;
    db.transact(act, async |connection| store::sessions::insert_attempt(connection, account, right, purpose).await)
        .await?;
    Ok(if right { Checked::Right { provisional } } else { Checked::Wrong })
}

/// Checks the password of somebody who is signed in; after some wrong ones the next must wait.
///
/// # Errors
/// [`Code::TooManyTries`].
pub(super) async fn check_own(
    db: &Db,
    act: &Act,
    policy: Policy,
    account: AccountId,
    password: SecretString,
    purpose: &'static str,
) -> Result<Checked, Refusal> {
    let looking = policy.throttle.begin(&Try::Signature(account), true)?;
    let checked = check(db, act, account, (Asker::SignedIn, password), purpose).await;
    looking.settle(checked, |checked| *checked != Checked::Wrong)
}

/// Asks for the secret of the person who signs.
///
/// # Errors
/// [`Code::SecretWrong`]; [`Code::TooManyTries`]; [`Code::IdentityUnconfirmed`].
pub async fn confirm(db: &Db, act: &Act, policy: Policy, password: SecretString) -> Result<(), Refusal> {
    let account = act.actor.ok_or_else(|| Refusal::new(Code::NotSignedIn, "only a person signs"))?;
    match check_own(db, &Act { repeat: None, ..act.clone() }, policy, account, password, "sign").await? {
        Checked::Right { .. } => db.read(async |connection| in_own_hands(connection, account).await).await,
        Checked::Wrong => Err(Refusal::new(Code::SecretWrong, "give your own password again to sign").at(
            "password",
            "secret",
            "(not shown)",
        )),
    }
}

/// An account whose password somebody else had set signs nothing until a second person has confirmed whose it is.
async fn in_own_hands(connection: &Connection, account: AccountId) -> Result<(), Refusal> {
    if persons::unconfirmed(connection, account).await?.is_none() {
        return Ok(());
    }
    let detail = "your password was set by somebody else: until a manager who did not set it has confirmed that this account is in your hands, it signs nothing";
    Err(Refusal::new(Code::IdentityUnconfirmed, detail))
}

/// Whether somebody is among these, under whichever of their accounts.
///
/// # Errors
/// A store that cannot be reached.
pub async fn is_one_of(connection: &Connection, account: AccountId, parties: &[AccountId]) -> Result<bool, Refusal> {
    if parties.contains(&account) {
        return Ok(true);
    }
    let own = persons::accounts_of(connection, &[account]).await?;
    Ok(own.iter().any(|one| parties.contains(one)))
}

/// Refuses somebody who had a hand in a record, under whichever of their accounts.
///
/// # Errors
/// [`Code::OwnRecord`].
pub async fn not_a_party(
    connection: &Connection,
    account: AccountId,
    parties: &[AccountId],
    detail: &str,
) -> Result<(), Refusal> {
    if is_one_of(connection, account, parties).await? {
        return Err(Refusal::new(Code::OwnRecord, detail));
    }
    Ok(())
}

/// The sentence of an author who signs for observations: that they are one's own, or whose else they are. Nobody signs
/// observations of which none is their own, unless they corrected some, and then the sentence says so. Readings that instruments
/// sent have no person behind them.
///
/// # Errors
/// [`Code::NotOwnObservations`].
pub async fn observed_by(
    connection: &Connection,
    user: &CurrentUser,
    observers: &[AccountId],
    correctors: &[AccountId],
) -> Result<String, Refusal> {
    let own = persons::accounts_of(connection, &[user.account]).await?;
    let (mine, others): (Vec<AccountId>, Vec<AccountId>) = observers.iter().copied().partition(|one| own.contains(one));
    let people = persons::names_of_people(connection, &others).await?;
    match (mine.is_empty() && !people.is_empty(), people.is_empty()) {
        (true, _) if correctors.iter().any(|one| own.contains(one)) => {
            Ok(format!("these are the observations of {}, with my corrections", people.join(" and ")))
        }
        (true, _) => {
            let detail = format!(
                "these are the observations of {}: who made them, or some of them, signs that they are their own",
                people.join(" and ")
            );
            Err(Refusal::new(Code::NotOwnObservations, detail))
        }
        (false, true) => Ok(Meaning::Authored.statement().to_owned()),
        (false, false) => Ok(format!("these are my observations and those of {}", people.join(" and "))),
    }
}
