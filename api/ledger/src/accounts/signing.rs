//! Asks for the secret again: at sign-in, at every signature and when the password is changed.

use ferrotitre_base::auth::allowed::CODE_HEADER;
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

/// What a password is asked for, and with it whether a one-time code is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asked {
    /// To sign in: a code, if codes are set up.
    SignIn,
    /// To sign: a code, if the owner chose so.
    Sign,
    /// To change the password: no code.
    ChangePassword,
    /// To set up codes: the one that confirms them is looked at there.
    SetUpCodes,
    /// To choose about codes or end them: always a code.
    ChangeCodes,
}

impl Asked {
    /// As attempts name it.
    fn text(self) -> &'static str {
        match self {
            Self::SignIn => "sign in",
            Self::ChangePassword => "change password",
            Self::Sign | Self::SetUpCodes | Self::ChangeCodes => "sign",
        }
    }

    /// As uses of codes name it.
    pub(super) fn use_of_code(self) -> &'static str {
        match self {
            Self::SignIn => "sign in",
            Self::Sign | Self::ChangePassword => "sign",
            Self::SetUpCodes | Self::ChangeCodes => "set up codes",
        }
    }

    fn needs_code(self, at_signatures: bool) -> bool {
        match self {
            Self::SignIn | Self::ChangeCodes => true,
            Self::Sign => at_signatures,
            Self::ChangePassword | Self::SetUpCodes => false,
        }
    }
}

/// Checks a password, and the one-time code of the act where one is asked for, and records that they were checked, right or wrong.
///
/// The record is a transaction of its own: a refused signature must not take the record of the attempt with it, and a code is used
/// up with the attempt. A code is looked at only with the right password.
pub async fn check(
    db: &Db,
    act: &Act,
    account: AccountId,
    (asker, password): (Asker, SecretString),
    asked: Asked,
) -> Result<Checked, Refusal> {
    let read = async |connection: &Connection| {
        let state = states::present(connection, EntityKind::Account, account.0).await?.state;
        let codes = store::codes::in_force(connection, account).await?;
        Ok((store::secret(connection, account).await?, state == "active", codes))
    };
    let (secret, active, codes) = db.read(read).await?;
    let codes = codes.filter(|codes| asked.needs_code(codes.at_signatures));
    if codes.is_some() && act.one_time_code.is_none() && asked != Asked::SignIn {
        // Who is signed in may know what is asked of them; at the door nobody is told.
        let detail = "this account asks for a one-time code, too: send it in the header One-Time-Code";
        return Err(Refusal::new(Code::CodeMissing, detail).at(CODE_HEADER, "required", ""));
    }
    let Some((hash, provisional)) = secret else {
        passwords::verify_nobody(password).await?;
        return Ok(Checked::Wrong);
    };
    // A password of an account that is not active is looked at like any other, so that nobody learns which accounts are.
    let right = passwords::verify(asker, password, hash).await? && active;
    let right = db
        .transact(act, async |connection| {
            let refused = match &codes {
                Some(codes) if right => super::codes::take(connection, act, account, codes, asked).await?,
                _ => None,
            };
            let right = right && refused.is_none();
            let attempt = store::sessions::insert_attempt(connection, account, right, asked.text()).await?;
            if let Some(cause) = refused {
                store::codes::insert_refusal(connection, attempt, account, cause).await?;
            }
            Ok(right)
        })
        .await?;
    Ok(if right { Checked::Right { provisional } } else { Checked::Wrong })
}

/// Checks the password of somebody who is signed in; after some wrong ones the next must wait.
///
/// # Errors
/// [`Code::TooManyTries`]; [`Code::CodeMissing`].
pub(super) async fn check_own(
    db: &Db,
    act: &Act,
    policy: Policy,
    account: AccountId,
    password: SecretString,
    asked: Asked,
) -> Result<Checked, Refusal> {
    let looking = policy.throttle.begin(&Try::Signature(account), true)?;
    let checked = check(db, act, account, (Asker::Known, password), asked).await;
    looking.settle(checked, |checked| *checked != Checked::Wrong)
}

async fn right(
    db: &Db,
    act: &Act,
    policy: Policy,
    account: AccountId,
    (password, asked): (SecretString, Asked),
) -> Result<(), Refusal> {
    if check_own(db, act, policy, account, password, asked).await? != Checked::Wrong {
        return Ok(());
    }
    let refusal = |detail: &str| Refusal::new(Code::SecretWrong, detail).at("password", "secret", "(not shown)");
    // Which of the two was wrong is on record, and told to nobody.
    Err(match act.one_time_code {
        None => refusal("give your own password again to sign"),
        Some(_) => refusal("give your own password and a fresh one-time code again to sign"),
    })
}

/// Asks for the secret of the person who signs, and for a one-time code if the person chose so.
///
/// # Errors
/// [`Code::SecretWrong`]; [`Code::CodeMissing`]; [`Code::TooManyTries`]; [`Code::IdentityUnconfirmed`].
pub async fn confirm(db: &Db, act: &Act, policy: Policy, password: SecretString) -> Result<(), Refusal> {
    let account = act.actor.ok_or_else(|| Refusal::new(Code::NotSignedIn, "only a person signs"))?;
    right(db, act, policy, account, (password, Asked::Sign)).await?;
    db.read(async |connection| in_own_hands(connection, account).await).await
}

/// Asks for password and code of somebody who changes their own codes.
///
/// # Errors
/// [`Code::SecretWrong`]; [`Code::CodeMissing`]; [`Code::TooManyTries`].
pub(super) async fn confirm_with_code(
    db: &Db,
    act: &Act,
    policy: Policy,
    password: SecretString,
) -> Result<(), Refusal> {
    let account = act.actor.ok_or_else(|| Refusal::new(Code::NotSignedIn, "only a person has codes"))?;
    right(db, act, policy, account, (password, Asked::ChangeCodes)).await
}

/// Asks for the password of somebody who sets up codes.
///
/// # Errors
/// [`Code::SecretWrong`]; [`Code::TooManyTries`].
pub(super) async fn confirm_own(
    db: &Db,
    act: &Act,
    policy: Policy,
    account: AccountId,
    password: SecretString,
) -> Result<(), Refusal> {
    right(db, act, policy, account, (password, Asked::SetUpCodes)).await
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
