//! Who is who: accounts of one person, and whose word stands behind a password that somebody else had set.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, AccountSecretId, AccountStartId, IdentityConfirmationId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::answer::Located;
use ferrotitre_schema::{account_secrets, account_starts, accounts, identity_confirmations};
use serde::Serialize;
use utoipa::ToSchema;

#[derive(QueryableByName)]
struct IdRow {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: AccountId,
}

/// Every account that prints the same name as one of these: a person is one, whatever their accounts.
pub async fn accounts_of(mut connection: &Connection, accounts: &[AccountId]) -> Result<Vec<AccountId>, Refusal> {
    let rows: Vec<IdRow> = diesel::sql_query(
        "SELECT DISTINCT b.id FROM accounts a \
         JOIN accounts b ON printed_name_key(b.display_name) = printed_name_key(a.display_name) WHERE a.id = ANY($1)",
    )
    .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(accounts)
    .load(&mut connection)
    .await?;
    Ok(rows.into_iter().map(|row| row.id).collect())
}

/// Printed names of those of these accounts that are people's, each once.
pub async fn names_of_people(mut connection: &Connection, ids: &[AccountId]) -> Result<Vec<String>, Refusal> {
    Ok(accounts::table
        .filter(accounts::id.eq_any(ids))
        .filter(accounts::kind.eq("person"))
        .order(accounts::display_name)
        .select(accounts::display_name)
        .distinct()
        .load(&mut connection)
        .await?)
}

#[derive(QueryableByName)]
struct SecretRow {
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Uuid>)]
    id: Option<AccountSecretId>,
}

/// The password of an account that somebody else set and nobody has confirmed since.
pub async fn unconfirmed(mut connection: &Connection, account: AccountId) -> Result<Option<AccountSecretId>, Refusal> {
    let row: SecretRow = diesel::sql_query("SELECT unconfirmed_secret($1) AS id")
        .bind::<diesel::sql_types::Uuid, _>(account)
        .get_result(&mut connection)
        .await?;
    Ok(row.id)
}

/// Persons whose accounts wait for a second person's word.
pub async fn all_unconfirmed(mut connection: &Connection) -> Result<Vec<AccountId>, Refusal> {
    let rows: Vec<IdRow> =
        diesel::sql_query("SELECT id FROM accounts WHERE kind = 'person' AND unconfirmed_secret(id) IS NOT NULL")
            .load(&mut connection)
            .await?;
    Ok(rows.into_iter().map(|row| row.id).collect())
}

/// Who set a password; none from the command line.
pub async fn set_by(mut connection: &Connection, secret: AccountSecretId) -> Result<Option<AccountId>, Refusal> {
    Ok(account_secrets::table.find(secret).select(account_secrets::recorded_by).first(&mut connection).await?)
}

/// A second person's word that an account is in the hands of its owner.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = identity_confirmations)]
pub struct IdentityConfirmation {
    /// Identity.
    pub id: IdentityConfirmationId,
    /// Whose account.
    pub account_id: AccountId,
    /// The password that somebody else had set.
    pub secret_id: AccountSecretId,
    /// How it is known.
    pub reason: String,
    /// Server time.
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    /// Manager who confirmed; absent for passwords set before anybody had to.
    pub recorded_by: Option<AccountId>,
}

impl Located for IdentityConfirmation {
    fn location(&self) -> String {
        format!("/api/v1/accounts/{}", self.account_id)
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "identity_confirmations_once",
        code: Code::StateConflict,
        field: "",
        detail: "somebody confirmed it at the same moment",
    },
    ConstraintMeaning {
        constraint: "identity_confirmations_not_of_oneself",
        code: Code::OwnRecord,
        field: "",
        detail: "nobody confirms their own account",
    },
    ConstraintMeaning {
        constraint: "identity_confirmations_reason",
        code: Code::Invalid,
        field: "reason",
        detail: "give a reason of at least 5 characters",
    },
];

pub async fn insert(mut connection: &Connection, row: &IdentityConfirmation) -> Result<IdentityConfirmation, Refusal> {
    diesel::insert_into(identity_confirmations::table)
        .values(row)
        .returning(IdentityConfirmation::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

/// Confirmations of an account, newest first.
pub async fn confirmations(
    mut connection: &Connection,
    account: AccountId,
) -> Result<Vec<IdentityConfirmation>, Refusal> {
    Ok(identity_confirmations::table
        .filter(identity_confirmations::account_id.eq(account))
        .order(identity_confirmations::recorded_at.desc())
        .select(IdentityConfirmation::as_select())
        .load(&mut connection)
        .await?)
}

/// Records since when the owner of an account has worked here.
pub async fn insert_start(
    mut connection: &Connection,
    account: AccountId,
    since: NaiveDate,
    by: Option<AccountId>,
) -> Result<(), Refusal> {
    diesel::insert_into(account_starts::table)
        .values((
            account_starts::id.eq(AccountStartId::new()),
            account_starts::account_id.eq(account),
            account_starts::since.eq(since),
            account_starts::recorded_by.eq(by),
        ))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// Since when the owner of an account has worked here, if that was said.
pub async fn start(mut connection: &Connection, account: AccountId) -> Result<Option<NaiveDate>, Refusal> {
    Ok(account_starts::table
        .filter(account_starts::account_id.eq(account))
        .select(account_starts::since)
        .first(&mut connection)
        .await
        .optional()?)
}

/// What it means that a printed name is taken.
pub const NAME_TAKEN: ConstraintMeaning = ConstraintMeaning {
    constraint: "printed_names_once",
    code: Code::AlreadyExists,
    field: "display_name",
    detail: "somebody's signatures carry this name already; a person has one account, and two people are told apart by their printed names",
};
