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

/// Makes the first two people of an empty store, each with a role; their provisional passwords. Of two requests at the same moment
/// one finds that it was done.
///
/// # Errors
/// Somebody has an account; names that cannot be, with the person's role before the field.
pub async fn create_first(db: &Db, people: [(&str, FirstPerson); 2]) -> Result<[String; 2], Refusal> {
    let act = Act::system("set_up");
    let passwords = [passwords::generate(), passwords::generate()];
    let mut hashes = Vec::with_capacity(passwords.len());
    for password in &passwords {
        hashes.push(passwords::hash(password.clone().into()).await?);
    }
    db.transact(&act, async |connection| {
        store::hold_first(connection).await?;
        if store::any_account(connection).await? {
            return Err(Refusal::new(Code::StateConflict, "somebody has an account already: sign in"));
        }
        for ((role, person), hash) in people.iter().zip(&hashes) {
            let new = Beginner {
                code: &person.code,
                name: &person.display_name,
                kind: "person",
                roles: &[(*role).to_owned()],
                since: None,
                reason: "set up with an empty store",
                hash: Some(hash),
            };
            put(connection, new).await.map_err(|mut refusal| {
                for wrong in &mut refusal.fields {
                    wrong.field = format!("{role}.{}", wrong.field);
                }
                refusal
            })?;
        }
        Ok(())
    })
    .await?;
    Ok(passwords)
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
