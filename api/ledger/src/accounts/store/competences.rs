//! Table of competences: who is authorised for which method, from which day to which.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::dsl::max;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, CompetenceId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::answer::Located;
use ferrotitre_schema::{accounts, competences};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// An authorisation for a method.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = competences)]
pub struct Competence {
    /// Identity.
    pub id: CompetenceId,
    /// Who is authorised.
    pub account_id: AccountId,
    /// Code of the method, all versions.
    #[schema(example = "M1")]
    pub method_code: String,
    /// First day.
    pub valid_from: NaiveDate,
    /// Last day.
    pub valid_to: NaiveDate,
    /// What it rests on.
    pub evidence: String,
    /// Server time.
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    /// Manager who authorised.
    pub recorded_by: AccountId,
}

impl Located for Competence {
    fn location(&self) -> String {
        format!("/api/v1/accounts/{}/competences", self.account_id)
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "competences_window",
        code: Code::Invalid,
        field: "valid_to",
        detail: "must be after the first day",
    },
    ConstraintMeaning {
        constraint: "competences_not_by_oneself",
        code: Code::OwnRecord,
        field: "account",
        detail: "nobody authorises themself",
    },
    ConstraintMeaning {
        constraint: "competences_account",
        code: Code::NotFound,
        field: "",
        detail: "there is no such account",
    },
];

pub async fn insert(mut connection: &Connection, row: &Competence) -> Result<Competence, Refusal> {
    diesel::insert_into(competences::table)
        .values(row)
        .returning(Competence::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

pub async fn list(mut connection: &Connection, account: AccountId) -> Result<Vec<Competence>, Refusal> {
    Ok(competences::table
        .filter(competences::account_id.eq(account))
        .order(competences::id.desc())
        .select(Competence::as_select())
        .load(&mut connection)
        .await?)
}

#[derive(QueryableByName)]
struct Exists {
    #[diesel(sql_type = diesel::sql_types::Bool)]
    found: bool,
}

/// Whether there is a method of that code, in any version. In words of the store, because methods are a feature of their own.
pub async fn method_exists(mut connection: &Connection, code: &str) -> Result<bool, Refusal> {
    let row: Exists = diesel::sql_query("SELECT EXISTS (SELECT FROM methods WHERE code = $1) AS found")
        .bind::<diesel::sql_types::Text, _>(code)
        .get_result(&mut connection)
        .await?;
    Ok(row.found)
}

#[derive(QueryableByName)]
struct MethodCode {
    #[diesel(sql_type = diesel::sql_types::Text)]
    code: String,
}

/// Codes of the methods on record, of those approved and those in draft.
pub(in crate::accounts) async fn method_codes(mut connection: &Connection) -> Result<Vec<String>, Refusal> {
    let rows: Vec<MethodCode> =
        diesel::sql_query("SELECT DISTINCT code FROM methods ORDER BY code LIMIT 200").load(&mut connection).await?;
    Ok(rows.into_iter().map(|row| row.code).collect())
}

/// Whether somebody is authorised for a method on a day.
pub async fn competent(
    mut connection: &Connection,
    account: AccountId,
    method: &str,
    day: NaiveDate,
) -> Result<bool, Refusal> {
    let found = competences::table
        .filter(competences::account_id.eq(account))
        .filter(competences::method_code.eq(method))
        .filter(competences::valid_from.le(day))
        .filter(competences::valid_to.ge(day));
    Ok(diesel::select(diesel::dsl::exists(found)).get_result(&mut connection).await?)
}

/// Active people who are authorised for a method on a day: identity, sign-in name, printed name.
pub async fn competent_people(
    mut connection: &Connection,
    method: &str,
    day: NaiveDate,
) -> Result<Vec<(Uuid, String, String)>, Refusal> {
    let authorised: Vec<AccountId> = competences::table
        .filter(competences::method_code.eq(method))
        .filter(competences::valid_from.le(day))
        .filter(competences::valid_to.ge(day))
        .select(competences::account_id)
        .load(&mut connection)
        .await?;
    let found: Vec<(AccountId, String, String)> = accounts::table
        .filter(accounts::id.eq_any(authorised))
        .filter(accounts::kind.eq("person"))
        .order(accounts::code)
        .select((accounts::id, accounts::code, accounts::display_name))
        .load(&mut connection)
        .await?;
    Ok(found.into_iter().map(|(id, code, name)| (id.0, code, name)).collect())
}

/// Last day of each competence that nothing later renews and that ends within these days: account, its code, method.
pub async fn ending(
    mut connection: &Connection,
    (from, until): (NaiveDate, NaiveDate),
) -> Result<Vec<(Uuid, String, String, NaiveDate)>, Refusal> {
    let last: Vec<(AccountId, String, Option<NaiveDate>)> = competences::table
        .group_by((competences::account_id, competences::method_code))
        .having(max(competences::valid_to).between(from, until))
        .order((competences::account_id, competences::method_code))
        .select((competences::account_id, competences::method_code, max(competences::valid_to)))
        .load(&mut connection)
        .await?;
    let ids: Vec<AccountId> = last.iter().map(|(id, ..)| *id).collect();
    let codes: Vec<(AccountId, String)> = accounts::table
        .filter(accounts::id.eq_any(ids))
        .select((accounts::id, accounts::code))
        .load(&mut connection)
        .await?;
    let named = last.into_iter().filter_map(|(id, method, day)| {
        let (_, code) = codes.iter().find(|(of, _)| *of == id)?;
        Some((id.0, code.clone(), method, day?))
    });
    Ok(named.collect())
}
