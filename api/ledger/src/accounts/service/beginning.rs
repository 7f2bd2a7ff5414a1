//! Accounts that no account makes: the first two, and those from the command line.

use chrono::{DateTime, NaiveDate};
use ferrotitre_base::auth::passwords;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, RoleGrantId};
use ferrotitre_base::refusal::{Code, Refusal};

use crate::accounts::store::grants::{self, RoleGrant};
use crate::accounts::store::persons;
use crate::accounts::store::{self, AccountRow};
use crate::accounts::wire::FirstPerson;

/// An account as it begins.
struct Beginner<'a> {
    code: &'a str,
    name: &'a str,
    kind: &'a str,
    roles: &'a [String],
    since: Option<NaiveDate>,
    /// Why it has these roles at once.
    reason: &'static str,
    /// Hash of its provisional password; none where it has tokens.
    hash: Option<&'a str>,
}

async fn put(connection: &Connection, new: Beginner<'_>) -> Result<AccountId, Refusal> {
    let row = AccountRow {
        id: AccountId::new(),
        code: new.code.to_owned(),
        display_name: new.name.to_owned(),
        kind: new.kind.to_owned(),
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: None,
    };
    let account = store::insert_account(connection, &row).await?;
    if let Some(since) = new.since {
        persons::insert_start(connection, account.id, since, None).await?;
    }
    if let Some(hash) = new.hash {
        store::insert_secret(connection, account.id, hash, true, None).await?;
    }
    for role in new.roles {
        let grant = RoleGrant {
            id: RoleGrantId::new(),
            account_id: account.id,
            role: role.clone(),
            effect: "grant".to_owned(),
            reason: new.reason.to_owned(),
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: None,
        };
        grants::insert_grant(connection, &grant).await?;
    }
    Ok(account.id)
}

/// Whether anybody has an account.
///
/// # Errors
/// A store that cannot be read.
pub async fn any(db: &Db) -> Result<bool, Refusal> {
    db.read(async |connection| store::any_account(connection).await).await
}

/// A sign-in name made of a printed one: `Mara Lindqvist` becomes `mara.lindqvist`. None where letters would have to be spelt
/// otherwise, which their owner decides.
#[must_use]
pub fn sign_in_name(printed: &str) -> Option<String> {
    let words: Vec<String> = printed.split_whitespace().map(str::to_lowercase).collect();
    let name = words.join(".");
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, '.' | '-');
    (name.len() >= 2 && name.chars().all(plain)).then_some(name)
}

/// The sign-in name that was given, or one made of the printed name.
///
/// # Errors
/// None was given and none can be made; named under `path`.
pub(super) fn named(path: &str, code: Option<&str>, printed: &str) -> Result<String, Refusal> {
    let given = code.map(str::trim).filter(|code| !code.is_empty()).map(str::to_owned);
    given.or_else(|| sign_in_name(printed)).ok_or_else(|| {
        let message = "must be given: none can be made of the printed name, whose letters are not all plain";
        Refusal::invalid(&format!("{path}.code"), "required", message, printed)
    })
}

/// A refusal under the person it is of.
pub(super) fn under(path: &str, mut refusal: Refusal) -> Refusal {
    for wrong in &mut refusal.fields {
        wrong.field = format!("{path}.{}", wrong.field);
    }
    refusal
}

/// The first people of an empty store: where the form has each, the role, who it is.
pub type First = (String, &'static str, FirstPerson);

/// Makes the first people of an empty store, each with a role at once, as whoever runs the service could at the command line; their
/// sign-in names and provisional passwords. Of two requests at the same moment one finds that it was done.
///
/// # Errors
/// Somebody has an account; names that cannot be, under the person they are of.
pub async fn create_first(db: &Db, people: Vec<First>) -> Result<Vec<(String, String)>, Refusal> {
    let act = Act::system("set_up");
    let mut made = Vec::with_capacity(people.len());
    let mut hashes = Vec::with_capacity(people.len());
    for (path, _, person) in &people {
        let password = passwords::generate();
        hashes.push(passwords::hash(password.clone().into()).await?);
        made.push((named(path, person.code.as_deref(), &person.display_name)?, password));
    }
    db.transact(&act, async |connection| {
        store::hold_first(connection).await?;
        if store::any_account(connection).await? {
            return Err(Refusal::new(Code::StateConflict, "somebody has an account already: sign in"));
        }
        for (((path, role, person), (code, _)), hash) in people.iter().zip(&made).zip(&hashes) {
            let new = Beginner {
                code,
                name: &person.display_name,
                kind: "person",
                roles: &[(*role).to_owned()],
                since: None,
                reason: "set up with an empty store",
                hash: Some(hash),
            };
            put(connection, new).await.map_err(|refusal| under(path, refusal))?;
        }
        Ok(())
    })
    .await?;
    Ok(made)
}

/// Creates an account with roles from the command line; the operator of the machine needs nobody's approval.
///
/// # Errors
/// A name that is taken or a role that does not exist.
pub async fn create_by_operator(
    db: &Db,
    code: &str,
    name: &str,
    roles: &[String],
    since: Option<NaiveDate>,
) -> Result<String, Refusal> {
    create_with_roles(db, (code, name, "person"), roles, since).await.map(|(_, password)| password)
}

/// The same for any kind of account; returns its id, too.
///
/// # Errors
/// A name that is taken or a role that does not exist.
pub async fn create_with_roles(
    db: &Db,
    (code, name, kind): (&str, &str, &str),
    roles: &[String],
    since: Option<NaiveDate>,
) -> Result<(AccountId, String), Refusal> {
    let act = Act::system("create_account");
    let password = passwords::generate();
    let hash = passwords::hash(password.clone().into()).await?;
    let hash = (kind == "person").then_some(hash.as_str());
    let new = Beginner { code, name, kind, roles, since, reason: "created at the command line", hash };
    let id = db.transact(&act, async |connection| put(connection, new).await).await?;
    Ok((id, password))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sign_in_name_is_made_of_plain_letters_only() {
        assert_eq!(sign_in_name("Mara Lindqvist").as_deref(), Some("mara.lindqvist"));
        assert_eq!(sign_in_name("  Anna-Lena  de Boer ").as_deref(), Some("anna-lena.de.boer"));
        for other in ["Zoë Müller", "O'Neil", "李", "A"] {
            assert_eq!(sign_in_name(other), None, "{other}");
        }
    }
}
