//! Tables of accounts, secrets, sessions, grants and tokens; competences have a file of their own.

pub mod competences;
pub mod persons;
pub mod served;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{
    AccountId, AccountSecretId, RoleGrantDecisionId, RoleGrantId, ServiceTokenId, SessionId, SignInAttemptId,
};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::answer::Located;
use ferrotitre_schema::{
    account_secrets, accounts, refresh_tokens, role_grant_decisions, role_grants, service_tokens, sessions,
    sign_in_attempts,
};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

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

pub async fn insert_attempt(
    mut connection: &Connection,
    account: AccountId,
    succeeded: bool,
    purpose: &str,
) -> Result<(), Refusal> {
    diesel::insert_into(sign_in_attempts::table)
        .values((
            sign_in_attempts::id.eq(SignInAttemptId::new()),
            sign_in_attempts::account_id.eq(account),
            sign_in_attempts::succeeded.eq(succeeded),
            sign_in_attempts::purpose.eq(purpose),
        ))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Days after which an address from which an account signed in is no longer known.
const KNOWN_DAYS: i64 = 90;

/// Addresses from which somebody has signed in to the account lately.
pub(super) async fn lately_from(mut connection: &Connection, account: AccountId) -> Result<Vec<String>, Refusal> {
    let since = Utc::now() - chrono::Duration::days(KNOWN_DAYS);
    let found: Vec<Option<String>> = sessions::table
        .filter(sessions::account_id.eq(account))
        .filter(sessions::started_at.gt(since))
        .select(sessions::source_address)
        .distinct()
        .load(&mut connection)
        .await?;
    Ok(found.into_iter().flatten().collect())
}

pub(super) async fn insert_session(
    mut connection: &Connection,
    id: SessionId,
    account: AccountId,
    address: Option<&str>,
) -> Result<(), Refusal> {
    diesel::insert_into(sessions::table)
        .values((sessions::id.eq(id), sessions::account_id.eq(account), sessions::source_address.eq(address)))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Sessions of an account that have not ended and began after a time, newest first.
pub(super) async fn open_sessions(
    mut connection: &Connection,
    account: AccountId,
    since: DateTime<Utc>,
) -> Result<Vec<(SessionId, DateTime<Utc>, Option<String>)>, Refusal> {
    Ok(sessions::table
        .filter(sessions::account_id.eq(account))
        .filter(sessions::ended_at.is_null())
        .filter(sessions::started_at.gt(since))
        .order(sessions::started_at.desc())
        .limit(200)
        .select((sessions::id, sessions::started_at, sessions::source_address))
        .load(&mut connection)
        .await?)
}

/// When an open session began.
pub(super) async fn session_started(
    mut connection: &Connection,
    id: SessionId,
) -> Result<Option<DateTime<Utc>>, Refusal> {
    Ok(sessions::table
        .find(id)
        .filter(sessions::ended_at.is_null())
        .select(sessions::started_at)
        .first(&mut connection)
        .await
        .optional()?)
}

/// Ends one session.
pub(super) async fn end_session(mut connection: &Connection, id: SessionId, reason: &str) -> Result<(), Refusal> {
    diesel::update(sessions::table.filter(sessions::id.eq(id)).filter(sessions::ended_at.is_null()))
        .set((sessions::ended_at.eq(diesel::dsl::now), sessions::end_reason.eq(reason)))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Ends all sessions of an account.
pub async fn end_sessions(mut connection: &Connection, account: AccountId, reason: &str) -> Result<(), Refusal> {
    diesel::update(sessions::table.filter(sessions::account_id.eq(account)).filter(sessions::ended_at.is_null()))
        .set((sessions::ended_at.eq(diesel::dsl::now), sessions::end_reason.eq(reason)))
        .execute(&mut connection)
        .await?;
    Ok(())
}

pub(super) async fn insert_refresh(
    mut connection: &Connection,
    hash: &[u8],
    session: SessionId,
    expires: DateTime<Utc>,
) -> Result<(), Refusal> {
    diesel::insert_into(refresh_tokens::table)
        .values((
            refresh_tokens::token_hash.eq(hash),
            refresh_tokens::session_id.eq(session),
            refresh_tokens::expires_at.eq(expires),
        ))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// What is known of a refresh token.
#[derive(Debug, Queryable)]
pub(super) struct RefreshRow {
    pub(super) session: SessionId,
    pub(super) account: AccountId,
    pub(super) expires_at: DateTime<Utc>,
    pub(super) ended_at: Option<DateTime<Utc>>,
    pub(super) started_at: DateTime<Utc>,
}

/// Marks a token used and tells whether it was the first use; of two at once only one gets the mark.
pub(super) async fn use_refresh(
    mut connection: &Connection,
    hash: &[u8],
) -> Result<Option<(RefreshRow, bool)>, Refusal> {
    let marked = diesel::update(refresh_tokens::table.find(hash).filter(refresh_tokens::used_at.is_null()))
        .set(refresh_tokens::used_at.eq(diesel::dsl::now))
        .execute(&mut connection)
        .await?;
    let row = refresh_tokens::table
        .inner_join(sessions::table.on(sessions::id.eq(refresh_tokens::session_id)))
        .filter(refresh_tokens::token_hash.eq(hash))
        .select((
            sessions::id,
            sessions::account_id,
            refresh_tokens::expires_at,
            sessions::ended_at,
            sessions::started_at,
        ))
        .first::<RefreshRow>(&mut connection)
        .await
        .optional()?;
    Ok(row.map(|row| (row, marked == 1)))
}

/// A role grant.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = role_grants)]
pub struct RoleGrant {
    /// Identity.
    pub id: RoleGrantId,
    /// Who receives or loses the role.
    pub account_id: AccountId,
    /// The role.
    #[schema(example = "analyst")]
    pub role: String,
    /// grant or withdraw.
    #[schema(example = "grant")]
    pub effect: String,
    /// Why.
    pub reason: String,
    /// Server time.
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    /// Who asked; absent from the command line.
    pub recorded_by: Option<AccountId>,
}

impl Located for RoleGrant {
    fn location(&self) -> String {
        format!("/api/v1/accounts/{}/role-grants", self.account_id)
    }
}

/// A manager's answer to a role grant.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = role_grant_decisions)]
pub struct RoleGrantDecision {
    /// Identity.
    pub id: RoleGrantDecisionId,
    /// The grant.
    pub role_grant_id: RoleGrantId,
    /// approved or refused.
    pub decision: String,
    /// Why.
    pub reason: Option<String>,
    /// Server time.
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    /// Manager who decided.
    pub recorded_by: AccountId,
}

impl Located for RoleGrantDecision {
    fn location(&self) -> String {
        "/api/v1/role-grants".to_owned()
    }
}

const GRANT_MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "role_grants_not_to_oneself",
        code: Code::OwnRecord,
        field: "account",
        detail: "nobody grants a role to themself",
    },
    ConstraintMeaning { constraint: "role_grants_role", code: Code::Invalid, field: "role", detail: "is not a role" },
    ConstraintMeaning {
        constraint: "role_grants_effect",
        code: Code::Invalid,
        field: "effect",
        detail: "must be grant or withdraw",
    },
    ConstraintMeaning {
        constraint: "role_grants_reason",
        code: Code::Invalid,
        field: "reason",
        detail: "give a reason of at least 5 characters",
    },
    ConstraintMeaning {
        constraint: "role_grants_account",
        code: Code::NotFound,
        field: "",
        detail: "there is no such account",
    },
];

pub async fn insert_grant(mut connection: &Connection, row: &RoleGrant) -> Result<RoleGrant, Refusal> {
    diesel::insert_into(role_grants::table)
        .values(row)
        .returning(RoleGrant::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, GRANT_MEANINGS))
}

pub(super) async fn grant(mut connection: &Connection, id: RoleGrantId) -> Result<Option<RoleGrant>, Refusal> {
    Ok(role_grants::table.find(id).select(RoleGrant::as_select()).first(&mut connection).await.optional()?)
}

pub(super) async fn grants(mut connection: &Connection, below: Uuid, limit: i64) -> Result<Vec<RoleGrant>, Refusal> {
    Ok(role_grants::table
        .filter(role_grants::id.lt(RoleGrantId(below)))
        .order(role_grants::id.desc())
        .limit(limit)
        .select(RoleGrant::as_select())
        .load(&mut connection)
        .await?)
}

const DECISION_MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "role_grant_decisions_once",
        code: Code::StateConflict,
        field: "",
        detail: "this grant has been decided already",
    },
    ConstraintMeaning {
        constraint: "role_grant_decisions_decision",
        code: Code::Invalid,
        field: "decision",
        detail: "must be approved or refused",
    },
];

/// What was decided of these grants.
pub(super) async fn decisions(
    mut connection: &Connection,
    grants: &[RoleGrantId],
) -> Result<Vec<(RoleGrantId, String)>, Refusal> {
    Ok(role_grant_decisions::table
        .filter(role_grant_decisions::role_grant_id.eq_any(grants))
        .select((role_grant_decisions::role_grant_id, role_grant_decisions::decision))
        .load(&mut connection)
        .await?)
}

pub(super) async fn insert_decision(
    mut connection: &Connection,
    row: &RoleGrantDecision,
) -> Result<RoleGrantDecision, Refusal> {
    diesel::insert_into(role_grant_decisions::table)
        .values(row)
        .returning(RoleGrantDecision::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, DECISION_MEANINGS))
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
