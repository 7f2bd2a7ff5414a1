//! Tables of roles: who asked for which, and what was decided.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, RoleGrantDecisionId, RoleGrantId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::answer::Located;
use ferrotitre_schema::{role_grant_decisions, role_grants};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;
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

pub(in crate::accounts) async fn grant(
    mut connection: &Connection,
    id: RoleGrantId,
) -> Result<Option<RoleGrant>, Refusal> {
    Ok(role_grants::table.find(id).select(RoleGrant::as_select()).first(&mut connection).await.optional()?)
}

pub(in crate::accounts) async fn grants(
    mut connection: &Connection,
    below: Uuid,
    limit: i64,
) -> Result<Vec<RoleGrant>, Refusal> {
    Ok(role_grants::table
        .filter(role_grants::id.lt(RoleGrantId(below)))
        .order(role_grants::id.desc())
        .limit(limit)
        .select(RoleGrant::as_select())
        .load(&mut connection)
        .await?)
}

/// Grants that somebody asked for and nobody has decided on, oldest first.
pub(in crate::accounts) async fn waiting(mut connection: &Connection) -> Result<Vec<RoleGrant>, Refusal> {
    let undecided = "NOT EXISTS (SELECT FROM role_grant_decisions d WHERE d.role_grant_id = role_grants.id)";
    Ok(role_grants::table
        .filter(role_grants::effect.eq("grant"))
        .filter(role_grants::recorded_by.is_not_null())
        .filter(diesel::dsl::sql::<diesel::sql_types::Bool>(undecided))
        .order(role_grants::id)
        .limit(200)
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
pub(in crate::accounts) async fn decisions(
    mut connection: &Connection,
    grants: &[RoleGrantId],
) -> Result<Vec<(RoleGrantId, String)>, Refusal> {
    Ok(role_grant_decisions::table
        .filter(role_grant_decisions::role_grant_id.eq_any(grants))
        .select((role_grant_decisions::role_grant_id, role_grant_decisions::decision))
        .load(&mut connection)
        .await?)
}

pub(in crate::accounts) async fn insert_decision(
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
