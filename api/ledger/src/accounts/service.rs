//! Use cases of accounts.
mod beginning;
mod grants;
mod many;

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::alert::{Alert, ending};
use ferrotitre_base::auth::current_user::{Codes, CurrentUser};
use ferrotitre_base::auth::passwords;
use ferrotitre_base::auth::permissions::{Action, Role, may};
use ferrotitre_base::auth::tokens::{SERVICE_TOKEN_PREFIX, opaque};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, IdentityConfirmationId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::{code, words};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::{labels, zone};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::accounts::codes;
use crate::accounts::signing;
use crate::accounts::store::competences;
use crate::accounts::store::persons::{self, IdentityConfirmation};
use crate::accounts::store::sessions;
use crate::accounts::store::{self, AccountRow, ServiceToken};
use crate::accounts::wire::{
    AccountView, CreatedAccount, IssuedServiceToken, NewAccount, NewCompetence, NewIdentityConfirmation,
    NewServiceToken, OwnAccount, ProvisionalPassword,
};

pub use crate::accounts::store::competences::Competence;
pub use beginning::{any, create_by_operator, create_first, create_with_roles, sign_in_name};
pub use grants::{decide_grant, decide_grants, decisions, grant, grants, request_grant, waiting};
pub use many::{create_people, method_codes, record_competences, record_competences_in};

const KIND: EntityKind = EntityKind::Account;

pub(super) async fn own(db: &Db, user: &CurrentUser) -> Result<OwnAccount, Refusal> {
    Ok(OwnAccount {
        id: user.account.0,
        code: user.code.clone(),
        display_name: user.display_name.clone(),
        roles: user.roles.iter().map(|role| role.text()).collect(),
        actions: Action::ALL.iter().copied().filter(|action| may(&user.roles, *action)).map(Action::text).collect(),
        password_provisional: user.provisional,
        one_time_codes_due: user.codes == Codes::Due,
        one_time_codes: codes::own(db, user.account).await?,
    })
}

async fn view(connection: &Connection, row: AccountRow) -> Result<AccountView, Refusal> {
    Ok(AccountView {
        id: row.id.0,
        state: states::present(connection, KIND, row.id.0).await?.state,
        roles: store::roles(connection, row.id).await?,
        last_sign_in: store::last_sign_in(connection, row.id).await?,
        since: persons::start(connection, row.id).await?,
        awaits_confirmation: persons::unconfirmed(connection, row.id).await?.is_some(),
        one_time_codes: store::codes::in_force(connection, row.id).await?.is_some(),
        code: row.code,
        display_name: row.display_name,
        kind: row.kind,
        recorded_at: row.recorded_at,
    })
}

/// Creates an account. The provisional password is in the answer only, never in the store of repeated answers: a repeated
/// request is refused because the name is taken.
pub async fn create(db: &Db, act: &Act, new: NewAccount) -> Result<CreatedAccount, Refusal> {
    if let Some(since) = new.since.filter(|since| *since > Utc::now().date_naive()) {
        return Err(Refusal::invalid("since", "not_in_the_future", "must not lie in the future", since));
    }
    let password = (new.kind == "person").then(passwords::generate);
    let hash = match &password {
        Some(password) => Some(passwords::hash(password.clone().into()).await?),
        None => None,
    };
    db.transact(act, async |connection| {
        let row = put_account(connection, act, &new, hash.as_deref()).await?;
        Ok(CreatedAccount { account: view(connection, row).await?, provisional_password: password })
    })
    .await
}

/// An account with the hash of its provisional password, if it has one.
async fn put_account(
    connection: &Connection,
    act: &Act,
    new: &NewAccount,
    hash: Option<&str>,
) -> Result<AccountRow, Refusal> {
    let row = AccountRow {
        id: AccountId::new(),
        code: new.code.clone(),
        display_name: new.display_name.clone(),
        kind: new.kind.clone(),
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: act.actor,
    };
    let row = store::insert_account(connection, &row).await?;
    if let Some(since) = new.since {
        store::persons::insert_start(connection, row.id, since, act.actor).await?;
    }
    if let Some(hash) = hash {
        store::insert_secret(connection, row.id, hash, true, act.actor).await?;
    }
    Ok(row)
}

pub async fn list(db: &Db, listing: &Listing) -> Result<Page<AccountView>, Refusal> {
    let limit = listing.limit()?;
    db.read(async |connection| {
        let rows = store::list_accounts(connection, listing.before(), limit + 1).await?;
        let page = Page::of(rows, limit, |row| row.id.0);
        let mut items = Vec::with_capacity(page.items.len());
        for row in page.items {
            items.push(view(connection, row).await?);
        }
        Ok(Page { items, next: page.next })
    })
    .await
}

/// Printed names of accounts.
pub async fn names(db: &Db, ids: &[Uuid]) -> Result<HashMap<Uuid, String>, Refusal> {
    labels::of(db, KIND, ids).await
}

async fn existing(connection: &Connection, id: Uuid) -> Result<AccountRow, Refusal> {
    store::account(connection, AccountId(id)).await?.ok_or_else(|| Refusal::not_found("account", id))
}

pub async fn read(db: &Db, id: Uuid) -> Result<AccountView, Refusal> {
    db.read(async |connection| view(connection, existing(connection, id).await?).await).await
}

pub async fn advance(db: &Db, act: &Act, id: Uuid, asked: NewMove) -> Result<Answer, Refusal> {
    if act.actor == Some(AccountId(id)) {
        return Err(Refusal::new(Code::OwnRecord, "nobody changes the state of their own account"));
    }
    db.write(act, async |connection| {
        existing(connection, id).await?;
        let moved = states::advance(connection, act, KIND, id, &asked, None).await?;
        if moved.to_state != "active" {
            sessions::end_sessions(connection, AccountId(id), "account no longer active").await?;
        }
        Ok(moved)
    })
    .await
}

pub async fn set_provisional_password(db: &Db, act: &Act, id: Uuid) -> Result<ProvisionalPassword, Refusal> {
    if act.actor == Some(AccountId(id)) {
        return Err(Refusal::new(Code::OwnRecord, "change your own password at /api/v1/accounts/me/password"));
    }
    let password = passwords::generate();
    let hash = passwords::hash(password.clone().into()).await?;
    db.transact(act, async |connection| {
        let row = existing(connection, id).await?;
        if row.kind != "person" {
            return Err(Refusal::new(Code::StateConflict, "a service account has tokens, not a password"));
        }
        store::insert_secret(connection, row.id, &hash, true, act.actor).await?;
        sessions::end_sessions(connection, row.id, "password set by an administrator").await
    })
    .await?;
    Ok(ProvisionalPassword { account: id, provisional_password: password })
}

/// Says that an account whose password somebody else had set is in the hands of its owner: the word of somebody who neither set
/// the password nor owns the account, under whichever of their accounts.
pub async fn confirm_identity(
    db: &Db,
    act: &Act,
    policy: Policy,
    id: Uuid,
    new: NewIdentityConfirmation,
) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&new.reason))?;
    signing::confirm(db, act, policy, new.password).await?;
    let by = author(act)?;
    db.write(act, async |connection| {
        let row = existing(connection, id).await?;
        let Some(secret) = persons::unconfirmed(connection, row.id).await? else {
            return Err(Refusal::new(Code::StateConflict, "nobody else has set its password since it was confirmed"));
        };
        let mut parties = vec![row.id];
        parties.extend(persons::set_by(connection, secret).await?);
        let detail = "an account is confirmed by somebody who neither owns it nor set its password";
        signing::not_a_party(connection, by, &parties, detail).await?;
        let confirmation = IdentityConfirmation {
            id: IdentityConfirmationId::new(),
            account_id: row.id,
            secret_id: secret,
            reason: new.reason,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: Some(by),
        };
        persons::insert(connection, &confirmation).await
    })
    .await
}

/// Accounts that wait for a second person's word.
pub async fn unconfirmed(db: &Db) -> Result<Vec<AccountView>, Refusal> {
    db.read(async |connection| {
        let mut found = Vec::new();
        for id in persons::all_unconfirmed(connection).await? {
            found.push(view(connection, existing(connection, id.0).await?).await?);
        }
        Ok(found)
    })
    .await
}

/// What a second person said of an account, newest first.
pub async fn confirmations(db: &Db, id: Uuid) -> Result<Vec<IdentityConfirmation>, Refusal> {
    db.read(async |connection| persons::confirmations(connection, AccountId(id)).await).await
}

/// Actions an instrument's token can have.
pub(super) fn scopes() -> Vec<&'static str> {
    Action::ALL.iter().copied().filter(|action| may(&[Role::Instrument], *action)).map(Action::text).collect()
}

pub async fn issue_token(db: &Db, act: &Act, new: NewServiceToken) -> Result<IssuedServiceToken, Refusal> {
    let mut errors = FieldErrors::default();
    words(&mut errors, "label", &new.label);
    errors.require(!new.scopes.is_empty(), "scopes", "required", "name at least one action", "");
    let known = scopes();
    for (index, scope) in new.scopes.iter().enumerate() {
        let message = format!("must be one of {}", known.join(", "));
        errors.require(known.contains(&scope.as_str()), &format!("scopes[{index}]"), "one_of", message, scope);
    }
    let now = Utc::now();
    let within = new.expires_at > now && new.expires_at < now + chrono::Duration::days(400);
    errors.require(within, "expires_at", "range", "must lie ahead, within 400 days", new.expires_at.to_rfc3339());
    errors.check()?;
    let by = author(act)?;
    let (token, hash) = opaque(SERVICE_TOKEN_PREFIX);
    let expires_at = new.expires_at;
    let id = db
        .transact(act, async |connection| {
            let target = existing(connection, new.account).await?;
            if target.kind != "service" {
                return Err(Refusal::invalid("account", "kind", "must be a service account", &target.code));
            }
            store::insert_service_token(connection, &new, &hash, by).await
        })
        .await?;
    Ok(IssuedServiceToken { id: id.0, token, expires_at })
}

pub async fn tokens(db: &Db) -> Result<Vec<ServiceToken>, Refusal> {
    db.read(async |connection| store::list_service_tokens(connection).await).await
}

pub async fn revoke_token(db: &Db, act: &Act, id: Uuid, reason: String) -> Result<Answer, Refusal> {
    let asked = NewMove { to: "revoked".to_owned(), reason: Some(reason) };
    db.write(act, async |connection| {
        if !store::list_service_tokens(connection).await?.iter().any(|token| token.id.0 == id) {
            return Err(Refusal::not_found("service token", id));
        }
        states::advance(connection, act, EntityKind::ServiceToken, id, &asked, None).await
    })
    .await
}

pub async fn record_competence(db: &Db, act: &Act, account: Uuid, new: NewCompetence) -> Result<Answer, Refusal> {
    let mut errors = FieldErrors::default();
    code(&mut errors, "method_code", &new.method_code);
    words(&mut errors, "evidence", &new.evidence);
    errors.check()?;
    let by = author(act)?;
    db.write(act, async |connection| many::authorise(connection, by, AccountId(account), &new).await).await
}

pub async fn competences(db: &Db, account: Uuid) -> Result<Vec<Competence>, Refusal> {
    db.read(async |connection| {
        existing(connection, account).await?;
        competences::list(connection, AccountId(account)).await
    })
    .await
}

/// People who are authorised for a method today: identity, sign-in name, printed name.
pub async fn competent_people(db: &Db, method: &str) -> Result<Vec<(Uuid, String, String)>, Refusal> {
    let today = Utc::now().date_naive();
    db.read(async |connection| competences::competent_people(connection, method, today).await).await
}

/// Days after which a competence that ended is no longer news.
const LAPSED_DAYS: i64 = 30;

/// Competences of those who may sign in that end soon, or ended lately and were not renewed; resets of one-time codes.
pub async fn alerts(connection: &Connection, now: DateTime<Utc>, until: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let days = ((now - chrono::Duration::days(LAPSED_DAYS)).date_naive(), until.date_naive());
    let found = competences::ending(connection, days).await?;
    let ids: Vec<Uuid> = found.iter().map(|(id, ..)| *id).collect();
    let known = states::present_many(connection, KIND, &ids).await?;
    let standing = found.into_iter().filter(|(id, ..)| known.get(id).is_some_and(|state| state == "active"));
    let mut alerts = codes::alerts(connection, now).await?;
    alerts.extend(standing.filter_map(|(subject, code, method, last)| {
        let end = zone::midnight(last.succ_opt()?)?;
        ending((now, until + chrono::Duration::days(1)), end, |urgency| Alert {
            kind: "competence ends",
            urgency,
            subject_kind: "accounts",
            subject,
            message: format!("{code} is authorised for {method} until {last}"),
            code,
            due_at: Some(end),
        })
    }));
    Ok(alerts)
}

/// Sets a new provisional password from the command line and unlocks the account.
///
/// # Errors
/// No such account.
pub async fn reset_by_operator(db: &Db, code: &str) -> Result<String, Refusal> {
    let act = Act::system("set_provisional_password");
    let password = passwords::generate();
    let hash = passwords::hash(password.clone().into()).await?;
    db.transact(&act, async |connection| {
        let account =
            store::account_by_code(connection, code).await?.ok_or_else(|| Refusal::not_found("account", code))?;
        store::insert_secret(connection, account.id, &hash, true, None).await?;
        sessions::end_sessions(connection, account.id, "password set at the command line").await?;
        if states::present(connection, KIND, account.id.0).await?.state == "locked" {
            let asked = NewMove { to: "active".to_owned(), reason: Some("unlocked at the command line".to_owned()) };
            states::advance(connection, &act, KIND, account.id.0, &asked, None).await?;
        }
        Ok(())
    })
    .await?;
    Ok(password)
}

/// Every account of the person that an account belongs to.
pub async fn accounts_of_person(
    connection: &ferrotitre_base::db::Connection,
    account: AccountId,
) -> Result<Vec<AccountId>, Refusal> {
    store::persons::accounts_of(connection, &[account]).await
}
