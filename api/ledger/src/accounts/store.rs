//! Tables of accounts, secrets and tokens; what else belongs to an account has a file of its own.

pub mod codes;
pub mod competences;
pub mod grants;
pub mod persons;
pub mod served;
pub mod sessions;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, AccountSecretId, ServiceTokenId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_schema::{account_secrets, accounts, service_tokens, sign_in_attempts};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

pub use grants::RoleGrant;

/// An account as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = accounts)]
pub struct AccountRow {
    pub id: AccountId,
    pub code: String,
    pub display_name: String,
    pub kind: String,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: Option<AccountId>,
}

const ACCOUNT_MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "accounts_code_once",
        code: Code::AlreadyExists,
        field: "code",
        detail: "this sign-in name is taken",
    },
    ConstraintMeaning {
        constraint: "accounts_code_form",
        code: Code::Invalid,
        field: "code",
        detail: "must have 2 to 64 lower-case letters, digits, dots or hyphens",
    },
    ConstraintMeaning {
        constraint: "accounts_kind",
        code: Code::Invalid,
        field: "kind",
        detail: "must be person or service",
    },
    ConstraintMeaning {
        constraint: "accounts_display_name",
        code: Code::Invalid,
        field: "display_name",
        detail: "must have 1 to 200 characters",
    },
    persons::NAME_TAKEN,
];

pub async fn insert_account(mut connection: &Connection, row: &AccountRow) -> Result<AccountRow, Refusal> {
    diesel::insert_into(accounts::table)
        .values(row)
        .returning(AccountRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, ACCOUNT_MEANINGS))
}

pub async fn account_by_code(mut connection: &Connection, code: &str) -> Result<Option<AccountRow>, Refusal> {
    Ok(accounts::table
        .filter(accounts::code.eq(code))
        .select(AccountRow::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}

pub async fn account(mut connection: &Connection, id: AccountId) -> Result<Option<AccountRow>, Refusal> {
    Ok(accounts::table.find(id).select(AccountRow::as_select()).first(&mut connection).await.optional()?)
}

/// Holds the making of the first accounts until the transaction ends.
pub(super) async fn hold_first(mut connection: &Connection) -> Result<(), Refusal> {
    diesel::sql_query("SELECT pg_advisory_xact_lock(hashtextextended('the first accounts', 0))")
        .execute(&mut connection)
        .await?;
    Ok(())
}

pub async fn any_account(mut connection: &Connection) -> Result<bool, Refusal> {
    Ok(diesel::select(diesel::dsl::exists(accounts::table.select(accounts::id))).get_result(&mut connection).await?)
}

pub(super) async fn list_accounts(
    mut connection: &Connection,
    below: Uuid,
    limit: i64,
) -> Result<Vec<AccountRow>, Refusal> {
    Ok(accounts::table
        .filter(accounts::id.lt(AccountId(below)))
        .order(accounts::id.desc())
        .limit(limit)
        .select(AccountRow::as_select())
        .load(&mut connection)
        .await?)
}

#[derive(QueryableByName)]
struct RolesRow {
    #[diesel(sql_type = diesel::sql_types::Array<diesel::sql_types::Text>)]
    roles: Vec<String>,
}

pub async fn roles(mut connection: &Connection, id: AccountId) -> Result<Vec<String>, Refusal> {
    let rows: Vec<RolesRow> = diesel::sql_query("SELECT roles FROM account_roles WHERE account_id = $1")
        .bind::<diesel::sql_types::Uuid, _>(id)
        .load(&mut connection)
        .await?;
    Ok(rows.into_iter().flat_map(|row| row.roles).collect())
}

pub(super) async fn last_sign_in(mut connection: &Connection, id: AccountId) -> Result<Option<DateTime<Utc>>, Refusal> {
    Ok(sign_in_attempts::table
        .filter(sign_in_attempts::account_id.eq(id))
        .filter(sign_in_attempts::succeeded)
        .filter(sign_in_attempts::purpose.eq("sign in"))
        .select(diesel::dsl::max(sign_in_attempts::recorded_at))
        .first(&mut connection)
        .await?)
}

/// The password in force.
pub async fn secret(mut connection: &Connection, id: AccountId) -> Result<Option<(String, bool)>, Refusal> {
    Ok(account_secrets::table
        .filter(account_secrets::account_id.eq(id))
        .order(account_secrets::recorded_at.desc())
        .select((account_secrets::password_hash, account_secrets::provisional))
        .first(&mut connection)
        .await
        .optional()?)
}

pub async fn insert_secret(
    mut connection: &Connection,
    account: AccountId,
    hash: &str,
    provisional: bool,
    by: Option<AccountId>,
) -> Result<(), Refusal> {
    diesel::insert_into(account_secrets::table)
        .values((
            account_secrets::id.eq(AccountSecretId::new()),
            account_secrets::account_id.eq(account),
            account_secrets::password_hash.eq(hash),
            account_secrets::provisional.eq(provisional),
            account_secrets::recorded_by.eq(by),
        ))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// A service token without the token itself.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable)]
#[diesel(table_name = service_tokens)]
pub struct ServiceToken {
    /// Identity.
    pub id: ServiceTokenId,
    /// Service account that acts with it.
    pub account_id: AccountId,
    /// What it is for.
    pub label: String,
    /// Actions it may do.
    pub scopes: Vec<String>,
    /// End of validity.
    pub expires_at: DateTime<Utc>,
    /// Server time of issue.
    pub recorded_at: DateTime<Utc>,
    /// Administrator who issued it.
    pub recorded_by: AccountId,
}

pub(super) async fn insert_service_token(
    mut connection: &Connection,
    new: &crate::accounts::wire::NewServiceToken,
    hash: &[u8],
    by: AccountId,
) -> Result<ServiceTokenId, Refusal> {
    let id = ServiceTokenId::new();
    diesel::insert_into(service_tokens::table)
        .values((
            service_tokens::id.eq(id),
            service_tokens::account_id.eq(AccountId(new.account)),
            service_tokens::label.eq(&new.label),
            service_tokens::token_hash.eq(hash),
            service_tokens::scopes.eq(&new.scopes),
            service_tokens::expires_at.eq(new.expires_at),
            service_tokens::recorded_by.eq(by),
        ))
        .execute(&mut connection)
        .await?;
    Ok(id)
}

pub(super) async fn list_service_tokens(mut connection: &Connection) -> Result<Vec<ServiceToken>, Refusal> {
    Ok(service_tokens::table
        .order(service_tokens::id.desc())
        .limit(200)
        .select(ServiceToken::as_select())
        .load(&mut connection)
        .await?)
}
